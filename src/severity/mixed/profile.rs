//! Limits of a profile-likelihood interval of a standard deviation.
//!
//! The limits are where the deviance, minimised over everything else, exceeds its minimum by the
//! square of the normal quantile (Venzon & Moolgavkar 1988; Bates et al. 2015, section 5.1).
//! The search runs in the logarithm of the standard deviation on the square root of the rise, which
//! is nearly straight there; zero is a possible lower limit.

use crate::error::{ErrorKind, Result};

/// Rise of the profiled deviance above its minimum, and its derivative by the log standard deviation.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    pub(super) rise: f64,
    pub(super) slope: f64,
}

const ROUNDS: u32 = 100;

/// Lower and upper limit about `estimate` (zero allowed); `typical` sets the scale of the search
/// where the estimate is zero; `at_zero` is the rise at zero, absent where zero is impossible.
pub(super) fn limits(
    estimate: f64,
    typical: f64,
    z: f64,
    at_zero: Option<f64>,
    mut profile: impl FnMut(f64) -> Result<Point>,
) -> Result<(f64, f64)> {
    let middle = libm::log(if estimate > 0.0 { estimate } else { typical });
    let lower = if at_zero.is_some_and(|rise| rise <= z * z) {
        0.0
    } else {
        libm::exp(crossing(middle, -1.0, z, &mut profile)?)
    };
    let start = if estimate > 0.0 {
        middle
    } else {
        // Any point below the upper limit.
        let mut x = middle;
        for _ in 0..ROUNDS {
            if profile(x)?.rise < z * z {
                break;
            }
            x -= 1.0;
        }
        x
    };
    let upper = libm::exp(crossing(start, 1.0, z, &mut profile)?);
    if !upper.is_finite() {
        return Err(unlimited());
    }
    Ok((lower.min(estimate), upper.max(estimate)))
}

fn unlimited() -> crate::Error {
    ErrorKind::NotEstimable {
        quantity: "a profile limit of a variance component".into(),
        reason: "the deviance stays below its critical value as far as it can be computed".into(),
    }
    .into()
}

/// Where the rise reaches z² in direction `sign` from `inside`.
fn crossing(inside: f64, sign: f64, z: f64, profile: &mut impl FnMut(f64) -> Result<Point>) -> Result<f64> {
    let mut near = inside;
    let mut stride = 0.25;
    let mut far = None;
    let mut x = inside + sign * stride;
    for _ in 0..ROUNDS {
        let point = profile(x)?;
        if point.rise >= z * z {
            far = Some((x, point));
            break;
        }
        near = x;
        stride = (stride * 1.6).min(2.0);
        x += sign * stride;
    }
    let (mut far, mut point) = far.ok_or_else(unlimited)?;
    let mut at = far;
    for _ in 0..ROUNDS {
        // Newton on the root of the rise, else bisection.
        let root = point.rise.max(0.0).sqrt();
        let newton = at - (root - z) * 2.0 * root / point.slope;
        let (low, high) = (near.min(far), near.max(far));
        let next = if newton.is_finite() && newton > low && newton < high { newton } else { 0.5 * (low + high) };
        if (next - at).abs() <= 1e-11 || (high - low) <= 1e-12 {
            return Ok(next);
        }
        at = next;
        point = profile(at)?;
        if point.rise >= z * z {
            far = at;
        } else {
            near = at;
        }
    }
    Ok(at)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A quadratic in the log: limits at exp(±z).
    #[test]
    fn limits_of_a_quadratic() {
        let quadratic = |x: f64| Ok(Point { rise: x * x, slope: 2.0 * x });
        let (low, high) = limits(1.0, 1.0, 1.96, Some(9.0), quadratic).unwrap();
        approx::assert_relative_eq!(low, (-1.96f64).exp(), max_relative = 1e-10);
        approx::assert_relative_eq!(high, 1.96f64.exp(), max_relative = 1e-10);
        assert!(limits(1.0, 1.0, 1.96, Some(3.0), quadratic).unwrap().0 == 0.0);
        assert!(limits(1.0, 1.0, 1.96, None, |_| Ok(Point { rise: 0.1, slope: 0.0 })).is_err());
    }
}
