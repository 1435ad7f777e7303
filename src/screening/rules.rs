//! Rules on what was recorded: conditions off nominal, and times that contradict the machine.
//!
//! A rule needs no statistics and says nothing about the time itself: a drop at the wrong speed is
//! off nominal even if its time looks ordinary.

use serde::{Deserialize, Serialize};

use crate::campaign::{Campaign, Outcome, SurfaceRole, Trial};
use crate::error::{ErrorKind, Result};
use crate::estimate::significant;
use crate::severity::SeverityFit;

use super::mad::{median_of, middle};
use super::verdict::{Evidence, Test};

/// How far a recorded condition may lie from its nominal value.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::{Condition, Rules, Screening, Test, Tolerance};
/// let speeding = |tolerance| {
///     let mut rules = Rules::default();
///     rules.speed = Condition::about(8.0, tolerance);
///     let report = Screening::new().rules(rules).influence(false).screen(&campaign, &plan)?;
///     Ok::<_, surface_severity::Error>(report.flagged().filter(|v| v.evidence_of(Test::Speed).is_some()).count())
/// };
/// // 5 % of 8 m/s are 0.4 m/s.
/// assert_eq!(speeding(Tolerance::Relative(0.05))?, speeding(Tolerance::Absolute(0.4))?);
/// assert_eq!(speeding(Tolerance::Absolute(100.0))?, 0);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Tolerance {
    /// In the unit of the condition.
    Absolute(f64),
    /// As a fraction of the nominal value: 0.05 for 5 %.
    Relative(f64),
}

impl Tolerance {
    fn half_width(self, nominal: f64) -> f64 {
        match self {
            Self::Absolute(width) => width,
            Self::Relative(fraction) => fraction * nominal.abs(),
        }
    }
}

/// The rule for one recorded condition.
///
/// ```
/// use surface_severity::screening::{Condition, Tolerance};
/// let condition = Condition::about(8.0, Tolerance::Relative(0.05));
/// assert_eq!((condition.nominal, condition.tolerance), (Some(8.0), Some(Tolerance::Relative(0.05))));
/// assert_eq!(Condition::about_median(Tolerance::Absolute(1.0)).nominal, None);
/// assert_eq!(Condition::unchecked().tolerance, None);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Condition {
    /// Nominal value in the unit of the column; where absent, the median over the road trials for road
    /// trials, over the laboratory trials for those.
    #[serde(default)]
    pub nominal: Option<f64>,
    /// How far off it may be; without a tolerance the condition is not checked.
    #[serde(default)]
    pub tolerance: Option<Tolerance>,
}

impl Condition {
    /// Not checked.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::screening::{Condition, Rules, Screening, Test};
    /// let mut rules = Rules::default();
    /// rules.speed = Condition::unchecked();
    /// let report = Screening::new().rules(rules).influence(false).screen(&campaign, &plan)?;
    /// assert!(report.verdicts().iter().all(|verdict| verdict.evidence_of(Test::Speed).is_none()));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn unchecked() -> Self {
        Self::default()
    }

    /// Checked against the campaign's median.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::screening::{Condition, Rules, Screening, Test, Tolerance};
    /// let mut rules = Rules::default();
    /// rules.speed = Condition::about_median(Tolerance::Relative(0.05));
    /// let report = Screening::new().rules(rules).influence(false).screen(&campaign, &plan)?;
    /// assert!(report.verdict("R-0083").unwrap().evidence_of(Test::Speed).is_some(), "at a wrong speed");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn about_median(tolerance: Tolerance) -> Self {
        Self { nominal: None, tolerance: Some(tolerance) }
    }

    /// Checked against `nominal`.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::screening::{Condition, Rules, Screening, Test, Tolerance};
    /// let mut rules = Rules::default();
    /// rules.temperature = Condition::about(23.0, Tolerance::Absolute(0.001));
    /// let report = Screening::new().rules(rules).influence(false).screen(&campaign, &plan)?;
    /// // Too strict a tolerance asks about nearly every trial.
    /// let asked = report.verdicts().iter().filter(|verdict| verdict.evidence_of(Test::Temperature).is_some()).count();
    /// assert!(asked > campaign.len() / 2);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn about(nominal: f64, tolerance: Tolerance) -> Self {
        Self { nominal: Some(nominal), tolerance: Some(tolerance) }
    }

    fn check(&self, option: &str) -> Result<()> {
        if let Some(nominal) = self.nominal
            && !nominal.is_finite()
        {
            return Err(ErrorKind::option(option, nominal, "a finite nominal value"));
        }
        match self.tolerance {
            Some(Tolerance::Absolute(w) | Tolerance::Relative(w)) if !(w >= 0.0 && w.is_finite()) => {
                Err(ErrorKind::option(option, w, "a tolerance of zero or more"))
            }
            _ => Ok(()),
        }
    }
}

