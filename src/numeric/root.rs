//! Roots of functions between two points, by Brent's zeroin (Algorithms for Minimization without Derivatives, 1973,
//! chapter 4) of `argmin`: the only search for a root in this crate. The tolerance is relative, so that a root near 0
//! keeps its digits.

use std::cell::RefCell;

use argmin::core::{CostFunction, Error, Executor, State};
use argmin::solver::brent::BrentRoot;

/// One type for all functions: the search is compiled once, not for each of them.
struct Function<'a>(RefCell<&'a mut dyn FnMut(f64) -> f64>);

impl CostFunction for Function<'_> {
    type Param = f64;
    type Output = f64;
    fn cost(&self, x: &f64) -> Result<f64, Error> {
        Ok((self.0.borrow_mut())(*x))
    }
}

/// Root of `f` between `a` and `b`, where it has opposite signs; `None` where the signs agree or a value is not finite.
pub(crate) fn root(mut f: impl FnMut(f64) -> f64, a: f64, b: f64) -> Option<f64> {
    search(&mut f, a, b)
}

fn search(f: &mut dyn FnMut(f64) -> f64, a: f64, b: f64) -> Option<f64> {
    // The absolute part of the tolerance is none: 2 ε |x| is left. Bisection needs about 60 of the steps.
    let solver = BrentRoot::new(a, b, f64::MIN_POSITIVE);
    let run = Executor::new(Function(RefCell::new(f)), solver).configure(|state| state.max_iters(200)).run().ok()?;
    run.state().get_best_param().copied().filter(|x| x.is_finite())
}

/// Root of `f` in `[a, b]`, where `f(a)` and `f(b)` are known and have opposite signs; `b` where they have not.
pub(crate) fn bracketed(f: impl FnMut(f64) -> f64, a: f64, fa: f64, b: f64, fb: f64) -> f64 {
    if fa == 0.0 {
        return a;
    }
    if fb == 0.0 {
        return b;
    }
    root(f, a, b).unwrap_or(b)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The digits that are left of a root near 0 do not depend on how near: 1e-12 (1 - 1e-12 + ...) of 1e-12 = t (1 + t).
    #[test]
    fn a_root_near_zero_keeps_its_digits() {
        let f = |t: f64| 1e-12 - t * (1.0 + t);
        let x = bracketed(f, 0.0, f(0.0), 1.0, f(1.0));
        assert!((x / (1e-12 - 1e-24) - 1.0).abs() < 1e-15);
        // A zero at an end is the root.
        assert_eq!(bracketed(|x| x - 1.0, 1.0, 0.0, 2.0, 1.0).to_bits(), 1.0_f64.to_bits());
        assert_eq!(root(|x| x - 2.0, 1.0, 2.0).map(f64::to_bits), Some(2.0_f64.to_bits()));
    }

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
