//! Adaptive Gauss–Hermite quadrature of one random factor; the method is in `mod.rs`.

use super::contribution::Slopes;
use super::marginal::{Marginal, Parameters};
use crate::numeric::special::LN_SQRT_2PI;

impl Marginal {
    /// Adaptive Gauss–Hermite quadrature, level by level of the one factor.
    pub(super) fn quadrature(
        &self,
        parameters: &Parameters,
        modes: &[f64],
        terms: &[Slopes],
        gradient: &mut [f64],
    ) -> f64 {
        let p = self.x.columns;
        let tau = libm::exp(parameters.log_tau[0]);
        let log_sigma = parameters.log_sigma;
        let base = self.x.times(&parameters.beta);
        let mut members: Vec<Vec<usize>> = vec![Vec::new(); self.z.columns];
        let mut total = 0.0;
        for i in 0..terms.len() {
            if let Some((level, _)) = self.z.row(i).next() {
                members[level].push(i);
            } else {
                // No random effect acts here.
                total += terms[i].value;
                for (a, x) in self.x.row(i) {
                    gradient[a] += x * terms[i].m;
                }
                gradient[p] += terms[i].s;
            }
        }
        let nodes = self.rule.node.len();
        for (trials, &mode) in members.iter().zip(modes) {
            let (mut mm, mut mmm) = (0.0, 0.0);
            for &i in trials {
                mm += terms[i].mm;
                mmm += terms[i].mmm;
            }
            let curvature = 1.0 - tau * tau * mm;
            let spread = 1.0 / curvature.sqrt();
            let at: Vec<f64> = self.rule.node.iter().map(|z| mode + std::f64::consts::SQRT_2 * spread * z).collect();
            let there: Vec<Vec<Slopes>> = at
                .iter()
                .map(|u| trials.iter().map(|&i| self.slopes(i, base[i] + tau * u, log_sigma)).collect())
                .collect();
            let height: Vec<f64> = (0..nodes)
                .map(|k| {
                    self.rule.log_weight[k] + there[k].iter().map(|t| t.value).sum::<f64>()
                        - 0.5 * at[k] * at[k]
                        - LN_SQRT_2PI
                })
                .collect();
            let top = height.iter().fold(f64::NEG_INFINITY, |a, h| a.max(*h));
            let sum: f64 = height.iter().map(|h| libm::exp(h - top)).sum();
            total += top + libm::log(sum) + libm::log(std::f64::consts::SQRT_2 * spread);
            // Derivatives: posterior weights, then the movement of mode and spread.
            let (mut along, mut across) = (0.0, 0.0);
            let mut by_tau = 0.0;
            for k in 0..nodes {
                let weight = libm::exp(height[k] - top) / sum;
                let pull: f64 = there[k].iter().map(|t| t.m).sum();
                let slope = tau * pull - at[k];
                along += weight * slope;
                across += weight * slope * std::f64::consts::SQRT_2 * self.rule.node[k];
                by_tau += weight * tau * at[k] * pull;
                for (&i, t) in trials.iter().zip(&there[k]) {
                    for (a, x) in self.x.row(i) {
                        gradient[a] += weight * x * t.m;
                    }
                    gradient[p] += weight * t.s;
                }
            }
            let kappa = 0.5 * spread.powi(3) * (across + curvature.sqrt());
            let alpha = (along + kappa * tau.powi(3) * mmm) / curvature;
            for &i in trials {
                let t = &terms[i];
                for (a, x) in self.x.row(i) {
                    gradient[a] += x * (alpha * tau * t.mm + kappa * tau * tau * t.mmm);
                }
                gradient[p] += alpha * tau * t.ms + kappa * tau * tau * t.mms;
                by_tau += alpha * (tau * t.m + tau * tau * mode * t.mm)
                    + kappa * (2.0 * tau * tau * t.mm + tau.powi(3) * mode * t.mmm);
            }
            gradient[p + 1] += by_tau;
        }
        total
    }
}
