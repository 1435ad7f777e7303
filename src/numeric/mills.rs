//! Normal hazards in blocks, without branches, so that the compiler can vectorise them.
//!
//! With `u = |z|/√2` and `t = (u − 3.75)/(u + 3.75)` the function `(1 + 2u) exp(u²) erfc(u)` is a
//! polynomial of degree 22 in t to 1.3e-16 (tests/reference/python/mills.py; the transformation is
//! that of Shepherd & Laframboise, Math. Comp. 36 (1981) 249). Mills' ratio, and from it the hazard
//! in either tail, follow without cancellation.

const SHIFT: f64 = 3.75;
const COEFFICIENTS: [f64; 23] = include!("mills_coefficients.in");
const SQRT_2_OVER_PI: f64 = 0.797_884_560_802_865_4;
const INV_SQRT_2PI: f64 = 0.398_942_280_401_432_7;

/// `exp(x)` for `-708 <= x <= 0` to an ulp or two, 0 below: reduction by powers of two, Taylor.
#[inline(always)]
fn exp_negative<const N: usize>(x: &[f64; N]) -> [f64; N] {
    const ROUND: f64 = 6_755_399_441_055_744.0; // 1.5 · 2^52: adding it rounds to an integer
    const LN2_HIGH: f64 = 6.931_471_803_691_238e-1;
    const LN2_LOW: f64 = 1.908_214_929_270_587_7e-10;
    let (mut scale, mut r) = ([0.0; N], [0.0; N]);
    for l in 0..N {
        let clamped = x[l].max(-708.0);
        let shifted = clamped * std::f64::consts::LOG2_E + ROUND;
        let k = shifted - ROUND;
        r[l] = (clamped - k * LN2_HIGH) - k * LN2_LOW;
        // The low bits of `shifted` hold k; moved into the exponent field they scale by 2^k.
        scale[l] = f64::from_bits((shifted.to_bits() << 52).wrapping_add(1023 << 52));
    }
    let mut p = [1.0 / 6_227_020_800.0; N];
    for c in [
        1.0 / 479_001_600.0,
        1.0 / 39_916_800.0,
        1.0 / 3_628_800.0,
        1.0 / 362_880.0,
        1.0 / 40_320.0,
        1.0 / 5_040.0,
        1.0 / 720.0,
        1.0 / 120.0,
        1.0 / 24.0,
        1.0 / 6.0,
        0.5,
        1.0,
        1.0,
    ] {
        for l in 0..N {
            p[l] = p[l] * r[l] + c;
        }
    }
    for l in 0..N {
        p[l] = if x[l] < -708.0 { 0.0 } else { p[l] * scale[l] };
    }
    p
}

/// Hazard `φ(z)/(1 − Φ(z))` of every element: stage by stage over all of them, for the compiler's sake.
#[inline(always)]
pub(crate) fn hazard_lanes<const N: usize>(z: &[f64; N]) -> [f64; N] {
    let (mut t, mut scale, mut exponent) = ([0.0; N], [0.0; N], [0.0; N]);
    for l in 0..N {
        let u = z[l].abs() * std::f64::consts::FRAC_1_SQRT_2;
        t[l] = (u - SHIFT) / (u + SHIFT);
        scale[l] = SQRT_2_OVER_PI * (1.0 + 2.0 * u);
        exponent[l] = -0.5 * z[l] * z[l];
    }
    let mut p = [COEFFICIENTS[22]; N];
    for &c in COEFFICIENTS[..22].iter().rev() {
        for l in 0..N {
            p[l] = p[l] * t[l] + c;
        }
    }
    let density = exp_negative(&exponent);
    let mut out = [0.0; N];
    for l in 0..N {
        // 1/M(|z|) = scale/p with M the Mills ratio; for z < 0: 1 − Φ(z) = 1 − φ(z) M(|z|). One division serves both.
        let phi = INV_SQRT_2PI * density[l];
        let below = z[l] < 0.0;
        let over = if below { phi * scale[l] } else { scale[l] };
        let under = if below { scale[l] - phi * p[l] } else { p[l] };
        out[l] = over / under;
    }
    out
}

/// Hazard of one argument; the same bits.
pub(crate) fn hazard(z: f64) -> f64 {
    let [h] = hazard_lanes(&[z]);
    h
}

#[cfg(test)]
mod tests {
    use super::*;

    /// mpmath at 40 digits (tests/reference/python/mills.py), −37 to 40; libm's exp for the helper.
    #[test]
    #[allow(clippy::approx_constant)]
    fn hazards_keep_thirteen_digits() {
        let values: Vec<(f64, f64, f64)> = include!("tail_values.in").to_vec();
        for (z, _, want) in &values {
            let [got, same] = hazard_lanes(&[*z, *z]);
            assert_eq!(got.to_bits(), same.to_bits());
            assert!((got / want - 1.0).abs() < 1e-13, "{z}: {got:e} {want:e}");
        }
        for i in 0..=7000 {
            let x = -0.1 * f64::from(i);
            assert!((exp_negative(&[x])[0] / libm::exp(x) - 1.0).abs() < 1e-15, "{x}");
        }
        assert!(exp_negative(&[-800.0])[0].abs() < f64::MIN_POSITIVE);
        // Between the tabulated points: against the other route.
        for i in -7400..8000 {
            let z = f64::from(i) / 200.0;
            let (_, want, _) = crate::numeric::special::normal_tail(z);
            assert!((hazard(z) / want - 1.0).abs() < 2e-13, "{z}");
        }
    }
}
