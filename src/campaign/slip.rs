//! Times that look as if they were written in another unit.
//!
//! A day, a surface or a person whose times are some 1000 or 60 times those that the rest of the table lets expect is a slip
//! of unit, not a discovery. Nothing is mended here: the slip is asked about, with what it concerns.
//!
//! # Method
//! Log medians of the cells (material on surface, worn-through trials) are split into a level of the material and one of
//! the surface by median polish (Tukey 1977, *Exploratory Data Analysis*, chapter 11), which less than half of the cells of a
//! row or column cannot pull along; once with lower and once with upper medians, of which the one with fewer suspects holds
//! (of equal ones the one with the more plausible typical time). A surface level 12 times off the middle surface, or a material
//! level 200 times off the middle material, is taken as shifted rather than as a level, and so is the whole table where its
//! typical time is above five minutes or below a hundredth of a second. A trial is suspect where its time is 8 to 6000
//! times more or less than those levels say; a run-out only where it is more. Suspect trials of one direction are
//! then named by the largest group of which they are three quarters: the table, a surface, a day, belt, run, text column,
//! material, one of these on one surface; what remains by its cell. What is named must come near a ratio of units: within
//! a factor of 2.5, or of 5 for the table, a surface or a material, whose own levels are part of the ratio.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use serde::Serialize;

use super::outcome::Outcome;
use super::table::Campaign;
use super::trial::Trial;

/// A group of trials whose times look as if written in another unit: a question, not a verdict.
///
/// ```
/// use surface_severity::campaign::{Campaign, Trial, unit_slips};
/// // Three of four times of one cell were read off a clock in milliseconds.
/// let mut trials = Vec::new();
/// for (surface, k) in [("asphalt", 1.0), ("concrete", 1.6), ("belt", 2.2)] {
///     for (material, durability_s) in [("cowhide", 8.0), ("denim", 1.1), ("knit", 2.4)] {
///         for i in 0..4 {
///             let slipped = (surface, material) == ("belt", "denim") && i < 3;
///             let time = durability_s / k * if slipped { 1000.0 } else { 1.0 };
///             trials.push(Trial::perforated(format!("{surface} {material} {i}"), surface, material, time));
///         }
///     }
/// }
/// let slips = unit_slips(&Campaign::from_trials(trials)?);
/// assert_eq!(slips.len(), 1);
/// assert_eq!((slips[0].trials.len(), slips[0].of, slips[0].unit_ratio), (3, 4, 1000.0));
/// assert!(slips[0].to_string().contains("3 of 4 trials of material \"denim\" on surface \"belt\""));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct UnitSlip {
    /// What the trials have in common: columns with their labels. Empty where it is the whole table.
    pub group: Vec<(String, String)>,
    /// The ratio of units that comes nearest: 1000 (milliseconds written for seconds), 1/60 (minutes written for seconds), or
    /// 60 or 1/1000.
    pub unit_ratio: f64,
    /// Median ratio of these times to those that the rest of the table lets expect.
    pub ratio: f64,
    /// Ids of the trials concerned, sorted.
    pub trials: Vec<String>,
    /// How many trials of the group could be judged.
    pub of: usize,
}

impl UnitSlip {
    /// The unit that the times may have been written in, or what else gives the ratio.
    #[must_use]
    pub fn suggestion(&self) -> &'static str {
        if self.unit_ratio > 500.0 {
            "milliseconds"
        } else if self.unit_ratio > 1.0 {
            "seconds taken for minutes and multiplied by 60"
        } else if self.unit_ratio > 0.005 {
            "minutes"
        } else {
            "seconds taken for milliseconds and divided by 1000"
        }
    }
}

/// A question, such as `3 of 4 trials of material "denim" on surface "belt" have times 1010 times as long as the other trials
/// let expect; are they milliseconds?`
impl fmt::Display for UnitSlip {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let group: Vec<String> = self.group.iter().map(|(column, label)| format!("{column} {label:?}")).collect();
        let group = if group.is_empty() { "the table".into() } else { group.join(" on ") };
        let (ratio, than) = if self.ratio >= 1.0 { (self.ratio, "long") } else { (1.0 / self.ratio, "short") };
        let expected = if self.group.is_empty() { "such trials" } else { "the other trials let" };
        let expect = if self.group.is_empty() { "usually are" } else { "expect" };
        write!(
            f,
            "{} of {} trials of {group} have times {ratio:.0} times as {than} as {expected} {expect}; are they {}?",
            self.trials.len(),
            self.of,
            self.suggestion()
        )
    }
}

