//! Passing–Bablok lines: rank methods that no single pair can pull away.
//!
//! Both forms take the middle of the slopes S = (yᵢ − yⱼ)/(xᵢ − xⱼ) of all pairs of pairs, in an order that treats x and
//! y alike, so that swapping them inverts the line. Pairs that agree in both variables have no slope and are passed
//! over; a vertical slope is kept.
//!
//! | form | order | swapping | other units of y |
//! |---|---|---|---|
//! | [`Original`](RankForm::Original) (1983) | by angle, from −45° upwards over the vertical; S = −1 is passed over | inverts | wrong: made for slopes near 1 |
//! | [`Equivariant`](RankForm::Equivariant) (1988) | by \|S\| | inverts | follows |
//!
//! Slopes below −1 come after the vertical; counted from the other end of a plain sort that is the offset K of the
//! original paper. The later form is the fixed point of a threshold −b in place of −1, and that is the median of |S|
//! (Dufey 2020).
//!
//! # Sources
//! Passing and Bablok, J. Clin. Chem. Clin. Biochem. 21 (1983) 709; Bablok, Passing, Bender and Schneider, ibid. 26
//! (1988) 783; Dufey, Int. J. Biostat. 16 (2020). Ranks of the limits: from the variance of Kendall's statistic,
//! n(n − 1)(2n + 5)/18 (Kendall 1938).

use serde::{Deserialize, Serialize};

use super::line::{check_columns, finite, not_estimable};
use crate::error::Result;
use crate::estimate::{Interval, IntervalMethod, check_level};
use crate::numeric::count;
use crate::numeric::special::finite::t_quantile;

/// Which Passing–Bablok slope.
///
/// ```
/// use surface_severity::equivalence::{RankForm, passing_bablok};
/// let (x, y) = ([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], [1.1, 1.9, 3.2, 4.0, 4.8, 6.1]);
/// let milliseconds = y.map(|y| 1000.0 * y);
/// // Only the equivariant form follows a change of unit.
/// let slope = |y: &[f64], form| passing_bablok(&x, y, form).map(|line| line.slope());
/// let ratio = slope(&milliseconds, RankForm::Equivariant)? / slope(&y, RankForm::Equivariant)?;
/// assert!((ratio / 1000.0 - 1.0).abs() < 1e-9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RankForm {
    /// Of 1983: a test that two methods in one unit agree.
    Original,
    /// Of 1988: equivariant under a change of either unit.
    #[default]
    Equivariant,
}

/// Result of [`passing_bablok`].
///
/// ```
/// use surface_severity::equivalence::{RankForm, passing_bablok};
/// // y = 2x but for one pair far off, which pulls nothing.
/// let line = passing_bablok(&[1.0, 2.0, 3.0, 4.0, 5.0], &[2.0, 4.0, 6.0, 8.0, 30.0], RankForm::Equivariant)?;
/// assert!((line.slope() - 2.0).abs() < 1e-9 && line.intercept().abs() < 1e-9);
/// assert_eq!((line.pairs(), line.usable_slopes()), (5, 10));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PassingBablok {
    form: RankForm,
    slope: f64,
    intercept: f64,
    offset: usize,
    #[serde(skip)]
    slopes: Vec<f64>,
    #[serde(skip)]
    points: Vec<(f64, f64)>,
}

impl PassingBablok {
    /// Which form.
    #[must_use]
    pub fn form(&self) -> RankForm {
        self.form
    }
    /// Slope.
    #[must_use]
    pub fn slope(&self) -> f64 {
        self.slope
    }
    /// Intercept: the median of y − slope · x.
    #[must_use]
    pub fn intercept(&self) -> f64 {
        self.intercept
    }
    /// Number of pairs.
    #[must_use]
    pub fn pairs(&self) -> usize {
        self.points.len()
    }
    /// N: slopes that are used.
    #[must_use]
    pub fn usable_slopes(&self) -> usize {
        self.slopes.len()
    }
    /// K: slopes below −1, or below minus the slope for the equivariant form.
    #[must_use]
    pub fn offset(&self) -> usize {
        self.offset
    }