/// The rules, plain data.
///
/// | field | default | unit | meaning |
/// |---|---|---|---|
/// | speed | median ± 5 % | m/s | sliding speed |
/// | drop_height | median ± 10 % | mm | drop height |
/// | normal_force | median ± 5 % | N | normal force |
/// | temperature | not checked | °C | temperature: outdoors it varies |
/// | time_resolution_s | smallest bound of a contact opening | s | below it no time can be exact |
/// | run_length_s | longest run-out on surfaces of the same role | s | usual length of a run |
/// | run_length_tolerance | 0.05 | 1 | a run shorter by more than this fraction ended early (a remark) |
/// | shortest_fraction | 0.1 | 1 | a time below this fraction of the median of the others is impossibly short |
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::{Rules, Screening, Test};
/// let mut rules = Rules::default();
/// rules.shortest_fraction = 0.5;
/// let report = Screening::new().rules(rules).influence(false).screen(&campaign, &plan)?;
/// // A quarter of what the others of its cell lasted.
/// assert!(report.verdict("R-0077").unwrap().evidence_of(Test::ImpossiblyShort).is_some());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
#[non_exhaustive]
pub struct Rules {
    /// Sliding speed, m/s.
    pub speed: Condition,
    /// Drop height, mm.
    pub drop_height: Condition,
    /// Normal force, N.
    pub normal_force: Condition,
    /// Temperature, °C.
    pub temperature: Condition,
    /// Time resolution, s.
    pub time_resolution_s: Option<f64>,
    /// Usual length of a run, s.
    pub run_length_s: Option<f64>,
    /// Fraction of the run length that a run may fall short by.
    pub run_length_tolerance: f64,
    /// Fraction of the median of the others below which a time is impossibly short.
    pub shortest_fraction: f64,
}

impl Default for Rules {
    fn default() -> Self {
        Self {
            speed: Condition::about_median(Tolerance::Relative(0.05)),
            drop_height: Condition::about_median(Tolerance::Relative(0.1)),
            normal_force: Condition::about_median(Tolerance::Relative(0.05)),
            temperature: Condition::unchecked(),
            time_resolution_s: None,
            run_length_s: None,
            run_length_tolerance: 0.05,
            shortest_fraction: 0.1,
        }
    }
}

impl Rules {
    pub(crate) fn check(&self) -> Result<()> {
        self.speed.check("speed")?;
        self.drop_height.check("drop_height")?;
        self.normal_force.check("normal_force")?;
        self.temperature.check("temperature")?;
        for (name, value) in [("time_resolution_s", self.time_resolution_s), ("run_length_s", self.run_length_s)] {
            if let Some(value) = value
                && !(value > 0.0 && value.is_finite())
            {
                return Err(ErrorKind::option(name, value, "a positive number of seconds"));
            }
        }
        for (name, value) in
            [("run_length_tolerance", self.run_length_tolerance), ("shortest_fraction", self.shortest_fraction)]
        {
            if !(0.0..1.0).contains(&value) {
                return Err(ErrorKind::option(name, value, "a fraction from 0 to below 1"));
            }
        }
        Ok(())
    }
}

fn rule(test: Test, statistic: f64, limit: f64, flags: bool, reason: String) -> Evidence {
    Evidence { test, statistic, critical_value: limit, p_value: None, adjusted_p_value: None, flags, reason }
}

struct Column {
    test: Test,
    column: &'static str,
    name: &'static str,
    unit: &'static str,
    get: fn(&Trial) -> Option<f64>,
}

const COLUMNS: [Column; 4] = [
    Column { test: Test::Speed, column: "speed_m_per_s", name: "speed", unit: "m/s", get: |t| t.speed_m_per_s },
    Column {
        test: Test::DropHeight,
        column: "drop_height_mm",
        name: "drop height",
        unit: "mm",
        get: |t| t.drop_height_mm,
    },
    Column {
        test: Test::NormalForce,
        column: "normal_force_n",
        name: "normal force",
        unit: "N",
        get: |t| t.normal_force_n,
    },
    Column {
        test: Test::Temperature,
        column: "temperature_c",
        name: "temperature",
        unit: "°C",
        get: |t| t.temperature_c,
    },
];

/// Recorded nominal values and how many fitted trials lack the record.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Unrecorded {
    pub(crate) test: Test,
    pub(crate) trials: usize,
}

