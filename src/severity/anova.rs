//! Sequential analysis of variance of any number of factors.
//!
//! Sums of squares are squared projections on an orthonormal basis built by Gram–Schmidt with
//! reorthogonalisation, after subtracting the first response: for nearly equal responses this keeps
//! every digit that the input holds (NIST StRD SmLs07–09 in tests/reference).

use serde::{Deserialize, Serialize};

use crate::error::{ErrorKind, Result};
use crate::numeric::special::f_survival;

/// One term of the model: a factor, or an interaction of factors.
///
/// ```
/// use surface_severity::severity::{Anova, Term};
/// // Log times of two materials on two surfaces, one specimen each.
/// let (material, surface) = ([0_usize, 0, 1, 1], [0_usize, 1, 0, 1]);
/// let terms = [Term::factor("material", material), Term::factor("surface", surface)];
/// let anova = Anova::sequential(&[1.0, 0.0, 3.0, 2.0], &terms)?;
/// // Materials 2 apart, surfaces 1 apart, nothing left over.
/// assert!((anova.rows[0].sum_of_squares - 4.0).abs() < 1e-12);
/// assert!((anova.rows[1].sum_of_squares - 1.0).abs() < 1e-12);
/// assert!(anova.residual_sum_of_squares < 1e-12);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Term {
    name: String,
    factors: Vec<Vec<usize>>,
}

impl Term {
    /// A factor; `levels[i]` is the level of observation i, numbered from 0.
    ///
    /// ```
    /// use surface_severity::severity::{Anova, Term};
    /// let anova = Anova::sequential(&[1.0, 3.0, 5.0, 7.0], &[Term::factor("surface", [0_usize, 0, 1, 1])])?;
    /// assert_eq!((anova.rows[0].name.as_str(), anova.rows[0].degrees_of_freedom), ("surface", 1));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn factor(name: impl Into<String>, levels: impl Into<Vec<usize>>) -> Self {
        Self { name: name.into(), factors: vec![levels.into()] }
    }

    /// The interaction of two or more factors.
    ///
    /// ```
    /// use surface_severity::severity::{Anova, Term};
    /// let (material, surface) = ([0_usize, 0, 1, 1], [0_usize, 1, 0, 1]);
    /// let terms = [
    ///     Term::factor("material", material),
    ///     Term::factor("surface", surface),
    ///     Term::interaction("material × surface", &[&material, &surface]),
    /// ];
    /// let anova = Anova::sequential(&[1.0, 0.0, 3.0, 6.0], &terms)?;
    /// // (1 - 0 - 3 + 6)²/4
    /// assert!((anova.rows[2].sum_of_squares - 4.0).abs() < 1e-12);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn interaction(name: impl Into<String>, factors: &[&[usize]]) -> Self {
        Self { name: name.into(), factors: factors.iter().map(|f| f.to_vec()).collect() }
    }
}

/// One line of the table.
///
/// ```
/// use surface_severity::severity::{Anova, Term};
/// // Means 2 and 6, residual mean square 2: F = 16/2 with 1 and 2 degrees of freedom.
/// let anova = Anova::sequential(&[1.0, 3.0, 5.0, 7.0], &[Term::factor("surface", [0_usize, 0, 1, 1])])?;
/// let row = &anova.rows[0];
/// assert!((row.f.unwrap() - 8.0).abs() < 1e-12);
/// assert!(row.p_value.unwrap() > 0.05, "two trials a surface show little");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct AnovaRow {
    /// Name of the term.
    pub name: String,
    /// Degrees of freedom it adds after the terms above it.
    pub degrees_of_freedom: usize,
    /// Sum of squares it adds.
    pub sum_of_squares: f64,
    /// F statistic against the residual mean square; absent without residual degrees of freedom
    /// or for a term that adds nothing.
    pub f: Option<f64>,
    /// Its upper tail probability.
    pub p_value: Option<f64>,
}

/// A sequential (type I) analysis of variance.
///
/// ```
/// use surface_severity::severity::{Anova, Term};
/// let anova = Anova::sequential(&[1.0, 3.0, 5.0, 7.0], &[Term::factor("surface", [0_usize, 0, 1, 1])])?;
/// assert!((anova.total_sum_of_squares - 20.0).abs() < 1e-12);
/// assert!((anova.r_squared().unwrap() - 0.8).abs() < 1e-12);
/// assert!((anova.residual_standard_deviation().unwrap() - 2_f64.sqrt()).abs() < 1e-12);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Anova {
    /// The terms, in the order given.
    pub rows: Vec<AnovaRow>,
    /// Residual degrees of freedom.
    pub residual_degrees_of_freedom: usize,
    /// Residual sum of squares.
    pub residual_sum_of_squares: f64,
    /// Total sum of squares about the mean.
    pub total_sum_of_squares: f64,
}

