//! Newton's method for censored location-scale likelihoods in their concave parametrisation.
//!
//! With `λ = 1/σ` and `η = xᵀβ/σ` a trial contributes a log-concave function of `z = λ y - η`,
//! where `y = log t`; the exact ones add `log λ`. The sum is concave for the log-normal, Weibull and
//! log-logistic distributions (Olsen 1978; Burridge 1981; Pratt 1981), so damped Newton steps reach
//! the one maximum from anywhere.

use crate::error::{ErrorKind, Result};
use crate::numeric::bordered::{Bordered, Factored};

use super::distribution::{Distribution, Term};

/// What is known of one log time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum LogTime {
    Exact(f64),
    /// A lower bound.
    Right(f64),
    /// An upper bound.
    Left(f64),
    /// Between two bounds.
    Between(f64, f64),
}

impl LogTime {
    pub(crate) fn middle(self) -> f64 {
        match self {
            Self::Exact(y) | Self::Right(y) | Self::Left(y) => y,
            Self::Between(a, b) => 0.5 * (a + b),
        }
    }

    pub(crate) fn moved(self, by: f64) -> Self {
        match self {
            Self::Exact(y) => Self::Exact(y + by),
            Self::Right(y) => Self::Right(y + by),
            Self::Left(y) => Self::Left(y + by),
            Self::Between(a, b) => Self::Between(a + by, b + by),
        }
    }
}

/// Log-likelihood contribution of one observation with its derivatives in `(η, λ)`; the second
/// derivatives are those of minus the log-likelihood.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Contribution {
    pub(crate) value: f64,
    pub(crate) d_eta: f64,
    pub(crate) d_lambda: f64,
    pub(crate) i_eta: f64,
    pub(crate) i_cross: f64,
    pub(crate) i_lambda: f64,
}

#[inline]
fn from_term(term: Term, y: f64) -> Contribution {
    Contribution {
        value: term.value,
        d_eta: -term.first,
        d_lambda: term.first * y,
        i_eta: -term.second,
        i_cross: term.second * y,
        i_lambda: -term.second * y * y,
    }
}

#[inline]
pub(crate) fn contribution(distribution: Distribution, time: LogTime, eta: f64, lambda: f64) -> Contribution {
    match time {
        LogTime::Exact(y) => {
            let mut c = from_term(distribution.log_density(lambda * y - eta), y);
            c.value += libm::log(lambda) - y;
            c.d_lambda += 1.0 / lambda;
            c.i_lambda += 1.0 / (lambda * lambda);
            c
        }
        LogTime::Right(y) => from_term(distribution.log_survival(lambda * y - eta), y),
        LogTime::Left(y) => from_term(distribution.log_cumulative(lambda * y - eta), y),
        LogTime::Between(a, b) => between(distribution, a, b, eta, lambda),
    }
}

/// `log(F(z_b) - F(z_a))`, taken in whichever tail loses nothing.
fn between(distribution: Distribution, a: f64, b: f64, eta: f64, lambda: f64) -> Contribution {
    let (za, zb) = (lambda * a - eta, lambda * b - eta);
    let upper = za + zb > 0.0;
    let (near, far) = if upper {
        (distribution.log_survival(za).value, distribution.log_survival(zb).value)
    } else {
        (distribution.log_cumulative(zb).value, distribution.log_cumulative(za).value)
    };
    let value = near + libm::log(-libm::expm1(far - near));
    let (fa, fb) = (distribution.log_density(za), distribution.log_density(zb));
    let (pa, pb) = (libm::exp(fa.value - value), libm::exp(fb.value - value));
    // d/dz_a = -pa, d/dz_b = pb; second derivatives follow from f' = f·(log f)'.
    let (ga, gb) = (-pa, pb);
    let haa = -pa * fa.first - pa * pa;
    let hbb = pb * fb.first - pb * pb;
    let hab = pa * pb;
    Contribution {
        value,
        d_eta: -(ga + gb),
        d_lambda: ga * a + gb * b,
        i_eta: -(haa + 2.0 * hab + hbb),
        i_cross: haa * a + hab * (a + b) + hbb * b,
        i_lambda: -(haa * a * a + 2.0 * hab * a * b + hbb * b * b),
    }
}

