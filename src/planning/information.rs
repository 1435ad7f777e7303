//! Fisher information of one specimen whose run may end before it perforates.

use crate::numeric::quadrature::integrate;
use crate::severity::Distribution;

/// Expected information of one specimen on its log location η and on log σ, in units of σ: the information on η is
/// `location / σ²`, on η and log σ `joint / σ`, on log σ `scatter`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Information {
    pub(crate) location: f64,
    pub(crate) joint: f64,
    pub(crate) scatter: f64,
    /// Probability that the run ends first.
    pub(crate) run_out: f64,
}

impl Information {
    /// Of a run that ends at z = (log run length − η)/σ; `None`: never.
    ///
    /// With h the hazard of W and λ = d log h / dz, the information under right censoring at z is the integral up to z of
    /// λ², λ(1 + xλ), (1 + xλ)² against the density (Efron & Johnstone, Ann. Statist. 18 (1990) 38; Escobar & Meeker,
    /// Appl. Statist. 43 (1994) 533, tabulate it as f₁₁, f₁₂, f₂₂).
    pub(crate) fn right_censored(distribution: Distribution, end: Option<f64>) -> Self {
        let (low, high) = reach(distribution);
        let end = end.unwrap_or(high);
        let run_out = if end >= high { 0.0 } else { libm::exp(distribution.log_survival(end).value) };
        let end = end.min(high);
        if end <= low {
            return Self { location: 0.0, joint: 0.0, scatter: 0.0, run_out };
        }
        let [location, joint, scatter] = integrate(low, end, 64, |x| {
            let density = libm::exp(distribution.log_density(x).value);
            let slope = log_hazard_slope(distribution, x);
            let scale = 1.0 + x * slope;
            [density * slope * slope, density * slope * scale, density * scale * scale]
        });
        Self { location, joint, scatter, run_out }
    }
}

/// Where the density is below 1e-18 of its height.
fn reach(distribution: Distribution) -> (f64, f64) {
    match distribution {
        Distribution::LogNormal => (-9.5, 9.5),
        Distribution::Weibull => (-44.0, 4.2),
        Distribution::LogLogistic => (-44.0, 44.0),
    }
}

/// d log h / dz = d log f / dz − d log S / dz.
fn log_hazard_slope(distribution: Distribution, z: f64) -> f64 {
    match distribution {
        // e^z − the same: exactly 1.
        Distribution::Weibull => 1.0,
        _ => distribution.log_density(z).first - distribution.log_survival(z).first,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::special::{normal_cdf, normal_tail};

    fn close(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance * want.abs().max(1.0), "got {got:e}, want {want:e}");
    }

    /// Without censoring: 1, 0, 2 (normal); 1, 1 − γ, π²/6 + (1 − γ)² (extreme value); 1/3, 0, (3 + π²)/9 (logistic).
    #[test]
    fn complete_information_is_the_textbook_one() {
        let pi2 = std::f64::consts::PI * std::f64::consts::PI;
        let gamma = 0.577_215_664_901_532_9;
        for (distribution, want) in [
            (Distribution::LogNormal, [1.0, 0.0, 2.0]),
            (Distribution::Weibull, [1.0, 1.0 - gamma, pi2 / 6.0 + (1.0 - gamma) * (1.0 - gamma)]),
            (Distribution::LogLogistic, [1.0 / 3.0, 0.0, (3.0 + pi2) / 9.0]),
        ] {
            let got = Information::right_censored(distribution, None);
            for (got, want) in [got.location, got.joint, got.scatter].into_iter().zip(want) {
                close(got, want, 1e-12);
            }
            assert!(got.run_out == 0.0);
        }
    }

    /// Closed forms under censoring: normal with λ = φ/(1 − Φ), Φ − zφ + φλ, −φ(1 + z(z − λ)), 2Φ + z·(the second);
    /// F(z) (extreme value); (1 − (1 − F)³)/3 (logistic).
    #[test]
    fn censored_information_agrees_with_closed_forms() {
        for z in [-3.0_f64, -1.0, -0.2, 0.0, 0.5, 1.5, 3.0] {
            let phi = libm::exp(-0.5 * z * z) / (2.0 * std::f64::consts::PI).sqrt();
            let hazard = normal_tail(z).1;
            let got = Information::right_censored(Distribution::LogNormal, Some(z));
            let joint = -phi * (1.0 + z * (z - hazard));
            close(got.location, normal_cdf(z) - z * phi + phi * hazard, 1e-12);
            close(got.joint, joint, 1e-12);
            close(got.scatter, 2.0 * normal_cdf(z) + z * joint, 1e-12);
            close(got.run_out, normal_cdf(-z), 1e-12);
            let weibull = Information::right_censored(Distribution::Weibull, Some(z));
            close(weibull.location, -libm::expm1(-libm::exp(z)), 1e-12);
            let above = 1.0 / (1.0 + libm::exp(z));
            let logistic = Information::right_censored(Distribution::LogLogistic, Some(z));
            close(logistic.location, (1.0 - above * above * above) / 3.0, 1e-12);
        }
        let none = Information::right_censored(Distribution::LogNormal, Some(-40.0));
        assert!(none.location == 0.0 && none.run_out > 1.0 - 1e-12);
    }

    /// Minus the second derivatives of the log-likelihood averaged by quadrature in R: tests/reference/r/planning.R.
    #[test]
    fn censored_information_agrees_with_second_derivatives() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/values/censored_information.csv");
        let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(path).unwrap();
        let mut rows = 0;
        for record in reader.records() {
            let record = record.unwrap();
            let distribution = match &record[0] {
                "weibull" => Distribution::Weibull,
                "log_logistic" => Distribution::LogLogistic,
                _ => Distribution::LogNormal,
            };
            let v: Vec<f64> = record.iter().skip(1).map(|x| x.trim().parse().unwrap()).collect();
            let got = Information::right_censored(distribution, Some(v[0]));
            for (got, want) in [got.location, got.joint, got.scatter].into_iter().zip(&v[1..]) {
                close(got, *want, 1e-9);
            }
            rows += 1;
        }
        assert_eq!(rows, 15);
    }
}
