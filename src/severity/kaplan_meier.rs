//! Product-limit estimate of survival of one group of trials (Kaplan & Meier 1958), with
//! Greenwood's variance: the picture of a cell that assumes no distribution.

use serde::{Deserialize, Serialize};

use crate::campaign::{Outcome, Trial};
use crate::error::{ErrorKind, Result};

/// Survival just after one distinct time.
///
/// ```
/// use surface_severity::campaign::Trial;
/// use surface_severity::severity::KaplanMeier;
/// let times = [2.0, 4.0, 5.0, 8.0].map(|t| Trial::perforated(format!("{t}"), "asphalt", "cowhide", t));
/// let step = &KaplanMeier::of(&times)?.steps[0];
/// // Of four specimens one is worn through at 2 s; Greenwood: S √(d/(n (n − d))).
/// assert_eq!((step.time_s, step.at_risk, step.events, step.survival), (2.0, 4, 1, 0.75));
/// assert!((step.standard_error - 0.75 / 12_f64.sqrt()).abs() < 1e-12);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct KaplanMeierStep {
    /// Time, s.
    pub time_s: f64,
    /// Specimens not yet worn through or ended just before.
    pub at_risk: usize,
    /// Worn through (or opened at contact) at this time.
    pub events: usize,
    /// Probability of lasting longer.
    pub survival: f64,
    /// Greenwood's standard error of it.
    pub standard_error: f64,
}

/// A survival curve.
///
/// ```
/// use surface_severity::campaign::Trial;
/// use surface_severity::severity::KaplanMeier;
/// let cell = [
///     Trial::perforated("T1", "asphalt", "cowhide", 2.0),
///     Trial::perforated("T2", "asphalt", "cowhide", 4.0),
///     Trial::run_out("T3", "asphalt", "cowhide", 5.0),
///     Trial::perforated("T4", "asphalt", "cowhide", 8.0),
/// ];
/// let curve = KaplanMeier::of(&cell)?;
/// assert_eq!((curve.survival_at(3.0), curve.median_s()), (0.75, Some(4.0)));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct KaplanMeier {
    /// One step per distinct event time, ascending.
    pub steps: Vec<KaplanMeierStep>,
}

impl KaplanMeier {
    /// From trials of one cell (or any group); voids are passed over. At tied times events come
    /// before run-outs. A contact opening counts as an event at its upper bound, which is right for
    /// the curve beyond that time as long as no specimen was seen to end earlier.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// use surface_severity::severity::KaplanMeier;
    /// let cell = campaign.trials_in_use().filter(|t| t.material == "cotton denim" && t.surface == "laboratory belt");
    /// let curve = KaplanMeier::of(cell)?;
    /// assert!(curve.steps.windows(2).all(|s| s[0].time_s < s[1].time_s && s[0].survival > s[1].survival));
    /// assert!(KaplanMeier::of([]).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::NothingToFit`] without any trial that counts; [`ErrorKind::NotEstimable`] where
    /// an opening's bound lies above another trial's time, so that their order is unknown.
    pub fn of<'a>(trials: impl IntoIterator<Item = &'a Trial>) -> Result<Self> {
        let mut rows: Vec<(f64, bool, bool)> = trials
            .into_iter()
            .filter(|t| t.outcome != Outcome::Void)
            .filter_map(|t| {
                Some((t.abrasion_time_s?, t.outcome != Outcome::RunOut, t.outcome == Outcome::OpenedAtContact))
            })
            .collect();
        if rows.is_empty() {
            return Err(ErrorKind::NothingToFit { reason: "no trial to draw a survival curve from".into() }.into());
        }
        rows.sort_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)));
        let first_other = rows.iter().filter(|r| !r.2).map(|r| r.0).fold(f64::INFINITY, f64::min);
        if let Some(late) = rows.iter().find(|r| r.2 && r.0 > first_other) {
            return Err(ErrorKind::NotEstimable {
                quantity: "a survival curve".into(),
                reason: format!(
                    "a contact opening is only known to be below {} s, above another trial's {first_other} s",
                    late.0
                ),
            }
            .into());
        }
        let mut steps = Vec::new();
        let (mut survival, mut sum) = (1.0, 0.0);
        let mut i = 0;
        while i < rows.len() {
            let time = rows[i].0;
            let at_risk = rows.len() - i;
            let tied = rows[i..].iter().take_while(|r| r.0.to_bits() == time.to_bits()).count();
            let events = rows[i..i + tied].iter().filter(|r| r.1).count();
            if events > 0 {
                #[allow(clippy::cast_precision_loss)]
                let (n, d) = (at_risk as f64, events as f64);
                survival *= 1.0 - d / n;
                sum += d / (n * (n - d));
                let standard_error = if survival > 0.0 { survival * sum.sqrt() } else { 0.0 };
                steps.push(KaplanMeierStep { time_s: time, at_risk, events, survival, standard_error });
            }
            i += tied;
        }
        Ok(Self { steps })
    }

    /// Survival beyond `time_s`.
    #[must_use]
    pub fn survival_at(&self, time_s: f64) -> f64 {
        self.steps.iter().rev().find(|s| s.time_s <= time_s).map_or(1.0, |s| s.survival)
    }

    /// First time at which survival is at most one half, if it gets there.
    #[must_use]
    pub fn median_s(&self) -> Option<f64> {
        self.steps.iter().find(|s| s.survival <= 0.5).map(|s| s.time_s)
    }
}