/// Where each observation's `η` comes from, and how derivatives in `η` become a linear system.
/// Coefficients are split as in [`Bordered`]: diagonal ones first, then border ones; `λ` is the
/// last border variable.
pub(crate) trait Design {
    fn diagonal_len(&self) -> usize;
    /// Border coefficients without λ.
    fn border_len(&self) -> usize;
    /// Accumulates the log-likelihood, and where `system` is given its gradient and information.
    fn accumulate(&self, distribution: Distribution, point: &Point, system: Option<&mut System>) -> f64;
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Point {
    pub(crate) diagonal: Vec<f64>,
    pub(crate) border: Vec<f64>,
    pub(crate) lambda: f64,
}

#[derive(Debug, Clone)]
pub(crate) struct System {
    pub(crate) information: Bordered,
    pub(crate) diagonal: Vec<f64>,
    pub(crate) border: Vec<f64>,
}

impl System {
    pub(crate) fn zeros(m: usize, q: usize) -> Self {
        Self { information: Bordered::zeros(m, q), diagonal: vec![0.0; m], border: vec![0.0; q] }
    }
    pub(crate) fn clear(&mut self) {
        self.information.clear();
        self.diagonal.fill(0.0);
        self.border.fill(0.0);
    }
}

#[derive(Debug, Clone)]
pub(crate) struct Maximum {
    pub(crate) point: Point,
    pub(crate) log_likelihood: f64,
    pub(crate) information: Factored,
    pub(crate) iterations: u32,
    /// Newton decrement `√(gᵀ I⁻¹ g)` before the last step: the distance to the maximum in
    /// standard errors, whatever the units.
    pub(crate) decrement: f64,
}

const MAX_ITERATIONS: u32 = 100;
/// Beyond this λ the fitted scatter is below the rounding of log times: the exact times agree with the fit.
const LARGEST_LAMBDA: f64 = 1e12;
/// Decrement² at which the next full step is the last: quadratic convergence makes it exact.
const LAST_STEP: f64 = 1e-10;

pub(crate) fn maximise<D: Design>(
    design: &D,
    distribution: Distribution,
    start: Point,
    stage: &str,
) -> Result<Maximum> {
    let (m, q) = (design.diagonal_len(), design.border_len() + 1);
    let mut system = System::zeros(m, q);
    let mut point = start;
    let mut decrement = f64::INFINITY;
    let not_converged = |iterations, gradient_norm: f64| -> crate::Error {
        ErrorKind::NotConverged {
            stage: stage.into(),
            iterations,
            gradient_norm: if gradient_norm.is_finite() { gradient_norm } else { f64::MAX },
        }
        .into()
    };
    let mut log_likelihood = design.accumulate(distribution, &point, Some(&mut system));
    for iteration in 1..=MAX_ITERATIONS {
        if !log_likelihood.is_finite() {
            return Err(not_converged(iteration, decrement));
        }
        let Some(factored) = system.information.factor() else {
            return Err(not_converged(iteration, decrement));
        };
        let (mut du, mut dv) = (system.diagonal.clone(), system.border.clone());
        factored.solve(&mut du, &mut dv);
        let squared: f64 = system.diagonal.iter().zip(&du).map(|(g, d)| g * d).sum::<f64>()
            + system.border.iter().zip(&dv).map(|(g, d)| g * d).sum::<f64>();
        if !squared.is_finite() {
            return Err(not_converged(iteration, decrement));
        }
        decrement = squared.max(0.0).sqrt();
        if point.lambda > LARGEST_LAMBDA {
            return Err(super::scale::no_scatter());
        }
        let last = squared <= LAST_STEP;
        let mut step = 1.0;
        loop {
            let trial = Point {
                diagonal: point.diagonal.iter().zip(&du).map(|(p, d)| p + step * d).collect(),
                border: point.border.iter().zip(&dv).map(|(p, d)| p + step * d).collect(),
                lambda: point.lambda + step * dv[q - 1],
            };
            if trial.lambda > 0.0 {
                system.clear();
                let value = design.accumulate(distribution, &trial, Some(&mut system));
                if last || (value.is_finite() && value >= log_likelihood + 1e-4 * step * squared) {
                    point = trial;
                    log_likelihood = value;
                    break;
                }
            }
            step *= 0.5;
            if step < 1e-12 {
                return Err(not_converged(iteration, decrement));
            }
        }
        if last {
            let Some(information) = system.information.factor() else {
                return Err(not_converged(iteration, decrement));
            };
            return Ok(Maximum { point, log_likelihood, information, iterations: iteration, decrement });
        }
    }
    Err(not_converged(MAX_ITERATIONS, decrement))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn contributions_have_the_derivatives_they_claim() {
        for distribution in [Distribution::LogNormal, Distribution::Weibull, Distribution::LogLogistic] {
            for time in [
                LogTime::Exact(0.4),
                LogTime::Right(0.7),
                LogTime::Left(-0.3),
                LogTime::Between(0.1, 0.9),
                LogTime::Between(-3.0, -2.9),
                LogTime::Between(3.0, 3.5),
            ] {
                let (eta, lambda, h) = (0.3, 1.7, 1e-5);
                let at = |e: f64, l: f64| contribution(distribution, time, e, l);
                let c = at(eta, lambda);
                let (e1, e0) = (at(eta + h, lambda), at(eta - h, lambda));
                let (l1, l0) = (at(eta, lambda + h), at(eta, lambda - h));
                for (got, want) in [
                    (c.d_eta, (e1.value - e0.value) / (2.0 * h)),
                    (c.d_lambda, (l1.value - l0.value) / (2.0 * h)),
                    (-c.i_eta, (e1.d_eta - e0.d_eta) / (2.0 * h)),
                    (-c.i_cross, (l1.d_eta - l0.d_eta) / (2.0 * h)),
                    (-c.i_lambda, (l1.d_lambda - l0.d_lambda) / (2.0 * h)),
                ] {
                    assert!((got - want).abs() < 1e-6 * (1.0 + want.abs()), "{distribution} {time:?}: {got} {want}");
                }
            }
        }
    }
}
