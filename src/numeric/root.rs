//! Roots of monotone functions between two points.

use argmin::core::{CostFunction, Error, Executor, State};
use argmin::solver::brent::BrentRoot;

struct Function<F>(F);

impl<F: Fn(f64) -> f64> CostFunction for Function<F> {
    type Param = f64;
    type Output = f64;
    fn cost(&self, x: &f64) -> Result<f64, Error> {
        Ok((self.0)(*x))
    }
}

/// Root of `f` between `a` and `b`, where it has opposite signs, by Brent's method; `None` where the
/// signs agree or a value is not finite.
pub(crate) fn root(f: impl Fn(f64) -> f64, a: f64, b: f64) -> Option<f64> {
    let (fa, fb) = (f(a), f(b));
    if !(fa.is_finite() && fb.is_finite()) || fa * fb > 0.0 {
        return None;
    }
    let solver = BrentRoot::new(a, b, f64::EPSILON);
    let run = Executor::new(Function(f), solver).configure(|state| state.max_iters(200)).run().ok()?;
    run.state().get_best_param().copied().filter(|x| x.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roots_to_the_last_digits() {
        let x = root(|x| x * x - 2.0, 0.0, 10.0).unwrap();
        assert!((x - std::f64::consts::SQRT_2).abs() < 1e-15);
        let x = root(|x| libm::exp(-x) - 0.05, -5.0, 40.0).unwrap();
        assert!((x - 20f64.ln()).abs() < 1e-14);
        assert!(root(|x| x * x + 1.0, -1.0, 1.0).is_none());
        assert!(root(|_| f64::NAN, -1.0, 1.0).is_none());
    }
}
