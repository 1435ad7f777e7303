//! The checked trial table and what can be asked of it.

use super::builder::CampaignBuilder;
use super::decision::{Decided, Decision, Decisions};
use super::digest::digest;
use super::label::normal;
use super::outcome::{Outcome, SurfaceRole};
use super::read::CampaignReader;
use super::saved::Document;
use super::trial::Trial;
use crate::error::{ErrorKind, Result};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

/// The `schema` of a campaign document.
pub(super) const SCHEMA: &str = "surface-severity/campaign/1";

/// A surface of a campaign.
///
/// ```
/// use surface_severity::campaign::{Campaign, SurfaceRole};
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let roads = campaign.surfaces().iter().filter(|s| s.role == Some(SurfaceRole::Road));
/// assert!(roads.map(|s| s.name.as_str()).eq(campaign.road_surfaces()));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[non_exhaustive]
pub struct Surface {
    /// Its name.
    pub name: String,
    /// What it is used as, where known.
    pub role: Option<SurfaceRole>,
}

/// A material of a campaign.
///
/// ```
/// use surface_severity::campaign::Campaign;
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let denim = &campaign.materials()[campaign.material("aramid denim")?];
/// assert_eq!(denim.name, "aramid denim");
/// assert_eq!(denim.class.as_deref(), Some("single-layer textile"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[non_exhaustive]
pub struct Material {
    /// Its name.
    pub name: String,
    /// Its class, where known.
    pub class: Option<String>,
}

/// A checked trial table.
///
/// Made by [`read_path`](Self::read_path), [`builder`](Self::builder) or serde; every door runs the
/// same checks, so a `Campaign` that exists is a valid one. It does not change after that. Labels
/// are trimmed, a class or role given once holds for every trial of its material or surface, and
/// empty optional text is absent.
///
/// `Debug` is one short line, since a notebook shows it.
///
/// ```
/// use surface_severity::campaign::Campaign;
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// assert_eq!((campaign.surfaces().len(), campaign.materials().len()), (7, 14));
/// // Voids stay in the table and are not fitted.
/// assert_eq!(campaign.len(), campaign.trials_in_use().count() + campaign.voids().count());
/// assert_eq!(campaign.covariate_columns(), ["operator_shift"]);
/// let first = &campaign.trials()[0];
/// assert_eq!(campaign.surfaces()[campaign.surface_index()[0] as usize].name, first.surface);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Clone, Deserialize)]
#[serde(try_from = "Document")]
pub struct Campaign {
    pub(super) table: Arc<Table>,
    /// What the reader took as it was meant; no part of what makes two campaigns equal.
    notes: Arc<[String]>,
    /// Set in the campaigns that a bootstrap hands to a statistic, nowhere else.
    resample: Option<Arc<Resample>>,
    /// Trials that are kept in the table and not fitted, in the order of the table.
    aside: Option<Arc<[bool]>>,
    /// Decisions of whoever runs the campaign.
    decided: Option<Arc<Decided>>,
}

impl PartialEq for Campaign {
    fn eq(&self, other: &Self) -> bool {
        self.table == other.table
            && self.resample == other.resample
            && self.aside == other.aside
            && self.decided == other.decided
    }
}

#[derive(PartialEq)]
pub(super) struct Table {
    pub(super) trials: Vec<Trial>,
    pub(super) surfaces: Vec<Surface>,
    pub(super) materials: Vec<Material>,
    surface_index: Vec<u32>,
    material_index: Vec<u32>,
    canonical: Vec<u32>,
    rows: Vec<Row>,
    digest: String,
    /// Whether some trial that is fitted has it: looking through a large table takes as long as a fit.
    belt_drop: bool,
}

/// What a fit needs of a trial that is not void. Kept cell by cell, in canonical order within a cell: gathering
/// this from the trials at every fit misses the cache at nearly every trial of a large campaign.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Row {
    trial: u32,
    material: u32,
    surface: u32,
    outcome: Outcome,
    log_time: f64,
}

