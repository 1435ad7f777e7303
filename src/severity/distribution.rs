//! The standard distributions W of `log T = μ - log k + σ W`, with their log tails.

use serde::{Deserialize, Serialize};

use crate::numeric::special::{LN_SQRT_2PI, normal_quantile, normal_tail};

/// Distribution of abrasion times about their cell's location.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// use surface_severity::severity::{Distribution, Severity};
/// let plan = Severity::new("dense asphalt concrete").distribution(Distribution::Weibull);
/// assert_eq!(plan.fit(&campaign)?.distribution(), Distribution::Weibull);
/// assert_eq!((Distribution::Weibull.as_str(), Distribution::default()), ("weibull", Distribution::LogNormal));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Distribution {
    /// Log-normal: W standard normal. σ is the standard deviation of log time.
    #[default]
    LogNormal,
    /// Weibull: W standard smallest extreme value. Shape = 1/σ.
    Weibull,
    /// Log-logistic: W standard logistic.
    LogLogistic,
}

/// Value and first two derivatives of a log-likelihood term in `z = (log t - location)/σ`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Term {
    pub(crate) value: f64,
    pub(crate) first: f64,
    pub(crate) second: f64,
}

impl Distribution {
    /// Lower-case name as the documents carry it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::LogNormal => "log_normal",
            Self::Weibull => "weibull",
            Self::LogLogistic => "log_logistic",
        }
    }

    /// Log density of W.
    #[inline]
    pub(crate) fn log_density(self, z: f64) -> Term {
        match self {
            Self::LogNormal => Term { value: -0.5 * z * z - LN_SQRT_2PI, first: -z, second: -1.0 },
            Self::Weibull => {
                let e = libm::exp(z);
                Term { value: z - e, first: 1.0 - e, second: -e }
            }
            Self::LogLogistic => {
                let below = logistic(z);
                let above = logistic(-z);
                Term {
                    value: -z.abs() - 2.0 * libm::log1p(libm::exp(-z.abs())),
                    first: above - below,
                    second: -2.0 * below * above,
                }
            }
        }
    }

    /// Log survival function of W.
    #[inline]
    pub(crate) fn log_survival(self, z: f64) -> Term {
        match self {
            Self::LogNormal => {
                let (value, hazard, rest) = normal_tail(z);
                Term { value, first: -hazard, second: -hazard * rest }
            }
            Self::Weibull => {
                let e = libm::exp(z);
                Term { value: -e, first: -e, second: -e }
            }
            Self::LogLogistic => {
                let below = logistic(z);
                Term { value: -softplus(z), first: -below, second: -below * logistic(-z) }
            }
        }
    }

    /// Log distribution function of W.
    #[inline]
    pub(crate) fn log_cumulative(self, z: f64) -> Term {
        match self {
            Self::LogNormal => {
                let (value, hazard, rest) = normal_tail(-z);
                Term { value, first: hazard, second: -hazard * rest }
            }
            Self::Weibull => {
                // F = 1 - exp(-e^z); r = f/F = e^z / expm1(e^z); r' = r (1 - e^z - r).
                let e = libm::exp(z);
                let cumulative = -libm::expm1(-e);
                if cumulative <= 0.0 {
                    return Term { value: z, first: 1.0, second: 0.0 };
                }
                let ratio = e * libm::exp(-e) / cumulative;
                let value = if e < 1e-8 { z - 0.5 * e } else { libm::log(cumulative) };
                // For small e the difference 1 - e - r cancels to -e/2.
                let slope = if e < 1e-5 { -0.5 * e } else { 1.0 - e - ratio };
                Term { value, first: ratio, second: ratio * slope }
            }
            Self::LogLogistic => {
                let above = logistic(-z);
                Term { value: -softplus(-z), first: above, second: -above * logistic(z) }
            }
        }
    }

    /// Quantile of W; `p` strictly between 0 and 1.
    pub(crate) fn quantile(self, p: f64) -> f64 {
        match self {
            Self::LogNormal => normal_quantile(p),
            Self::Weibull => libm::log(-libm::log1p(-p)),
            Self::LogLogistic => libm::log(p / (1.0 - p)),
        }
    }

    /// Median of W.
    pub(crate) fn median(self) -> f64 {
        match self {
            Self::LogNormal | Self::LogLogistic => 0.0,
            Self::Weibull => libm::log(std::f64::consts::LN_2),
        }
    }

    /// Mean and standard deviation of W, for starting values.
    pub(crate) fn moments(self) -> (f64, f64) {
        match self {
            Self::LogNormal => (0.0, 1.0),
            Self::Weibull => (-0.577_215_664_901_532_9, std::f64::consts::PI / 6f64.sqrt()),
            Self::LogLogistic => (0.0, std::f64::consts::PI / 3f64.sqrt()),
        }
    }
}

impl std::fmt::Display for Distribution {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::LogNormal => "log-normal",
            Self::Weibull => "Weibull",
            Self::LogLogistic => "log-logistic",
        })
    }
}

fn logistic(z: f64) -> f64 {
    if z >= 0.0 {
        1.0 / (1.0 + libm::exp(-z))
    } else {
        let e = libm::exp(z);
        e / (1.0 + e)
    }
}

fn softplus(z: f64) -> f64 {
    if z > 0.0 { z + libm::log1p(libm::exp(-z)) } else { libm::log1p(libm::exp(z)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Derivatives against central differences; tails against 1 = F + S.
    #[test]
    fn derivatives_and_tails_are_consistent() {
        for distribution in [Distribution::LogNormal, Distribution::Weibull, Distribution::LogLogistic] {
            for i in -40..=24 {
                let z = f64::from(i) * 0.125;
                let h = 1e-5;
                for f in [Distribution::log_density, Distribution::log_survival, Distribution::log_cumulative] {
                    let term = f(distribution, z);
                    let (up, down) = (f(distribution, z + h), f(distribution, z - h));
                    let first = (up.value - down.value) / (2.0 * h);
                    let second = (up.first - down.first) / (2.0 * h);
                    assert!((first - term.first).abs() < 1e-7 * (1.0 + term.first.abs()), "{distribution} {z}");
                    assert!((second - term.second).abs() < 1e-7 * (1.0 + term.second.abs()), "{distribution} {z}");
                    assert!(term.second <= 0.0, "log-concave");
                }
                let total =
                    libm::exp(distribution.log_survival(z).value) + libm::exp(distribution.log_cumulative(z).value);
                assert!((total - 1.0).abs() < 1e-14);
                let p = 0.5 * (1.0 + f64::from(i) / 41.0);
                let back = libm::exp(distribution.log_cumulative(distribution.quantile(p)).value);
                assert!((back - p).abs() < 1e-14, "{distribution} {p} {back}");
            }
            assert!((distribution.quantile(0.5) - distribution.median()).abs() < 1e-15);
        }
    }
}