/// Typical times outside this range are no abrasion times in seconds.
const TYPICAL_S: (f64, f64) = (0.01, 300.0);
/// The middle of what is plausible, s: tells which of two halves is the odd one.
const MIDDLE_S: f64 = 2.0;
/// A surface this many times off the middle one is shifted.
const SURFACE_SHIFT: f64 = 12.0;
/// A material this many times off the middle one is shifted: materials do differ much.
const MATERIAL_SHIFT: f64 = 200.0;
/// A trial is suspect between these ratios.
const SUSPECT: (f64, f64) = (8.0, 6000.0);
/// The ratios of units.
const UNITS: [f64; 2] = [60.0, 1000.0];

/// Trials that look as if their times were written in another unit, by what they have in common; see
/// [`UnitSlip`]. Empty for a sound table.
///
/// ```
/// use surface_severity::campaign::{Campaign, unit_slips};
/// assert!(unit_slips(&Campaign::read_path("data-demo/trials.csv")?).is_empty());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn unit_slips(campaign: &Campaign) -> Vec<UnitSlip> {
    let suspects_of = |levels: &Levels| levels.judged.iter().filter(|j| j.is_suspect()).count();
    let [lower, upper] = [Middle::Lower, Middle::Upper].map(|middle| Levels::of(campaign, middle));
    let [few, many] = [&lower, &upper].map(|l| (suspects_of(l), implausible(l.typical)));
    let other = many.0 < few.0 || (many.0 == few.0 && many.1 < few.1);
    let judged = if other { upper.judged } else { lower.judged };

    // Suspects with their direction: true where too long.
    let mut suspects: BTreeMap<usize, bool> =
        judged.iter().filter(|j| j.is_suspect()).map(|j| (j.trial, j.shift > 0.0)).collect();
    if suspects.is_empty() {
        return Vec::new();
    }
    let shifts: BTreeMap<usize, f64> = judged.iter().map(|j| (j.trial, j.shift)).collect();
    let mut slips = Vec::new();
    let groupings = groupings(campaign);
    while let Some((group, members, of)) = largest(campaign, &groupings, &judged, &suspects) {
        for member in &members {
            suspects.remove(member);
        }
        slips.extend(slip(campaign, group, &members, of, &shifts));
    }
    // What is left stands in its cell.
    let mut cells: BTreeMap<(Group, bool), Vec<usize>> = BTreeMap::new();
    let cell = Grouping::of(&["material", "surface"]);
    for (&trial, &longer) in &suspects {
        cells.entry((cell.labels(&campaign.trials()[trial]).unwrap_or_default(), longer)).or_default().push(trial);
    }
    for ((group, _), members) in cells {
        let of = judged.iter().filter(|j| cell.labels(&campaign.trials()[j.trial]).as_ref() == Some(&group)).count();
        slips.extend(slip(campaign, group, &members, of, &shifts));
    }
    slips
}

/// A trial and the log of its time against what the table lets expect.
struct Judged {
    trial: usize,
    shift: f64,
}

impl Judged {
    fn is_suspect(&self) -> bool {
        let size = self.shift.abs();
        size >= libm::log(SUSPECT.0) && size <= libm::log(SUSPECT.1)
    }
}

/// Which of two middle values is the median.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Middle {
    Lower,
    Upper,
}

impl Middle {
    fn of(self, mut values: Vec<f64>) -> Option<f64> {
        values.sort_by(f64::total_cmp);
        let last = values.len().checked_sub(1)?;
        let place = match self {
            Self::Lower => last / 2,
            Self::Upper => values.len() / 2,
        };
        values.get(place).copied()
    }
}

/// What the levels of materials and surfaces say of the trials.
struct Levels {
    judged: Vec<Judged>,
    /// Log of the typical time of an unshifted trial.
    typical: f64,
}

