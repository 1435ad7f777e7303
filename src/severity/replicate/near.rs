//! The hazard of a bound near the full fit.
//!
//! Replicates lie within fractions of σ of the full fit, so the first Newton steps take hazards from Taylor
//! polynomials and only the last ones evaluate them in full: where those steps end does not depend on how they began.

use crate::numeric::mills::hazard;

use super::lanes::{LANES, Lane, ZERO};

/// Steps that take the hazards of bounds from their Taylor polynomials about the full fit.
pub(super) const NEAR_STEPS: u32 = 2;
/// Terms of the polynomials; the hazard is analytic to 2.8 about any real argument.
const TERMS: usize = 7;
/// Farthest from the full fit, in σ, that a polynomial is asked.
const NEAR: f64 = 1.5;

/// The normal hazard about one argument: h(z₀ + δ) = Σ cₙ δⁿ, from h′ = h² − z h.
#[derive(Debug, Clone, Copy)]
pub(super) struct Near {
    z: f64,
    terms: [f64; TERMS],
}

impl Near {
    pub(super) fn at(z: f64) -> Self {
        let mut terms = [0.0; TERMS];
        terms[0] = hazard(z);
        // Far out h is z + 1/z but for 1/z³, and the recurrence loses its digits.
        let last = if z > 50.0 { 2 } else { TERMS };
        let mut order = 0.0;
        for n in 1..last {
            order += 1.0;
            let square: f64 = (0..n).map(|i| terms[i] * terms[n - 1 - i]).sum();
            let before = if n > 1 { terms[n - 2] } else { 0.0 };
            terms[n] = (square - z * terms[n - 1] - before) / order;
        }
        Self { z, terms }
    }

    /// Hazard and its slope.
    #[inline(always)]
    pub(super) fn lanes(&self, z: &Lane) -> (Lane, Lane) {
        let (mut h, mut slope) = ([self.terms[TERMS - 1]; LANES], ZERO);
        let mut away = ZERO;
        for l in 0..LANES {
            away[l] = (z[l] - self.z).clamp(-NEAR, NEAR);
        }
        for &term in self.terms[..TERMS - 1].iter().rev() {
            for l in 0..LANES {
                slope[l] = slope[l] * away[l] + h[l];
                h[l] = h[l] * away[l] + term;
            }
        }
        (h, slope)
    }
}