    /// Ranks of the limits of the slope among the slopes in their order, from 1: (N ∓ z √(n(n − 1)(2n + 5)/18))/2,
    /// rounded to the nearest.
    ///
    /// ```
    /// use surface_severity::equivalence::{RankForm, passing_bablok};
    /// let (x, y) = ([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0], [1.1, 1.9, 3.2, 4.0, 4.8, 6.1, 7.1, 7.9]);
    /// let line = passing_bablok(&x, &y, RankForm::Equivariant)?;
    /// let (narrow, wide) = (line.slope_ranks(0.8)?, line.slope_ranks(0.95)?);
    /// assert!(1 <= wide.0 && wide.0 < narrow.0 && narrow.1 < wide.1 && wide.1 <= line.usable_slopes());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`](crate::ErrorKind::InvalidOption) for a level outside (0, 1);
    /// [`ErrorKind::NotEstimable`](crate::ErrorKind::NotEstimable) where there are too few slopes for that level.
    pub fn slope_ranks(&self, level: f64) -> Result<(usize, usize)> {
        check_level(level)?;
        let z = t_quantile(0.5 + level / 2.0, None)
            .ok_or_else(|| not_estimable("the slope's interval", format!("no normal quantile at level {level}")))?;
        let n = count(self.pairs());
        let spread = z * libm::sqrt(n * (n - 1.0) * (2.0 * n + 5.0) / 18.0);
        let wanted = libm::round((count(self.usable_slopes()) - spread) / 2.0);
        // `wanted` is below the number of slopes; the search is over whole numbers and needs no cast.
        let first = (1..=self.usable_slopes()).find(|k| count(*k) >= wanted).filter(|_| wanted >= 1.0);
        let first = first.ok_or_else(|| {
            not_estimable("the slope's interval", format!("{} pairs are too few for level {level}", self.pairs()))
        })?;
        Ok((first, self.usable_slopes() - first + 1))
    }

    /// Limits of the slope by the ranks of Kendall's statistic.
    ///
    /// ```
    /// use surface_severity::equivalence::{RankForm, passing_bablok};
    /// let (x, y) = ([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0], [1.1, 1.9, 3.2, 4.0, 4.8, 6.1, 7.1, 7.9]);
    /// let slope = passing_bablok(&x, &y, RankForm::Original)?.slope_interval(0.95)?;
    /// assert!(slope.contains(1.0) && slope.upper() - slope.lower() < 0.3, "the two methods agree");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`slope_ranks`](Self::slope_ranks); [`ErrorKind::NotEstimable`](crate::ErrorKind::NotEstimable) also where the
    /// interval reaches the vertical.
    pub fn slope_interval(&self, level: f64) -> Result<Interval> {
        let (first, last) = self.slope_ranks(level)?;
        let (lower, upper) = (self.slopes[first - 1], self.slopes[last - 1]);
        if !(lower.is_finite() && upper.is_finite()) || upper < lower {
            return Err(not_estimable("the slope's interval", format!("at level {level} it reaches the vertical")));
        }
        // Halfway between two middle slopes may round past a limit equal to both.
        Interval::new(self.slope.clamp(lower, upper), lower, upper, level, IntervalMethod::Rank)
    }

    /// Limits of the intercept: the medians of y − b x at the limits of the slope.
    ///
    /// ```
    /// use surface_severity::equivalence::{RankForm, passing_bablok};
    /// let (x, y) = ([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0], [1.1, 1.9, 3.2, 4.0, 4.8, 6.1, 7.1, 7.9]);
    /// let intercept = passing_bablok(&x, &y, RankForm::Original)?.intercept_interval(0.95)?;
    /// assert!(intercept.contains(0.0), "no constant difference");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`slope_interval`](Self::slope_interval); [`ErrorKind::NotEstimable`](crate::ErrorKind::NotEstimable) also
    /// where x = 0 lies among the x: there a steeper line need not meet the axis lower.
    pub fn intercept_interval(&self, level: f64) -> Result<Interval> {
        let slope = self.slope_interval(level)?;
        let (positive, negative) = (self.points.iter().any(|p| p.0 > 0.0), self.points.iter().any(|p| p.0 < 0.0));
        if positive && negative {
            return Err(not_estimable("the intercept's interval", "x = 0 lies among the x of the pairs"));
        }
        let at = [slope.lower(), slope.upper()].map(|b| median_residual(&self.points, b));
        let (lower, upper) = (at[0].min(at[1]), at[0].max(at[1]));
        Interval::new(self.intercept.clamp(lower, upper), lower, upper, level, IntervalMethod::Rank)
    }
}