/// Applies the rules; `evidence[i]` belongs to trial i. What `fit` holds as a covariate is corrected for, not off nominal.
pub(crate) fn apply(
    rules: &Rules,
    campaign: &Campaign,
    fit: &SeverityFit,
    evidence: &mut [Vec<Evidence>],
) -> Vec<Unrecorded> {
    let trials = campaign.trials();
    let counts = |t: &&Trial| t.outcome != Outcome::Void;
    let mut unrecorded = Vec::new();
    for (column, condition) in
        COLUMNS.iter().zip([&rules.speed, &rules.drop_height, &rules.normal_force, &rules.temperature])
    {
        let Some(tolerance) = condition.tolerance else { continue };
        if fit.covariate_effects().iter().any(|e| e.covariate.column() == column.column) {
            continue;
        }
        let recorded: Vec<f64> = trials.iter().filter(counts).filter_map(column.get).collect();
        let missing = trials.iter().filter(counts).count() - recorded.len();
        // A column that nobody filled in is no finding.
        if !recorded.is_empty() && missing > 0 {
            unrecorded.push(Unrecorded { test: column.test, trials: missing });
        }
        // The two machines need not run alike: without a stated nominal value each role has its own.
        for role in [None, Some(SurfaceRole::Road), Some(SurfaceRole::Laboratory)] {
            // The role of the surface: a row may leave out what another row of its surface says.
            let here = |i: usize| counts(&&trials[i]) && role_of(campaign, i) == role;
            let members: Vec<usize> = (0..trials.len()).filter(|&i| here(i)).collect();
            let usual = || median_of(members.iter().filter_map(|&i| (column.get)(&trials[i])).collect());
            let Some(nominal) = condition.nominal.or_else(usual) else { continue };
            let width = tolerance.half_width(nominal);
            for &i in &members {
                let (evidence, Some(value)) = (&mut evidence[i], (column.get)(&trials[i])) else { continue };
                // The allowance keeps a value on the limit inside it despite decimal rounding.
                if (value - nominal).abs() > width + 1e-9 * nominal.abs().max(1.0) {
                    let limit = if value > nominal { nominal + width } else { nominal - width };
                    let Column { name, unit, test, .. } = column;
                    let reason = format!(
                        "{name} {} {unit} is off nominal: {} {unit} ± {}",
                        significant(value, 4),
                        significant(nominal, 4),
                        significant(width, 3)
                    );
                    evidence.push(rule(*test, value, limit, true, reason));
                }
            }
        }
    }
    resolution(rules, trials, evidence);
    run_length(rules, campaign, evidence);
    unrecorded
}

fn role_of(campaign: &Campaign, trial: usize) -> Option<SurfaceRole> {
    campaign.surfaces()[campaign.surface_index()[trial] as usize].role
}

fn resolution(rules: &Rules, trials: &[Trial], evidence: &mut [Vec<Evidence>]) {
    let bounds = trials.iter().filter(|t| t.outcome == Outcome::OpenedAtContact).filter_map(|t| t.abrasion_time_s);
    let Some(limit) = rules.time_resolution_s.or_else(|| bounds.min_by(f64::total_cmp)) else { return };
    for (trial, evidence) in trials.iter().zip(evidence) {
        if let (Outcome::Perforated, Some(time)) = (trial.outcome, trial.abrasion_time_s)
            && time < limit
        {
            let reason = format!(
                "{} s is below the time resolution of {} s, so it cannot be exact; opened_at_contact would say so",
                significant(time, 3),
                significant(limit, 3)
            );
            evidence.push(rule(Test::TimeBelowResolution, time, limit, true, reason));
        }
    }
}

fn run_length(rules: &Rules, campaign: &Campaign, evidence: &mut [Vec<Evidence>]) {
    let role_of = |i: usize| role_of(campaign, i);
    let run_outs = || {
        campaign
            .trials()
            .iter()
            .enumerate()
            .filter(|(_, t)| t.outcome == Outcome::RunOut)
            .filter_map(|(i, t)| Some((i, t.abrasion_time_s?)))
    };
    for role in [None, Some(SurfaceRole::Road), Some(SurfaceRole::Laboratory)] {
        let longest = run_outs().filter(|&(i, _)| role_of(i) == role).map(|(_, t)| t).max_by(f64::total_cmp);
        let Some(usual) = rules.run_length_s.or(longest) else { continue };
        let limit = usual * (1.0 - rules.run_length_tolerance);
        for (i, time) in run_outs().filter(|&(i, _)| role_of(i) == role) {
            if time < limit {
                let reason = format!(
                    "the run ended after {} s, earlier than the usual {} s; it stays a valid lower bound",
                    significant(time, 3),
                    significant(usual, 3)
                );
                evidence[i].push(rule(Test::RunEndedEarly, time, limit, false, reason));
            }
        }
    }
}

/// A time impossibly short against the rest of its cell; `sorted`: those of the whole cell as recorded, bounds as times.
pub(crate) fn impossibly_short(rules: &Rules, trial: &Trial, sorted: &[f64]) -> Option<Evidence> {
    let time = trial.abrasion_time_s?;
    if sorted.len() < 3 || trial.outcome == Outcome::RunOut {
        return None;
    }
    let n = sorted.len() - 1;
    let own = sorted.partition_point(|t| *t < time);
    let typical = middle(n, |k| sorted[if k < own { k } else { k + 1 }])?;
    let ratio = time / typical;
    (ratio < rules.shortest_fraction).then(|| {
        let reason = format!(
            "{} s is {} times the median {} s of the other {n} trials of its cell: impossibly short, \
             as when a stop wire breaks before contact",
            significant(time, 3),
            significant(ratio, 2),
            significant(typical, 3)
        );
        rule(Test::ImpossiblyShort, ratio, rules.shortest_fraction, true, reason)
    })
}