impl Anova {
    /// Adds `terms` one after the other to a model with an intercept.
    ///
    /// Cost O(n c²) with c columns over all terms; meant for tables of a campaign's size.
    ///
    /// ```
    /// use surface_severity::severity::{Anova, Term};
    /// // Each term takes what those before it have left: a second copy of a factor adds nothing.
    /// let surface = [0_usize, 0, 1, 1];
    /// let anova = Anova::sequential(&[1.0, 3.0, 5.0, 7.0], &[Term::factor("a", surface), Term::factor("b", surface)])?;
    /// assert_eq!((anova.rows[1].degrees_of_freedom, anova.rows[1].f), (0, None));
    /// assert!(Anova::sequential(&[], &[]).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::NothingToFit`] without responses, [`ErrorKind::InvalidOption`] for lengths that
    /// disagree or responses that are not finite.
    pub fn sequential(response: &[f64], terms: &[Term]) -> Result<Self> {
        let n = response.len();
        let Some(&first) = response.first() else {
            return Err(ErrorKind::NothingToFit { reason: "no responses".into() }.into());
        };
        if let Some(bad) = response.iter().find(|v| !v.is_finite()) {
            return Err(ErrorKind::option("response", bad, "a finite number"));
        }
        for term in terms {
            for factor in &term.factors {
                if factor.len() != n {
                    return Err(ErrorKind::option(
                        &term.name,
                        format!("{} levels", factor.len()),
                        &format!("{n}, one per response"),
                    ));
                }
            }
        }
        #[allow(clippy::cast_precision_loss)]
        let n_f = n as f64;
        let mut residual: Vec<f64> = response.iter().map(|y| y - first).collect();
        let mut basis: Vec<Vec<f64>> = vec![vec![1.0 / n_f.sqrt(); n]];
        project_out(&mut residual, &basis[0]);
        let total: f64 = residual.iter().map(|r| r * r).sum();
        let mut sums = Vec::new();
        for term in terms {
            let mut sum = 0.0;
            let mut degrees = 0;
            for column in columns(term, n) {
                let mut column = column;
                let before = norm(&column);
                for _ in 0..2 {
                    for direction in &basis {
                        project_out(&mut column, direction);
                    }
                }
                let after = norm(&column);
                if after <= 1e-9 * before {
                    continue;
                }
                for v in &mut column {
                    *v /= after;
                }
                let along = project_out(&mut residual, &column);
                sum += along * along;
                degrees += 1;
                basis.push(column);
            }
            sums.push((term.name.clone(), degrees, sum));
        }
        // A second pass removes what rounding left of the model in the residuals.
        for direction in &basis {
            project_out(&mut residual, direction);
        }
        let residual_sum: f64 = residual.iter().map(|r| r * r).sum();
        let residual_df = n - basis.len();
        #[allow(clippy::cast_precision_loss)]
        let rows = sums
            .into_iter()
            .map(|(name, degrees, sum)| {
                let f = (residual_df > 0 && degrees > 0 && residual_sum > 0.0)
                    .then(|| (sum / degrees as f64) / (residual_sum / residual_df as f64));
                AnovaRow {
                    name,
                    degrees_of_freedom: degrees,
                    sum_of_squares: sum,
                    f,
                    p_value: f.map(|f| f_survival(f, degrees as f64, residual_df as f64)),
                }
            })
            .collect();
        Ok(Self {
            rows,
            residual_degrees_of_freedom: residual_df,
            residual_sum_of_squares: residual_sum,
            total_sum_of_squares: total,
        })
    }

    /// Residual standard deviation; absent without residual degrees of freedom.
    #[must_use]
    pub fn residual_standard_deviation(&self) -> Option<f64> {
        #[allow(clippy::cast_precision_loss)]
        (self.residual_degrees_of_freedom > 0)
            .then(|| (self.residual_sum_of_squares / self.residual_degrees_of_freedom as f64).sqrt())
    }

    /// Share of the total sum of squares that the terms explain; absent where all responses agree.
    #[must_use]
    pub fn r_squared(&self) -> Option<f64> {
        let explained: f64 = self.rows.iter().map(|r| r.sum_of_squares).sum();
        (self.total_sum_of_squares > 0.0).then(|| explained / (explained + self.residual_sum_of_squares))
    }
}

fn columns(term: &Term, n: usize) -> impl Iterator<Item = Vec<f64>> + '_ {
    let mut combinations: Vec<Vec<usize>> = (0..n).map(|i| term.factors.iter().map(|f| f[i]).collect()).collect();
    combinations.sort_unstable();
    combinations.dedup();
    combinations.into_iter().map(move |level| {
        (0..n).map(|i| if term.factors.iter().zip(&level).all(|(f, l)| f[i] == *l) { 1.0 } else { 0.0 }).collect()
    })
}

fn norm(v: &[f64]) -> f64 {
    v.iter().map(|x| x * x).sum::<f64>().sqrt()
}

/// Removes the part of `v` along the unit vector `direction`, in two passes; returns its length.
fn project_out(v: &mut [f64], direction: &[f64]) -> f64 {
    let mut along = 0.0;
    for _ in 0..2 {
        let part: f64 = v.iter().zip(direction).map(|(a, b)| a * b).sum();
        for (a, b) in v.iter_mut().zip(direction) {
            *a -= part * b;
        }
        along += part;
    }
    along
}