fn rows_by_cell(trials: &[Trial], material_index: &[u32], surface_index: &[u32], canonical: &[u32]) -> Vec<Row> {
    // Packed as (cell, position in canonical order), so that the sort is of plain numbers.
    let mut order: Vec<(u32, u32, u32)> =
        (0..).zip(canonical).map(|(rank, &i)| (material_index[i as usize], surface_index[i as usize], rank)).collect();
    order.sort_unstable();
    let row = |(material, surface, rank): (u32, u32, u32)| {
        let trial = canonical[rank as usize];
        let Trial { outcome, abrasion_time_s, .. } = trials[trial as usize];
        let log_time = libm::log(abrasion_time_s.filter(|_| outcome != Outcome::Void)?);
        Some(Row { trial, material, surface, outcome, log_time })
    };
    order.into_iter().filter_map(row).collect()
}

/// A trial as it is to be fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct FittedTrial {
    /// Its position in [`Campaign::trials`].
    pub(crate) trial: usize,
    pub(crate) material: usize,
    pub(crate) surface: usize,
    pub(crate) outcome: Outcome,
    pub(crate) log_time: f64,
    pub(crate) weight: f64,
}

/// What a bootstrap replicate changes of a table: how much each trial counts, or what it gave.
#[derive(Debug, Default, PartialEq)]
pub(crate) struct Resample {
    /// One weight per trial, in the order of the table; trials of weight 0 are not fitted.
    pub(crate) weights: Option<Vec<f64>>,
    /// One outcome and log time per trial.
    pub(crate) results: Option<Vec<(Outcome, f64)>>,
}

impl Campaign {
    pub(super) fn from_parts(
        trials: Vec<Trial>,
        surfaces: Vec<Surface>,
        materials: Vec<Material>,
        surface_index: Vec<u32>,
        material_index: Vec<u32>,
        canonical: Vec<u32>,
        notes: Vec<String>,
    ) -> Self {
        let digest = digest(&trials, &canonical);
        let rows = rows_by_cell(&trials, &material_index, &surface_index, &canonical);
        let belt_drop = trials.iter().any(|t| t.belt_drop.is_some() && t.outcome != Outcome::Void);
        let table =
            Table { trials, surfaces, materials, surface_index, material_index, canonical, rows, digest, belt_drop };
        Self { table: Arc::new(table), notes: notes.into(), resample: None, aside: None, decided: None }
    }

    /// Whether a trial that is not void names the drops on its belt.
    pub(crate) fn records_belt_drop(&self) -> bool {
        self.table.belt_drop
    }

    /// The same table as a bootstrap replicate sees it. Labels, order and digest stay.
    pub(crate) fn resampled(&self, resample: Resample) -> Self {
        Self { resample: Some(Arc::new(resample)), ..self.clone() }
    }

    /// The same table with the marked trials kept and not fitted.
    pub(crate) fn without(&self, aside: Vec<bool>) -> Self {
        Self { aside: Some(aside.into()), ..self.clone() }
    }

    /// The same table with these decisions in place of any earlier ones. Nothing is removed: a trial
    /// that is set aside stays in [`trials`](Self::trials), is not fitted, and is named with its
    /// reason in the notes of every result.
    ///
    /// ```
    /// use surface_severity::campaign::{Campaign, Decisions, Trial};
    /// let campaign = Campaign::from_trials([
    ///     Trial::perforated("T1", "asphalt", "cowhide", 4.1),
    ///     Trial::perforated("T2", "asphalt", "cowhide", 14.9),
    /// ])?;
    /// let decided =
    ///     campaign.with_decisions(&Decisions::new().set_aside("T2", "stop wire broke late", "test engineer"))?;
    /// assert_eq!(decided.trials().len(), 2);
    /// assert!(decided.is_set_aside(1));
    /// assert_ne!(decided.digest(), campaign.digest());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Table`] with every problem: a trial that is unknown, void or decided twice, a
    /// missing reason or author.
    pub fn with_decisions(&self, decisions: &Decisions) -> Result<Self> {
        let decided = Decided::new(decisions, &self.table.trials, &self.table.digest)?;
        Ok(Self { decided: (!decided.decisions.is_empty()).then(|| Arc::new(decided)), ..self.clone() })
    }

