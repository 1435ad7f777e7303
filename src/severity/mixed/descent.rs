//! Minimisation of a smooth function with gradient and an approximate, positive Hessian.
//!
//! Each step starts from the metric given at the current point (average or joint information) and
//! corrects it with the last differences of gradients (BFGS; Nocedal & Wright, Numerical
//! Optimization, 2006, equation 6.19), so that convergence is faster than linear although no exact
//! Hessian is formed. Coordinates are logarithms or standardised, so steps are bounded in absolute
//! size.

use nalgebra::{DMatrix, DVector};

/// What the function says at a point.
pub(super) struct Local<T> {
    pub(super) value: f64,
    pub(super) gradient: Vec<f64>,
    /// Approximate Hessian, positive semi-definite.
    pub(super) metric: DMatrix<f64>,
    /// Whatever else was computed there.
    pub(super) payload: T,
}

/// Why a descent ended.
pub(super) enum Stop {
    /// No step that matters is left.
    Converged,
    /// This coordinate fell to its floor with the function still falling.
    Floor(usize),
}

pub(super) struct Descent<T> {
    pub(super) x: Vec<f64>,
    pub(super) local: Local<T>,
    pub(super) iterations: u32,
    pub(super) evaluations: u32,
    /// `√(gᵀ B⁻¹ g)` at the end: what is left, in the scale of the function.
    pub(super) decrement: f64,
    pub(super) stop: Stop,
}

/// Where a descent failed.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Stuck {
    pub(super) x: Vec<f64>,
    pub(super) iterations: u32,
    pub(super) decrement: f64,
}

const MAX_ITERATIONS: u32 = 300;
const PAIRS: usize = 12;
/// Steps below this change nothing that a double could show.
const NO_STEP: f64 = 1e-13;
/// Below this a step that no longer shrinks is rounding noise.
const NOISE: f64 = 1e-6;
/// A decrement below this is no way to go, however long the steps are.
const FLAT: f64 = 1e-9;

pub(super) fn descend<T>(
    start: &[f64],
    floor: &[f64],
    longest: &[f64],
    mut function: impl FnMut(&[f64]) -> Option<Local<T>>,
) -> Result<Descent<T>, Stuck> {
    let n = start.len();
    let mut x: Vec<f64> = start.iter().zip(floor).map(|(x, f)| x.max(*f)).collect();
    let mut evaluations = 1;
    let mut decrement = f64::MAX;
    let stuck = |x: &[f64], iterations, decrement| Stuck { x: x.to_vec(), iterations, decrement };
    let mut local = function(&x).filter(finite).ok_or_else(|| stuck(&x, 0, decrement))?;
    let mut pairs: Vec<(DVector<f64>, DVector<f64>)> = Vec::new();
    let mut previous = f64::INFINITY;
    for iteration in 0..=MAX_ITERATIONS {
        // Nothing is left to gain, though steps in some flat direction go on.
        if iteration == MAX_ITERATIONS && decrement <= NOISE {
            return Ok(Descent { x, local, iterations: iteration, evaluations, decrement, stop: Stop::Converged });
        }
        if let Some(at) = (0..n).find(|&i| x[i] <= floor[i] && local.gradient[i] > 0.0) {
            return Ok(Descent { x, local, iterations: iteration, evaluations, decrement, stop: Stop::Floor(at) });
        }
        let (mut step, left) = direction(&local, &pairs).ok_or_else(|| stuck(&x, iteration, decrement))?;
        decrement = left;
        let size = step.iter().fold(0.0, |a: f64, d| a.max(d.abs()));
        if size <= NO_STEP || (size <= NOISE && size >= 0.5 * previous) || n == 0 {
            let stop = Stop::Converged;
            return Ok(Descent { x, local, iterations: iteration, evaluations, decrement, stop });
        }
        previous = size;
        let shrink = step.iter().zip(longest).fold(1.0, |a: f64, (d, l)| a.min(l / d.abs().max(f64::MIN_POSITIVE)));
        step *= shrink;
        let slope: f64 = local.gradient.iter().zip(step.iter()).map(|(g, d)| g * d).sum();
        // Where the promised gain is below the rounding of the value, the gradient decides.
        let invisible = -slope <= 1e-11 * (1.0 + local.value.abs());
        let mut length = 1.0;
        loop {
            let trial: Vec<f64> = (0..n).map(|i| (x[i] + length * step[i]).max(floor[i])).collect();
            evaluations += 1;
            let seen = function(&trial).filter(finite);
            if let Some(next) = seen.filter(|t| invisible || t.value <= local.value + 1e-4 * length * slope) {
                let s = DVector::from_iterator(n, trial.iter().zip(&x).map(|(a, b)| a - b));
                let y = DVector::from_iterator(n, next.gradient.iter().zip(&local.gradient).map(|(a, b)| a - b));
                if s.dot(&y) > 1e-10 * s.norm() * y.norm() {
                    if pairs.len() == PAIRS {
                        pairs.remove(0);
                    }
                    pairs.push((s, y));
                }
                x = trial;
                local = next;
                break;
            }
            length *= 0.4;
            if length < 1e-9 {
                if decrement <= 1e-5 {
                    let stop = Stop::Converged;
                    return Ok(Descent { x, local, iterations: iteration, evaluations, decrement, stop });
                }
                if pairs.is_empty() {
                    return Err(stuck(&x, iteration, decrement));
                }
                pairs.clear();
                previous = f64::INFINITY;
                break;
            }
        }
    }
    if decrement <= FLAT {
        // A coordinate slides on where the function is flat: a variance on its way to zero.
        let stop = Stop::Converged;
        return Ok(Descent { x, local, iterations: MAX_ITERATIONS, evaluations, decrement, stop });
    }
    Err(stuck(&x, MAX_ITERATIONS, decrement))
}

