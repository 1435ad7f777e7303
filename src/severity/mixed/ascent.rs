//! The maximum of the marginal likelihood; the method is in `mod.rs`.

use super::descent::{Local, Stop, descend};
use super::deviance::explained;
use super::marginal::{Best, COLLAPSED, Hold, LOW, Marginal, Parameters, ran_away, read, unlimited, write};
use crate::error::{ErrorKind, Result};
use nalgebra::DMatrix;

impl Marginal {
    /// Positions in (β, log σ, log τ) that move.
    pub(super) fn free(&self, parameters: &Parameters, hold: Hold) -> Vec<usize> {
        let p = self.x.columns;
        (0..=p + self.len())
            .filter(|&at| match hold {
                Hold::LogSigma => at != p,
                Hold::Scales => at < p,
                Hold::LogTau(j) | Hold::Zero(j) => at != p + 1 + j,
                Hold::Nothing => true,
            })
            .filter(|&at| at <= p || parameters.log_tau[at - p - 1].is_finite())
            .collect()
    }

    /// Maximises the marginal likelihood from `start`, what `hold` says kept.
    pub(super) fn maximise(&self, hold: Hold, start: &Parameters) -> Result<Best> {
        let (p, k) = (self.x.columns, self.len());
        let mut parameters = start.clone();
        let mut lowered = vec![false; k];
        let mut released = vec![false; k];
        if let Hold::Zero(j) = hold {
            parameters.log_tau[j] = f64::NEG_INFINITY;
        }
        let mut modes = self.begin.clone();
        let (mut iterations, mut evaluations) = (0, 0);
        let stuck = |iterations, decrement: f64| -> crate::Error {
            ErrorKind::NotConverged {
                stage: "the mixed model with censored times".into(),
                iterations,
                gradient_norm: if decrement.is_finite() { decrement } else { f64::MAX },
            }
            .into()
        };
        for _ in 0..30 {
            let free = self.free(&parameters, hold);
            let base = parameters.clone();
            let begin: Vec<f64> = free.iter().map(|&at| read(&base, at, p)).collect();
            let low: Vec<f64> = free
                .iter()
                .map(|&at| match at.checked_sub(p + 1) {
                    None => f64::NEG_INFINITY,
                    Some(j) if lowered[j] => base.log_sigma - 40.0,
                    Some(j) => base.log_sigma - 0.5 * libm::log(self.replication(j)) + LOW,
                })
                .collect();
            let longest: Vec<f64> = free.iter().map(|&at| if at < p { 20.0 } else { 1.2 }).collect();
            let descent = descend(&begin, &low, &longest, |v| {
                let mut here = base.clone();
                for (&at, &value) in free.iter().zip(v) {
                    write(&mut here, at, p, value);
                }
                let evaluated = self.evaluate(&here, &modes)?;
                modes.clone_from(&evaluated.modes);
                let gradient = free.iter().map(|&at| -evaluated.gradient[at]).collect();
                let metric = DMatrix::from_fn(free.len(), free.len(), |r, c| evaluated.information[(free[r], free[c])]);
                Some(Local { value: -evaluated.log_likelihood, gradient, metric, payload: evaluated })
            })
            .map_err(|s| {
                let mut there = base.clone();
                for (&at, &value) in free.iter().zip(&s.x) {
                    write(&mut there, at, p, value);
                }
                if hold == Hold::Nothing && ran_away(&there, start) {
                    return unlimited();
                }
                let log_sigma = free.iter().position(|&at| at == p).map(|at| s.x[at]);
                if log_sigma.is_some_and(|v| v < start.log_sigma - COLLAPSED) {
                    return explained();
                }
                stuck(s.iterations, s.decrement)
            })?;
            iterations += descent.iterations;
            evaluations += descent.evaluations;
            for (&at, &value) in free.iter().zip(&descent.x) {
                write(&mut parameters, at, p, value);
            }
            modes.clone_from(&descent.local.payload.modes);
            if hold == Hold::Nothing && parameters.log_sigma < start.log_sigma - COLLAPSED {
                return Err(explained());
            }
            if hold == Hold::Nothing && ran_away(&parameters, start) {
                return Err(unlimited());
            }
            if let Stop::Floor(at) = descent.stop {
                let j = free[at] - p - 1;
                evaluations += 1;
                if !lowered[j] && self.rises_from_zero(&parameters, j, &modes) {
                    lowered[j] = true;
                } else {
                    parameters.log_tau[j] = f64::NEG_INFINITY;
                }
                continue;
            }
            // A component that slid on towards zero all the same is zero.
            let vanished = (0..k).find(|&j| {
                let bottom = parameters.log_sigma - 0.5 * libm::log(self.replication(j)) + LOW - 6.0;
                lowered[j] && hold != Hold::LogTau(j) && parameters.log_tau[j] < bottom
            });
            if let Some(j) = vanished {
                parameters.log_tau[j] = f64::NEG_INFINITY;
                lowered[j] = false;
                released[j] = true;
                continue;
            }
            let wrong = (0..k).find(|&j| {
                !parameters.log_tau[j].is_finite()
                    && hold != Hold::Zero(j)
                    && hold != Hold::Scales
                    && !released[j]
                    && self.rises_from_zero(&parameters, j, &modes)
            });
            if let Some(j) = wrong {
                released[j] = true;
                lowered[j] = true;
                parameters.log_tau[j] = parameters.log_sigma - 0.5 * libm::log(self.replication(j)) + LOW;
                continue;
            }
            let at = descent.local.payload;
            let slope = match hold {
                Hold::LogSigma => at.gradient[p],
                Hold::LogTau(j) => at.gradient[p + 1 + j],
                Hold::Nothing | Hold::Zero(_) | Hold::Scales => 0.0,
            };
            return Ok(Best { parameters, at, slope, iterations, evaluations, decrement: descent.decrement });
        }
        Err(stuck(iterations, f64::MAX))
    }

    /// Does the likelihood rise with the variance of component j near zero?
    pub(super) fn rises_from_zero(&self, parameters: &Parameters, j: usize, modes: &[f64]) -> bool {
        let mut near = parameters.clone();
        near.log_tau[j] = parameters.log_sigma - 0.5 * libm::log(self.replication(j)) + LOW - 4.0;
        let p = self.x.columns;
        // Relative to the size of its two halves, whose difference is rounding noise below 1e-9.
        self.evaluate(&near, modes).is_some_and(|at| {
            let share: f64 = self.components[j].len() as f64 * libm::exp(2.0 * (LOW - 4.0));
            at.gradient[p + 1 + j] > 1e-7 * share
        })
    }
}