fn median_residual(points: &[(f64, f64)], slope: f64) -> f64 {
    let mut values: Vec<f64> = points.iter().map(|(x, y)| y - slope * x).collect();
    values.sort_by(f64::total_cmp);
    let n = values.len();
    if n % 2 == 1 { values[n / 2] } else { 0.5 * (values[n / 2 - 1] + values[n / 2]) }
}

/// Angle of a slope in the order of the original form: from −45° to 135°.
fn turned(slope: f64) -> f64 {
    let angle = libm::atan(slope);
    if slope < -1.0 { angle + std::f64::consts::PI } else { angle }
}

/// Passing–Bablok line through pairs that rise together.
///
/// Where the number of slopes is even, the middle is halfway between two of them: in angle (original form) or by their
/// geometric mean (equivariant form), the means that keep the inversion on swapping exact. The arithmetic mean that some
/// programs take differs from them in the second order of the gap.
///
/// ```
/// use surface_severity::equivalence::{RankForm, passing_bablok};
/// let (x, y) = ([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], [1.1, 1.9, 3.2, 4.0, 4.8, 6.1]);
/// // Turned round, it is the same line.
/// let (there, back) = (passing_bablok(&x, &y, RankForm::Original)?, passing_bablok(&y, &x, RankForm::Original)?);
/// assert!((there.slope() * back.slope() - 1.0).abs() < 1e-9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::TooFew`](crate::ErrorKind::TooFew) below 3 pairs;
/// [`ErrorKind::InvalidOption`](crate::ErrorKind::InvalidOption) for unequal lengths or numbers that are not finite;
/// [`ErrorKind::NotEstimable`](crate::ErrorKind::NotEstimable) where the pairs do not rise together (no more rising than
/// falling slopes), or the middle slope is vertical.
///
/// # Accuracy
/// Three published data sets against an independent computation, all digits (`tests/equivalence.rs`).
pub fn passing_bablok(x: &[f64], y: &[f64], form: RankForm) -> Result<PassingBablok> {
    let n = check_columns("a Passing-Bablok line", 3, &[("x", x), ("y", y)])?;
    let mut slopes = Vec::with_capacity(n * (n - 1) / 2);
    let (mut rising, mut falling) = (0_usize, 0_usize);
    for i in 0..n {
        for j in 0..i {
            let (dx, dy) = (x[i] - x[j], y[i] - y[j]);
            if dx == 0.0 && dy == 0.0 {
                continue;
            }
            if !(dx.is_finite() && dy.is_finite()) {
                return Err(not_estimable("the slope", "the numbers leave the range of double precision"));
            }
            // Either sign of a vertical slope is the same direction.
            let slope = if dx == 0.0 { f64::INFINITY } else { dy / dx };
            if dx != 0.0 && dy != 0.0 {
                if (dx > 0.0) == (dy > 0.0) { rising += 1 } else { falling += 1 }
            }
            slopes.push(slope);
        }
    }
    if rising <= falling {
        return Err(not_estimable("the slope", "the pairs do not rise together"));
    }
    match form {
        RankForm::Original => {
            slopes.retain(|s| s.to_bits() != (-1.0_f64).to_bits());
            slopes.sort_by(|a, b| (*a < -1.0).cmp(&(*b < -1.0)).then(a.total_cmp(b)));
        }
        RankForm::Equivariant => slopes.sort_by(|a, b| a.abs().total_cmp(&b.abs())),
    }
    let signed = slopes.clone();
    if form == RankForm::Equivariant {
        for s in &mut slopes {
            *s = s.abs();
        }
    }
    let used = slopes.len();
    let (a, b) = (slopes[(used - 1) / 2], slopes[used / 2]);
    let slope = if a.to_bits() == b.to_bits() {
        a
    } else {
        match form {
            RankForm::Original => {
                let angle = 0.5 * (turned(a) + turned(b));
                if angle >= std::f64::consts::FRAC_PI_2 { f64::INFINITY } else { libm::tan(angle) }
            }
            RankForm::Equivariant => libm::sqrt(a) * libm::sqrt(b),
        }
    };
    if !slope.is_finite() || (form == RankForm::Original && slope <= -1.0) {
        return Err(not_estimable("the slope", "the line through the pairs is vertical"));
    }
    let threshold = if form == RankForm::Original { -1.0 } else { -slope };
    let offset = signed.iter().filter(|s| **s < threshold).count();
    let points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
    let intercept = median_residual(&points, slope);
    finite("the line", &[slope, intercept])?;
    Ok(PassingBablok { form, slope, intercept, offset, slopes, points })
}