impl Levels {
    fn of(campaign: &Campaign, median: Middle) -> Self {
        let in_use = |i: usize| !campaign.is_set_aside(i);
        let place = |i: usize| (campaign.material_index()[i] as usize, campaign.surface_index()[i] as usize);
        let mut logs: BTreeMap<(usize, usize), Vec<f64>> = BTreeMap::new();
        for (i, trial) in campaign.trials().iter().enumerate().filter(|(i, _)| in_use(*i)) {
            if let (Outcome::Perforated, Some(time)) = (trial.outcome, trial.abrasion_time_s) {
                logs.entry(place(i)).or_default().push(libm::log(time));
            }
        }
        let cells: BTreeMap<(usize, usize), f64> =
            logs.into_iter().filter_map(|(cell, logs)| Some((cell, median.of(logs)?))).collect();
        let sizes = [campaign.materials().len(), campaign.surfaces().len()];
        let [mut materials, mut surfaces] = polish(&cells, sizes, median);
        let middle = |levels: &[Option<f64>]| median.of(levels.iter().flatten().copied().collect()).unwrap_or(0.0);
        let surface = settle(&mut surfaces, middle(&materials), SURFACE_SHIFT);
        let material = settle(&mut materials, surface, MATERIAL_SHIFT);
        let typical = material + surface;
        // What the whole table is shifted by, if its typical time cannot be one.
        let mut whole = 0.0;
        if !cells.is_empty() && !(libm::log(TYPICAL_S.0)..=libm::log(TYPICAL_S.1)).contains(&typical) {
            let ratios = UNITS.map(libm::log).into_iter().flat_map(|u| [u, -u]);
            whole = ratios.min_by(|a, b| implausible(typical - a).total_cmp(&implausible(typical - b))).unwrap_or(0.0);
        }
        let judge = |(i, trial): (usize, &Trial)| {
            let (m, s) = place(i);
            let shift = libm::log(trial.abrasion_time_s?) - materials[m]? - surfaces[s]? + whole;
            let judged = match trial.outcome {
                Outcome::Perforated => true,
                // A lower bound says nothing where it is low.
                Outcome::RunOut => shift > 0.0,
                Outcome::OpenedAtContact | Outcome::Void => false,
            };
            judged.then_some(Judged { trial: i, shift })
        };
        let trials = campaign.trials().iter().enumerate().filter(|(i, _)| in_use(*i));
        Self { judged: trials.filter_map(judge).collect(), typical: typical - whole }
    }
}

/// Levels of materials and surfaces; none where no specimen was worn through.
fn polish(
    cells: &BTreeMap<(usize, usize), f64>,
    [materials, surfaces]: [usize; 2],
    median: Middle,
) -> [Vec<Option<f64>>; 2] {
    let mut of_material: Vec<Option<f64>> = vec![None; materials];
    let mut of_surface: Vec<Option<f64>> = vec![Some(0.0); surfaces];
    for _ in 0..20 {
        let mut rest: Vec<Vec<f64>> = vec![Vec::new(); materials];
        for (&(m, s), y) in cells {
            rest[m].push(y - of_surface[s].unwrap_or(0.0));
        }
        of_material = rest.into_iter().map(|rest| median.of(rest)).collect();
        let mut rest: Vec<Vec<f64>> = vec![Vec::new(); surfaces];
        for (&(m, s), y) in cells {
            rest[s].push(y - of_material[m].unwrap_or(0.0));
        }
        let before = std::mem::replace(&mut of_surface, rest.into_iter().map(|rest| median.of(rest)).collect());
        if before == of_surface {
            break;
        }
    }
    [of_material, of_surface]
}

fn implausible(log_time: f64) -> f64 {
    (log_time - libm::log(MIDDLE_S)).abs()
}

/// Puts levels that are more than `shift` times off the middle one to the middle one, which is returned. Of two middle levels
/// that far apart the more plausible one counts; `others` is the middle of the other kind of level.
fn settle(levels: &mut [Option<f64>], others: f64, shift: f64) -> f64 {
    let known: Vec<f64> = levels.iter().flatten().copied().collect();
    let lower = Middle::Lower.of(known.clone()).unwrap_or(0.0);
    let upper = Middle::Upper.of(known).unwrap_or(0.0);
    let apart = upper - lower > libm::log(shift);
    let middle = if apart && implausible(upper + others) < implausible(lower + others) { upper } else { lower };
    for level in levels.iter_mut().flatten() {
        if (*level - middle).abs() > libm::log(shift) {
            *level = middle;
        }
    }
    middle
}