fn finite<T>(local: &Local<T>) -> bool {
    local.value.is_finite() && local.gradient.iter().chain(local.metric.iter()).all(|v| v.is_finite())
}

/// Quasi-Newton step and decrement.
fn direction<T>(local: &Local<T>, pairs: &[(DVector<f64>, DVector<f64>)]) -> Option<(DVector<f64>, f64)> {
    let n = local.gradient.len();
    if n == 0 {
        return Some((DVector::zeros(0), 0.0));
    }
    let mut b = local.metric.clone();
    let largest = b.diagonal().iter().fold(0.0, |a: f64, v| a.max(*v));
    for i in 0..n {
        b[(i, i)] += 1e-10 * b[(i, i)] + 1e-12 * largest + f64::MIN_POSITIVE;
    }
    for (s, y) in pairs {
        let bs = &b * s;
        let sbs = s.dot(&bs);
        if sbs > 0.0 {
            b -= &bs * bs.transpose() / sbs;
            b += y * y.transpose() / s.dot(y);
        }
    }
    let gradient = DVector::from_column_slice(&local.gradient);
    let mut ridge = 0.0;
    for _ in 0..60 {
        let mut tried = b.clone();
        for i in 0..n {
            tried[(i, i)] += ridge;
        }
        if let Some(cholesky) = tried.cholesky() {
            let step = -cholesky.solve(&gradient);
            let squared = -gradient.dot(&step);
            if squared >= 0.0 && step.iter().all(|v| v.is_finite()) {
                return Some((step, squared.sqrt()));
            }
        }
        ridge = if ridge > 0.0 { ridge * 10.0 } else { 1e-10 * largest + 1e-300 };
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rosenbrock's function with a poor metric: the minimum is (1, 1).
    #[test]
    fn finds_the_minimum_of_a_curved_valley() {
        let rosenbrock = |x: &[f64]| {
            let (a, b) = (1.0 - x[0], x[1] - x[0] * x[0]);
            Some(Local {
                value: a * a + 100.0 * b * b,
                gradient: vec![-2.0 * a - 400.0 * x[0] * b, 200.0 * b],
                metric: DMatrix::from_diagonal(&DVector::from_column_slice(&[800.0, 200.0])),
                payload: (),
            })
        };
        let low = [f64::NEG_INFINITY; 2];
        let end = descend(&[-1.2, 1.0], &low, &[1.0, 1.0], rosenbrock).unwrap();
        assert!(matches!(end.stop, Stop::Converged));
        approx::assert_relative_eq!(end.x[0], 1.0, epsilon = 1e-10);
        approx::assert_relative_eq!(end.x[1], 1.0, epsilon = 1e-10);
        let floored = descend(&[3.0, 1.0], &[2.0, f64::NEG_INFINITY], &[1.0, 1.0], rosenbrock).unwrap();
        assert!(matches!(floored.stop, Stop::Floor(0)));
        assert!(descend(&[f64::NAN, 0.0], &low, &[1.0, 1.0], rosenbrock).is_err());
    }
}