    /// The same table without decisions.
    ///
    /// ```
    /// use surface_severity::campaign::{Campaign, Decisions};
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let decided = campaign.with_decisions(&Decisions::new().set_aside("R-0030", "stop wire broke late", "engineer"))?;
    /// assert_eq!(decided.undecided().digest(), campaign.digest());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn undecided(&self) -> Self {
        Self { decided: None, ..self.clone() }
    }

    /// The decisions on this table, sorted by trial id.
    #[must_use]
    pub fn decisions(&self) -> &[Decision] {
        self.decided.as_ref().map_or(&[], |d| d.decisions.list())
    }

    /// The trials that fits use: neither void nor set aside, in the order of the input.
    ///
    /// ```
    /// use surface_severity::campaign::{Campaign, Trial};
    /// let campaign = Campaign::from_trials([
    ///     Trial::perforated("T1", "asphalt", "cowhide", 4.1),
    ///     Trial::void("T2", "asphalt", "cowhide", "camera failed"),
    /// ])?;
    /// assert_eq!(campaign.trials_in_use().map(|t| t.trial_id.as_str()).collect::<Vec<_>>(), ["T1"]);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn trials_in_use(&self) -> impl Iterator<Item = &Trial> {
        let used = |&(i, t): &(usize, &Trial)| t.outcome != Outcome::Void && !self.is_set_aside(i);
        self.table.trials.iter().enumerate().filter(used).map(|(_, t)| t)
    }

    /// True where trial `i` is set aside by a decision; false beyond the last trial.
    #[must_use]
    pub fn is_set_aside(&self, i: usize) -> bool {
        self.decided.as_ref().is_some_and(|d| d.aside.get(i) == Some(&true))
    }

    /// How many trials are void.
    pub(crate) fn void_count(&self) -> usize {
        self.table.trials.len() - self.table.rows.len()
    }

    /// True where trial `i` is fitted: neither void, nor set aside, nor of no weight.
    pub(crate) fn is_fitted(&self, i: usize) -> bool {
        self.table.trials[i].outcome != Outcome::Void && self.counts(i)
    }

    /// False where a trial is set aside or of no weight.
    fn counts(&self, i: usize) -> bool {
        let weights = self.resample.as_ref().and_then(|r| r.weights.as_ref());
        !self.aside.as_ref().is_some_and(|aside| aside[i])
            && !self.is_set_aside(i)
            && weights.is_none_or(|weights| weights[i] > 0.0)
    }

    /// The trials to be fitted, cell by cell (material, then surface), in canonical order within a cell.
    pub(crate) fn fitted_by_cell(&self) -> impl Iterator<Item = FittedTrial> {
        let resample = self.resample.as_ref();
        let results = resample.and_then(|r| r.results.as_ref());
        let weights = resample.and_then(|r| r.weights.as_ref());
        let all = self.aside.is_none() && self.decided.is_none() && weights.is_none();
        self.table.rows.iter().filter(move |row| all || self.counts(row.trial as usize)).map(move |row| {
            let trial = row.trial as usize;
            let (outcome, log_time) = results.map_or((row.outcome, row.log_time), |results| results[trial]);
            FittedTrial {
                trial,
                material: row.material as usize,
                surface: row.surface as usize,
                outcome,
                log_time,
                weight: weights.map_or(1.0, |weights| weights[trial]),
            }
        })
    }

    /// True where trials count unequally.
    pub(crate) fn is_weighted(&self) -> bool {
        self.resample.as_ref().is_some_and(|r| r.weights.is_some())
    }

    /// Reads trials.csv at `path` with the default options; see [`CampaignReader`] for others.
    ///
    /// ```
    /// use surface_severity::campaign::Campaign;
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// assert_eq!(campaign.to_string(), "403 trials (5 void) of 14 materials on 7 surfaces (1 laboratory, 6 road)");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`CampaignReader::read_path`].
    pub fn read_path(path: impl AsRef<Path>) -> Result<Self> {
        CampaignReader::new().read_path(path)
    }

    /// Reads a trial table from anything that can be read; `file_name` is what errors call it.
    ///
    /// ```
    /// use surface_severity::campaign::Campaign;
    /// let table = "\
    /// trial_id,surface,material,abrasion_time_s,outcome,note
    /// T1,asphalt,cowhide,4.12,perforated,
    /// T2,asphalt,cowhide,,void,belt slipped
    /// ";
    /// let campaign = Campaign::from_reader(table.as_bytes(), "trials.csv")?;
    /// assert_eq!(campaign.len(), 2);
    /// assert_eq!(campaign.voids().count(), 1);
    ///
    /// let error = Campaign::from_reader(table.replace("4.12", "4.12 s").as_bytes(), "trials.csv").unwrap_err();
    /// assert!(error.to_string().contains("trials.csv:2: column abrasion_time_s: found \"4.12 s\""));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`CampaignReader::from_reader`].
    pub fn from_reader(reader: impl Read, file_name: &str) -> Result<Self> {
        CampaignReader::new().from_reader(reader, file_name)
    }

    /// A campaign of trials made in code.
    ///
    /// ```
    /// use surface_severity::campaign::{Campaign, Trial};
    /// let campaign = Campaign::from_trials([
    ///     Trial::perforated("T1", "asphalt", "cowhide", 4.1).material_class("leather"),
    ///     Trial::run_out("T2", "asphalt", "cowhide", 6.0),
    /// ])?;
    /// // A class given once holds for the whole material.
    /// assert_eq!(campaign.trials()[1].material_class.as_deref(), Some("leather"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`CampaignBuilder::build`].
    pub fn from_trials(trials: impl IntoIterator<Item = Trial>) -> Result<Self> {
        trials.into_iter().collect::<CampaignBuilder>().build()
    }

    /// A campaign from columns of the same length, as other programs hold them; trial ids are the row numbers from 1. For
    /// roles, classes and days add them to [`Trial`]s and use [`from_trials`](Self::from_trials).
    ///
    /// `abrasion_time_s`: seconds, by outcome an exact time, a lower or an upper bound.
    ///
    /// ```
    /// use surface_severity::campaign::{Campaign, Outcome::{Perforated, RunOut}};
    /// let campaign = Campaign::from_slices(
    ///     &["asphalt", "asphalt", "belt"],
    ///     &["cowhide", "cowhide", "cowhide"],
    ///     &[8.0, 20.0, 4.5],
    ///     &[Perforated, RunOut, Perforated],
    /// )?;
    /// assert_eq!(campaign.trials()[1].abrasion_time_s, Some(20.0));
    /// assert!(Campaign::from_slices(&["asphalt"], &["cowhide"], &[8.0, 9.0], &[Perforated]).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for columns of different lengths; as [`from_trials`](Self::from_trials), a void among
    /// them too, since it needs a reason.
    pub fn from_slices<S: AsRef<str>, M: AsRef<str>>(
        surface: &[S],
        material: &[M],
        abrasion_time_s: &[f64],
        outcome: &[Outcome],
    ) -> Result<Self> {
        let n = surface.len();
        for (name, found) in
            [("material", material.len()), ("abrasion_time_s", abrasion_time_s.len()), ("outcome", outcome.len())]
        {
            if found != n {
                return Err(ErrorKind::option(name, found, &format!("{n} entries, as many as surfaces")));
            }
        }
        Self::from_trials((0..n).map(|i| {
            let (id, surface, material) = ((i + 1).to_string(), surface[i].as_ref(), material[i].as_ref());
            let time = abrasion_time_s[i];
            match outcome[i] {
                Outcome::Perforated => Trial::perforated(id, surface, material, time),
                Outcome::RunOut => Trial::run_out(id, surface, material, time),
                Outcome::OpenedAtContact => Trial::opened_at_contact(id, surface, material, time),
                Outcome::Void => Trial::void(id, surface, material, ""),
            }
        }))
    }

    /// A reader of trials.csv with options.
    ///
    /// ```
    /// use surface_severity::campaign::Campaign;
    /// let table = "trial_id,surface,material,abrasion_time_s,outcome\nT1,belt,cowhide,3.05,perforated\n";
    /// let campaign = Campaign::reader().laboratory_surface("belt").from_reader(table.as_bytes(), "trials.csv")?;
    /// assert_eq!(campaign.laboratory_surfaces(), ["belt"]);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn reader() -> CampaignReader {
        CampaignReader::new()
    }

    /// A builder to which trials are added.
    ///
    /// ```
    /// use surface_severity::campaign::{Campaign, Trial};
    /// let campaign = Campaign::builder()
    ///     .trial(Trial::perforated("T1", "asphalt", "cowhide", 4.1))
    ///     .trial(Trial::perforated("T2", "belt", "cowhide", 3.0))
    ///     .laboratory_surface("belt")
    ///     .build()?;
    /// assert_eq!(campaign.road_surfaces(), ["asphalt"]);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn builder() -> CampaignBuilder {
        CampaignBuilder::default()
    }

    /// All trials, voids included, in the order of the input.
    #[must_use]
    pub fn trials(&self) -> &[Trial] {
        &self.table.trials
    }

    /// How many trials there are, voids included; at least 1.
    #[must_use]
    #[expect(clippy::len_without_is_empty, reason = "a campaign has at least one trial")]
    pub fn len(&self) -> usize {
        self.table.trials.len()
    }

    /// The surfaces, sorted by name.
    #[must_use]
    pub fn surfaces(&self) -> &[Surface] {
        &self.table.surfaces
    }

    /// The materials, sorted by name.
    #[must_use]
    pub fn materials(&self) -> &[Material] {
        &self.table.materials
    }

    /// For each trial, the position of its surface in [`surfaces`](Self::surfaces).
    #[must_use]
    pub fn surface_index(&self) -> &[u32] {
        &self.table.surface_index
    }

    /// For each trial, the position of its material in [`materials`](Self::materials).
    #[must_use]
    pub fn material_index(&self) -> &[u32] {
        &self.table.material_index
    }

    /// Positions of the trials sorted by trial id: the order in which everything is computed.
    ///
    /// ```
    /// use surface_severity::campaign::{Campaign, Trial};
    /// let campaign = Campaign::from_trials([
    ///     Trial::perforated("T2", "asphalt", "cowhide", 4.1),
    ///     Trial::perforated("T1", "asphalt", "cowhide", 3.8),
    /// ])?;
    /// assert_eq!(campaign.trials()[0].trial_id, "T2");
    /// assert_eq!(campaign.canonical_order(), [1, 0]);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn canonical_order(&self) -> &[u32] {
        &self.table.canonical
    }

    /// Position of a surface in [`surfaces`](Self::surfaces).
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// let error = campaign.surface("gravel").unwrap_err();
    /// assert!(error.to_string().contains("known surfaces: brushed concrete"));
    /// assert_eq!(campaign.surfaces()[campaign.surface("brushed concrete")?].name, "brushed concrete");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] with the known names.
    pub fn surface(&self, name: &str) -> Result<usize> {
        let find = |name: &str| self.table.surfaces.binary_search_by(|s| s.name.as_str().cmp(name));
        find(name).or_else(|_| find(&normal(name))).map_err(|_| {
            ErrorKind::UnknownSurface {
                name: name.into(),
                known: self.table.surfaces.iter().map(|s| s.name.clone()).collect(),
            }
            .into()
        })
    }

    /// Position of a material in [`materials`](Self::materials).
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// assert_eq!(campaign.materials()[campaign.material("cowhide 1.2 mm")?].class.as_deref(), Some("leather"));
    /// assert!(campaign.material("cowhide").unwrap_err().to_string().contains("known materials"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownMaterial`] with the known names.
    pub fn material(&self, name: &str) -> Result<usize> {
        let find = |name: &str| self.table.materials.binary_search_by(|m| m.name.as_str().cmp(name));
        find(name).or_else(|_| find(&normal(name))).map_err(|_| {
            ErrorKind::UnknownMaterial {
                name: name.into(),
                known: self.table.materials.iter().map(|m| m.name.clone()).collect(),
            }
            .into()
        })
    }

    /// Names of the surfaces with the role laboratory, sorted.
    #[must_use]
    pub fn laboratory_surfaces(&self) -> Vec<&str> {
        self.surfaces_as(SurfaceRole::Laboratory)
    }

    /// Names of the surfaces with the role road, sorted. Surfaces without a role are in neither list.
    #[must_use]
    pub fn road_surfaces(&self) -> Vec<&str> {
        self.surfaces_as(SurfaceRole::Road)
    }

    fn surfaces_as(&self, role: SurfaceRole) -> Vec<&str> {
        self.table.surfaces.iter().filter(|s| s.role == Some(role)).map(|s| s.name.as_str()).collect()
    }

    /// The void trials, in the order of the input; each has its reason in `note`.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// assert!(campaign.voids().all(|trial| trial.note.is_some()));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn voids(&self) -> impl Iterator<Item = &Trial> {
        self.table.trials.iter().filter(|t| t.outcome == Outcome::Void)
    }

    /// Names of the columns kept as text covariates, sorted; a column without a single value is not
    /// among them.
    #[must_use]
    pub fn covariate_columns(&self) -> Vec<&str> {
        let names: BTreeSet<&str> =
            self.table.trials.iter().flat_map(|t| t.covariates.keys().map(String::as_str)).collect();
        names.into_iter().collect()
    }

    /// What the reader took as it was meant though it was written otherwise, in plain English: semicolons and decimal commas,
    /// names in capitals, rows and columns without an entry. Empty for a table that keeps to the contract, for one
    /// built in code and for a document.
    ///
    /// ```
    /// use surface_severity::campaign::Campaign;
    /// let table = "trial_id;surface;material;abrasion_time_s;outcome\nT1;belt;cowhide;3,05;Perforated\n";
    /// let campaign = Campaign::from_reader(table.as_bytes(), "trials.csv")?;
    /// assert_eq!(campaign.trials()[0].abrasion_time_s, Some(3.05));
    /// assert_eq!(campaign.reading_notes(), [
    ///     "fields are separated by semicolons",
    ///     "decimal commas are read as decimal points (numbers with one: 1)",
    ///     "column outcome: \"Perforated\" is read as perforated (line 2)",
    /// ]);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn reading_notes(&self) -> &[String] {
        &self.notes
    }

    /// SHA-256 of the canonical table and its decisions, 64 lower-case hexadecimal digits: the same
    /// for every order of rows and columns and every way of writing the same values, another as soon
    /// as one value or decision changes. The [module](crate::campaign#digest) gives the bytes that are hashed.
    ///
    /// ```
    /// use surface_severity::campaign::{Campaign, Trial};
    /// let a = Trial::perforated("T1", "asphalt", "cowhide", 4.1);
    /// let b = Trial::perforated("T2", "asphalt", "cowhide", 3.8);
    /// let digest = |trials: [&Trial; 2]| Campaign::from_trials(trials.map(Clone::clone)).map(|c| c.digest());
    /// assert_eq!(digest([&a, &b])?, digest([&b, &a])?);
    /// assert_ne!(digest([&a, &b])?, digest([&a, &b.clone().day("day 1")])?);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn digest(&self) -> String {
        self.decided.as_ref().map_or(&self.table.digest, |d| &d.digest).clone()
    }
}