/// Columns whose labels together make a group.
struct Grouping {
    columns: Vec<String>,
}

impl Grouping {
    fn of(columns: &[&str]) -> Self {
        Self { columns: columns.iter().map(|c| (*c).to_owned()).collect() }
    }

    /// The labels of a trial; none where it lacks one.
    fn labels(&self, trial: &Trial) -> Option<Vec<(String, String)>> {
        let label = |column: &String| {
            let label = match column.as_str() {
                "surface" => Some(&trial.surface),
                "material" => Some(&trial.material),
                "day" => trial.day.as_ref(),
                "run" => trial.run.as_ref(),
                "belt" => trial.belt.as_ref(),
                "laboratory" => trial.laboratory.as_ref(),
                other => trial.covariates.get(other),
            };
            Some((column.clone(), label?.clone()))
        };
        self.columns.iter().map(label).collect()
    }
}

/// The groupings from the plainest to the most special.
fn groupings(campaign: &Campaign) -> Vec<Grouping> {
    let mut groupings = vec![Grouping::of(&[])];
    let single = ["surface", "day", "belt", "laboratory"].into_iter().chain(campaign.covariate_columns());
    groupings.extend(single.map(|column| Grouping::of(&[column])));
    // Runs of one name on two days are two runs.
    groupings.push(Grouping::of(&["run", "day"]));
    groupings.push(Grouping::of(&["run"]));
    groupings.push(Grouping::of(&["material"]));
    for column in ["day", "run", "belt"].into_iter().chain(campaign.covariate_columns()) {
        groupings.push(Grouping::of(&[column, "surface"]));
    }
    groupings
}

type Group = Vec<(String, String)>;

/// The group that holds the most suspects of one direction, being at least two and three quarters of its trials; with those
/// suspects and the number of trials judged. Of equal ones the plainest, then the first by name.
fn largest(
    campaign: &Campaign,
    groupings: &[Grouping],
    judged: &[Judged],
    suspects: &BTreeMap<usize, bool>,
) -> Option<(Group, Vec<usize>, usize)> {
    let mut best: Option<(Group, Vec<usize>, usize)> = None;
    for grouping in groupings {
        let mut groups: BTreeMap<Group, ([Vec<usize>; 2], usize)> = BTreeMap::new();
        for Judged { trial, .. } in judged {
            let Some(labels) = grouping.labels(&campaign.trials()[*trial]) else { continue };
            let entry = groups.entry(labels).or_default();
            entry.1 += 1;
            if let Some(longer) = suspects.get(trial) {
                entry.0[usize::from(*longer)].push(*trial);
            }
        }
        for (group, (directions, of)) in groups {
            for members in directions {
                let enough = members.len() >= 2 && members.len() * 4 >= of * 3;
                if enough && best.as_ref().is_none_or(|(_, found, _)| members.len() > found.len()) {
                    best = Some((group.clone(), members, of));
                }
            }
        }
    }
    best
}

/// The question about some trials, if their ratio comes near one of units: within a factor of 2.5, or of 5 where the levels
/// of a surface, a material or the table are part of it.
fn slip(
    campaign: &Campaign,
    group: Group,
    members: &[usize],
    of: usize,
    shifts: &BTreeMap<usize, f64>,
) -> Option<UnitSlip> {
    let shift = Middle::Lower.of(members.iter().filter_map(|m| shifts.get(m).copied()).collect())?;
    let [low, high] = UNITS.map(libm::log);
    let unit = UNITS[usize::from(shift.abs() > (low + high) / 2.0)];
    let unit_ratio = if shift > 0.0 { unit } else { 1.0 / unit };
    let level = match &group[..] {
        [] => true,
        [(column, _)] => column == "surface" || column == "material",
        _ => false,
    };
    let tolerance = libm::log(if level { 5.0 } else { 2.5 });
    if (shift - libm::log(unit_ratio)).abs() > tolerance {
        return None;
    }
    let trials: BTreeSet<String> = members.iter().map(|m| campaign.trials()[*m].trial_id.clone()).collect();
    Some(UnitSlip { group, unit_ratio, ratio: libm::exp(shift), trials: trials.into_iter().collect(), of })
}
