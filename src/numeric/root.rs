//! Roots of functions between two points, by Brent's zeroin: bisection, secant and inverse quadratic steps, never slower
//! than bisection for long (Brent, Algorithms for Minimization without Derivatives, 1973, chapter 4).
//!
//! The only search for a root in this crate. It takes the values at the ends, which callers have from bracketing, and
//! its tolerance is relative, so that a root near 0 keeps its digits.

/// Root of `f` between `a` and `b`, where it has opposite signs; `None` where the signs agree or a value is not finite.
pub(crate) fn root(f: impl Fn(f64) -> f64, a: f64, b: f64) -> Option<f64> {
    let (fa, fb) = (f(a), f(b));
    if !(fa.is_finite() && fb.is_finite()) || fa * fb > 0.0 {
        return None;
    }
    Some(bracketed(f, a, fa, b, fb)).filter(|x| x.is_finite())
}

/// Root of `f` in `[a, b]`, where `f(a)` and `f(b)` have opposite signs: Brent's zeroin (1973).
/// Ends at the precision of the argument, or after 200 steps, of which bisection needs about 60.
pub(crate) fn bracketed(mut f: impl FnMut(f64) -> f64, mut a: f64, mut fa: f64, mut b: f64, mut fb: f64) -> f64 {
    let (mut c, mut fc) = (a, fa);
    let mut step = b - a;
    let mut last = step;
    for _ in 0..200 {
        if fc.abs() < fb.abs() {
            (a, b, c) = (b, c, b);
            (fa, fb, fc) = (fb, fc, fb);
        }
        let tolerance = 2.0 * f64::EPSILON * b.abs() + f64::MIN_POSITIVE;
        let half = (c - b) / 2.0;
        if half.abs() <= tolerance || fb == 0.0 {
            break;
        }
        if last.abs() >= tolerance && fa.abs() > fb.abs() {
            let s = fb / fa;
            let (mut p, mut q) = if a.to_bits() == c.to_bits() {
                (2.0 * half * s, 1.0 - s)
            } else {
                let (q, r) = (fa / fc, fb / fc);
                (s * (2.0 * half * q * (q - r) - (b - a) * (r - 1.0)), (q - 1.0) * (r - 1.0) * (s - 1.0))
            };
            if p > 0.0 {
                q = -q;
            } else {
                p = -p;
            }
            if 2.0 * p < (3.0 * half * q - (tolerance * q).abs()).min((last * q).abs()) {
                (last, step) = (step, p / q);
            } else {
                (last, step) = (half, half);
            }
        } else {
            (last, step) = (half, half);
        }
        (a, fa) = (b, fb);
        b += if step.abs() > tolerance { step } else { tolerance.copysign(half) };
        fb = f(b);
        if (fb > 0.0) == (fc > 0.0) {
            (c, fc) = (a, fa);
            (last, step) = (b - a, b - a);
        }
    }
    b
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
