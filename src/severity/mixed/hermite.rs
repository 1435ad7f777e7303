//! Gauss–Hermite quadrature: `∫ e^{−z²} f(z) dz ≈ Σ w_k f(z_k)`, exact for polynomials to degree 2n − 1.
//!
//! Abscissae from the eigenvalues of the Jacobi matrix (Golub & Welsch 1969), then polished by
//! Newton's method on the orthonormal Hermite polynomial, whose derivative gives the weights.

use nalgebra::DMatrix;

/// Nodes `z_k`, ascending, and `log(w_k) + z_k²`: the weights for an integrand without its factor `e^{−z²}`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Hermite {
    pub(super) node: Vec<f64>,
    pub(super) log_weight: Vec<f64>,
}

impl Hermite {
    /// `n` nodes, at least one; symmetric about zero to the last bit.
    pub(super) fn new(n: usize) -> Self {
        #[allow(clippy::cast_precision_loss)]
        let jacobi =
            DMatrix::from_fn(n, n, |r, c| if r.abs_diff(c) == 1 { (r.max(c) as f64 / 2.0).sqrt() } else { 0.0 });
        let mut rough: Vec<f64> = jacobi.symmetric_eigenvalues().iter().copied().collect();
        rough.sort_by(f64::total_cmp);
        let mut node = vec![0.0; n];
        let mut log_weight = vec![0.0; n];
        for k in n / 2..n {
            // The middle node of an odd rule is zero.
            let mut z = if 2 * k + 1 == n { 0.0 } else { rough[k] };
            if z != 0.0 {
                for _ in 0..4 {
                    let (value, slope) = orthonormal(n, z);
                    z -= value / slope;
                }
            }
            let (_, slope) = orthonormal(n, z);
            let weight = std::f64::consts::LN_2 - 2.0 * libm::log(slope.abs()) + z * z;
            node[k] = z;
            log_weight[k] = weight;
            node[n - 1 - k] = -z;
            log_weight[n - 1 - k] = weight;
        }
        Self { node, log_weight }
    }
}

/// The orthonormal Hermite polynomial of degree `n` and its derivative.
#[allow(clippy::cast_precision_loss)]
fn orthonormal(n: usize, z: f64) -> (f64, f64) {
    let (mut before, mut here) = (0.0, libm::pow(std::f64::consts::PI, -0.25));
    for j in 1..=n {
        let next = z * (2.0 / j as f64).sqrt() * here - ((j - 1) as f64 / j as f64).sqrt() * before;
        before = here;
        here = next;
    }
    (here, (2.0 * n as f64).sqrt() * before)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Abramowitz & Stegun 1964, Table 25.10 (n = 2, 5, 10).
    #[allow(clippy::approx_constant)]
    #[test]
    fn published_abscissae_and_weights() {
        for (n, k, node, weight) in [
            (2, 1, 0.707_106_781_186_548, 0.886_226_925_453),
            (5, 2, 0.0, 0.945_308_720_483),
            (5, 3, 0.958_572_464_613_819, 0.393_619_323_152),
            (5, 4, 2.020_182_870_456_086, 0.019_953_242_059),
            (10, 5, 0.342_901_327_223_705, 0.610_862_633_735),
            (10, 9, 3.436_159_118_837_738, 0.764_043_285_523e-5),
        ] {
            let rule = Hermite::new(n);
            assert!((rule.node[k] - node).abs() < 1e-14, "{n} {k}: {}", rule.node[k]);
            let w = (rule.log_weight[k] - node * node).exp();
            assert!((w / weight - 1.0).abs() < 1e-11, "{n} {k}: {w}");
        }
    }

    /// Even moments: Γ(m + 1/2).
    #[test]
    fn moments_are_exact() {
        for n in [1usize, 2, 7, 15, 40, 100] {
            let rule = Hermite::new(n);
            let mut want = std::f64::consts::PI.sqrt();
            for m in 0..n.min(12) {
                let power = i32::try_from(2 * m).unwrap();
                let got: f64 =
                    rule.node.iter().zip(&rule.log_weight).map(|(z, l)| (l - z * z).exp() * z.powi(power)).sum();
                assert!((got / want - 1.0).abs() < 1e-12, "{n} nodes, moment {m}: {got} {want}");
                want *= m as f64 + 0.5;
            }
        }
    }
}
