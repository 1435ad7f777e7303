//! What a reader of a fit should know.

use serde::{Deserialize, Serialize};

use crate::estimate::BoundSide;

use super::plan::Grouping;

/// Something the reader of a result should know.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// use surface_severity::severity::Note;
/// for note in fit.notes() {
///     println!("{note}");
/// }
/// assert!(fit.notes().iter().any(|note| matches!(note, Note::Voids { trials: 5, .. })));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Note {
    /// Void trials are kept in the table and not fitted.
    Voids {
        /// How many.
        trials: usize,
    },
    /// A trial is kept in the table and not fitted, by decision.
    SetAside {
        /// The trial.
        trial_id: String,
        /// Why.
        reason: String,
        /// Who decided.
        decided_by: String,
    },
    /// Trials of materials or on surfaces without a finite place on the scale.
    OffScale {
        /// How many.
        trials: usize,
    },
    /// Only a one-sided bound is known of a material's durability or a surface's factor.
    Unbounded {
        /// Material or surface.
        name: String,
        /// Where the quantity lies relative to the bound.
        side: BoundSide,
    },
    /// A material or surface that censored trials alone tie to the scale, in no clear direction.
    NotPlaced {
        /// Material or surface.
        name: String,
    },
    /// A material or surface without any trial that could be fitted.
    Untested {
        /// Material or surface.
        name: String,
    },
    /// A single perforated trial keeps the estimate finite; every other one is censored.
    HeldByOneTrial {
        /// Material or surface.
        name: String,
        /// The trial.
        trial_id: String,
        /// Trials of it, this one included.
        trials: usize,
    },
    /// One material decides a surface's factor: whatever sets that material apart is in the factor.
    OneMaterialDecides {
        /// Surface.
        surface: String,
        /// Material.
        material: String,
        /// Its share of the surface's trials, from 0.8 to 1, in per cent.
        percent: usize,
    },
    /// The table records this grouping, and it is not in the model.
    NotFitted {
        /// The grouping.
        grouping: Grouping,
        /// Why not.
        reason: String,
    },
    /// Trials without a label of a fitted grouping: each counts as a condition of its own.
    Unlabelled {
        /// The grouping.
        grouping: Grouping,
        /// How many trials.
        trials: usize,
        /// Id of the first of them.
        first: String,
    },
    /// The variance of this grouping is estimated as zero.
    Singular {
        /// The grouping.
        grouping: Grouping,
    },
    /// A variance estimated from few levels is poorly known; trust its profile interval.
    FewLevels {
        /// The grouping.
        grouping: Grouping,
        /// Its levels.
        levels: usize,
    },
    /// The table records this covariate, and it is not in the model.
    CovariateNotFitted {
        /// Its column.
        column: String,
        /// Why not.
        reason: String,
    },
    /// Trials that a covariate acts on and that do not name their value.
    WithoutValue {
        /// Its column.
        column: String,
        /// How many trials.
        trials: usize,
        /// Id of the first of them.
        first: String,
        /// Whether they have a shift of their own; otherwise they are taken at the nominal value.
        apart: bool,
    },
    /// Everything is stated at a value of a covariate that lies beyond those recorded.
    BeyondRecorded {
        /// Its column.
        column: String,
        /// The nominal value.
        nominal: String,
        /// What was recorded.
        range: String,
    },
    /// All trials on a surface share one level, whose effect cannot be told from the factor of the
    /// surface; the standard error of the factor contains it.
    Confounded {
        /// The surface.
        surface: String,
        /// The grouping.
        grouping: Grouping,
    },
}

impl std::fmt::Display for Note {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Voids { trials } => write!(f, "{trials} void trial(s) are listed with their reasons and not fitted"),
            Self::SetAside { trial_id, reason, decided_by } => {
                write!(f, "trial {trial_id} is set aside by {decided_by} and not fitted: {reason}")
            }
            Self::OffScale { trials } => write!(
                f,
                "{trials} trial(s) belong to materials or surfaces that have no finite place on the scale; \
                 they give bounds only"
            ),
            Self::Unbounded { name, side } => {
                let (seen, side) = match side {
                    BoundSide::AtLeast => ("upwards", "at least"),
                    BoundSide::AtMost => ("downwards", "at most"),
                };
                write!(
                    f,
                    "{name}: every trial that would limit it {seen} is censored, so its estimate is unlimited; \
                     an \"{side}\" bound is given instead"
                )
            }
            Self::NotPlaced { name } => {
                write!(f, "{name}: only run-outs and contact openings join it to the rest; it has no estimate")
            }
            Self::Untested { name } => write!(f, "{name}: no trial of it could be fitted"),
            Self::HeldByOneTrial { name, trial_id, trials } => write!(
                f,
                "{name}: of {trials} trials only {trial_id} was worn through; without it the estimate would be \
                 unlimited, so its interval is only a rough guide"
            ),
            Self::OneMaterialDecides { surface, material, percent } => write!(
                f,
                "{surface}: {material} gives {percent} % of its trials, so the factor is mostly that one material's; \
                 test others there"
            ),
            Self::NotFitted { grouping, reason } => {
                write!(
                    f,
                    "{grouping} is recorded and not in the model, so the limits leave out what it shares: {reason}"
                )
            }
            Self::Unlabelled { grouping, trials, first } => write!(
                f,
                "{trials} trial(s) have no {grouping} (first {first}); each counts as a {grouping} of its own"
            ),
            Self::Singular { grouping } => write!(
                f,
                "singular fit: the variance of {grouping} is estimated as zero; standard errors are as if there were no \
                 {grouping} effect, limits allow for what its levels leave unknown of it"
            ),
            Self::FewLevels { grouping, levels } => {
                write!(f, "{grouping} has only {levels} levels; its variance is poorly known")
            }
            Self::CovariateNotFitted { column, reason } => {
                write!(f, "{column} is recorded and not in the model, so nothing is corrected for it: {reason}")
            }
            Self::WithoutValue { column, trials, first, apart } => {
                let how =
                    if *apart { "they share a shift of their own" } else { "they are taken at the nominal value" };
                write!(f, "{trials} trial(s) have no {column} (first {first}); {how}")
            }
            Self::BeyondRecorded { column, nominal, range } => write!(
                f,
                "everything is stated at {column} {nominal}, beyond what was recorded ({range}): an extrapolation"
            ),
            Self::Confounded { surface, grouping } => write!(
                f,
                "all trials on {surface} share one {grouping}, whose effect cannot be told from the surface's factor; \
                 the factor's standard error contains it"
            ),
        }
    }
}
