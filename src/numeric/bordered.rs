//! Symmetric positive definite systems with a diagonal block and a dense border.
//!
//! ```text
//! [ D   B ] [x]   [u]      D: m positive numbers (materials)
//! [ Bᵀ  C ] [y] = [v]      C: q × q (surfaces, scale), q small
//! ```
//! Eliminating D leaves the Schur complement `S = C - Bᵀ D⁻¹ B`; cost O(m q²), memory O(m q).

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Bordered {
    m: usize,
    q: usize,
    /// D.
    pub(crate) diagonal: Vec<f64>,
    /// B, row-major m × q.
    pub(crate) border: Vec<f64>,
    /// C, row-major q × q; only the lower triangle has to be filled.
    pub(crate) corner: Vec<f64>,
}

impl Bordered {
    pub(crate) fn zeros(m: usize, q: usize) -> Self {
        Self { m, q, diagonal: vec![0.0; m], border: vec![0.0; m * q], corner: vec![0.0; q * q] }
    }

    pub(crate) fn clear(&mut self) {
        self.diagonal.fill(0.0);
        self.border.fill(0.0);
        self.corner.fill(0.0);
    }

    /// The system without its last border variable.
    pub(crate) fn without_last(&self) -> Self {
        let (m, q) = (self.m, self.q);
        let keep = q - 1;
        let mut smaller = Self::zeros(m, keep);
        smaller.diagonal.copy_from_slice(&self.diagonal);
        for i in 0..m {
            smaller.border[i * keep..(i + 1) * keep].copy_from_slice(&self.border[i * q..i * q + keep]);
        }
        for a in 0..keep {
            smaller.corner[a * keep..(a + 1) * keep].copy_from_slice(&self.corner[a * q..a * q + keep]);
        }
        smaller
    }

    pub(crate) fn factor(&self) -> Option<Factored> {
        let (m, q) = (self.m, self.q);
        if self.diagonal.iter().any(|&d| !(d > 0.0 && d.is_finite())) {
            return None;
        }
        let inverse_diagonal: Vec<f64> = self.diagonal.iter().map(|d| 1.0 / d).collect();
        let mut schur = self.corner.clone();
        for i in 0..m {
            let row = &self.border[i * q..(i + 1) * q];
            for a in 0..q {
                let scaled = row[a] * inverse_diagonal[i];
                if scaled != 0.0 {
                    for b in 0..=a {
                        schur[a * q + b] -= scaled * row[b];
                    }
                }
            }
        }
        let schur = DMatrix::from_fn(q, q, |r, c| if r >= c { schur[r * q + c] } else { schur[c * q + r] });
        if schur.iter().any(|v| !v.is_finite()) {
            return None;
        }
        // A Schur pivot that is rounding noise of its own diagonal means a singular system.
        let cholesky = if q == 0 { None } else { Some(Cholesky::new(schur)?) };
        if let Some(cholesky) = &cholesky {
            let l = cholesky.l_dirty();
            for a in 0..q {
                let pivot = l[(a, a)] * l[(a, a)];
                if pivot <= 1e-14 * self.corner[a * q + a].abs() {
                    return None;
                }
            }
        }
        Some(Factored { m, q, inverse_diagonal, border: self.border.clone(), cholesky })
    }
}

#[derive(Debug, Clone)]
pub(crate) struct Factored {
    m: usize,
    q: usize,
    inverse_diagonal: Vec<f64>,
    border: Vec<f64>,
    cholesky: Option<Cholesky<f64, Dyn>>,
}

impl Factored {
    /// Solves in place: `(u, v)` becomes `(x, y)`.
    pub(crate) fn solve(&self, u: &mut [f64], v: &mut [f64]) {
        let q = self.q;
        for i in 0..self.m {
            let scaled = u[i] * self.inverse_diagonal[i];
            for a in 0..q {
                v[a] -= self.border[i * q + a] * scaled;
            }
        }
        if let Some(cholesky) = &self.cholesky {
            let mut right = DVector::from_column_slice(v);
            cholesky.solve_mut(&mut right);
            v.copy_from_slice(right.as_slice());
        }
        for i in 0..self.m {
            let mut right = u[i];
            for a in 0..q {
                right -= self.border[i * q + a] * v[a];
            }
            u[i] = right * self.inverse_diagonal[i];
        }
    }

    /// The inverse in structured form: covariance of the border variables, and for each diagonal
    /// variable its own variance `1/D` and its loadings `-D⁻¹ B` on the border variables.
    pub(crate) fn inverse(&self) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
        let q = self.q;
        let corner = self.cholesky.as_ref().map_or_else(Vec::new, |c| {
            let inverse = c.inverse();
            (0..q * q).map(|i| inverse[(i / q, i % q)]).collect()
        });
        let mut loadings = vec![0.0; self.m * q];
        for i in 0..self.m {
            for a in 0..q {
                loadings[i * q + a] = -self.border[i * q + a] * self.inverse_diagonal[i];
            }
        }
        (corner, self.inverse_diagonal.clone(), loadings)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn agrees_with_the_dense_inverse() {
        let (m, q) = (3, 2);
        let mut system = Bordered::zeros(m, q);
        system.diagonal.copy_from_slice(&[4.0, 5.0, 6.0]);
        system.border.copy_from_slice(&[1.0, 0.5, -1.0, 2.0, 0.25, 1.5]);
        system.corner.copy_from_slice(&[7.0, 0.0, 1.0, 9.0]);
        let dense = DMatrix::from_row_slice(
            5,
            5,
            &[
                4.0, 0.0, 0.0, 1.0, 0.5, 0.0, 5.0, 0.0, -1.0, 2.0, 0.0, 0.0, 6.0, 0.25, 1.5, 1.0, -1.0, 0.25, 7.0, 1.0,
                0.5, 2.0, 1.5, 1.0, 9.0,
            ],
        );
        let inverse = dense.clone().try_inverse().unwrap();
        let factored = system.factor().unwrap();
        let (mut u, mut v) = (vec![1.0, -2.0, 0.5], vec![3.0, 0.1]);
        factored.solve(&mut u, &mut v);
        let want = &inverse * DVector::from_column_slice(&[1.0, -2.0, 0.5, 3.0, 0.1]);
        for (got, want) in u.iter().chain(&v).zip(want.iter()) {
            approx::assert_relative_eq!(*got, *want, max_relative = 1e-14);
        }
        let (corner, own, loadings) = factored.inverse();
        for i in 0..m {
            for j in 0..m {
                let mut value = if i == j { own[i] } else { 0.0 };
                for a in 0..q {
                    for b in 0..q {
                        value += loadings[i * q + a] * corner[a * q + b] * loadings[j * q + b];
                    }
                }
                approx::assert_relative_eq!(value, inverse[(i, j)], max_relative = 1e-13, epsilon = 1e-16);
            }
        }
    }

    #[test]
    fn a_singular_system_is_none() {
        let mut system = Bordered::zeros(1, 1);
        system.diagonal[0] = 2.0;
        system.border[0] = 2.0;
        system.corner[0] = 2.0;
        assert!(system.factor().is_none());
    }
}
