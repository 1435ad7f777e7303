//! One drop of one specimen on one surface.

use std::collections::BTreeMap;
use std::fmt;

use serde::de::{Error as _, MapAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};

use super::outcome::{Outcome, SurfaceRole};

/// One drop of one specimen on one surface, as recorded.
///
/// Field names, units and meaning are those of the columns of trials.csv. A trial on its own is
/// unchecked; a [`Campaign`](super::Campaign) holds checked ones.
///
/// ```
/// use surface_severity::campaign::{SurfaceRole, Trial};
/// let trial = Trial::perforated("T-014", "belt", "aramid knit", 1.84)
///     .surface_role(SurfaceRole::Laboratory)
///     .day("day 2")
///     .temperature_c(21.5)
///     .layers(2)
///     .covariate("operator", "second shift");
/// assert_eq!(trial.layers, Some(2));
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct Trial {
    /// Unique name of the trial.
    pub trial_id: String,
    /// Surface it slid on.
    pub surface: String,
    /// Material of the specimen.
    pub material: String,
    /// Contact to perforation, s; may be absent only where void.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub abrasion_time_s: Option<f64>,
    /// How it ended.
    pub outcome: Outcome,
    /// Class of the material; one class per material.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub material_class: Option<String>,
    /// Role of the surface; one role per surface.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub surface_role: Option<SurfaceRole>,
    /// Day it was run.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub day: Option<String>,
    /// Run it belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub run: Option<String>,
    /// Abrasive belt it was run on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub belt: Option<String>,
    /// Drops since the belt was mounted, 0 for the first; absent on roads.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub belt_drop: Option<f64>,
    /// Laboratory that ran it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub laboratory: Option<String>,
    /// Sliding speed, m/s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub speed_m_per_s: Option<f64>,
    /// Drop height, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drop_height_mm: Option<f64>,
    /// Temperature, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Normal force, N.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub normal_force_n: Option<f64>,
    /// Mass per area of the specimen, g/m².
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub specimen_mass_g_per_m2: Option<f64>,
    /// Thickness of the specimen, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub thickness_mm: Option<f64>,
    /// Number of layers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layers: Option<u32>,
    /// Free text; the reason where void.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// Columns that the contract does not know, kept as text, listed, never fitted.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty", deserialize_with = "distinct_keys")]
    pub covariates: BTreeMap<String, String>,
}

impl Trial {
    pub(super) fn new(
        id: impl Into<String>,
        surface: impl Into<String>,
        material: impl Into<String>,
        outcome: Outcome,
    ) -> Self {
        Self {
            trial_id: id.into(),
            surface: surface.into(),
            material: material.into(),
            abrasion_time_s: None,
            outcome,
            material_class: None,
            surface_role: None,
            day: None,
            run: None,
            belt: None,
            belt_drop: None,
            laboratory: None,
            speed_m_per_s: None,
            drop_height_mm: None,
            temperature_c: None,
            normal_force_n: None,
            specimen_mass_g_per_m2: None,
            thickness_mm: None,
            layers: None,
            note: None,
            covariates: BTreeMap::new(),
        }
    }

    /// How far the specimen slid in its time, m: time × speed, where both are recorded. A run-out slid at least so far.
    ///
    /// ```
    /// use surface_severity::campaign::Trial;
    /// let trial = Trial::perforated("T1", "asphalt", "cowhide", 4.0).speed_m_per_s(8.0);
    /// assert_eq!(trial.sliding_distance_m(), Some(32.0));
    /// ```
    #[must_use]
    pub fn sliding_distance_m(&self) -> Option<f64> {
        Some(self.abrasion_time_s? * self.speed_m_per_s?)
    }

    /// A specimen worn through after `abrasion_time_s` seconds.
    ///
    /// ```
    /// use surface_severity::campaign::{Outcome, Trial};
    /// let trial = Trial::perforated("T1", "asphalt", "cowhide", 4.1).thickness_mm(1.2).speed_m_per_s(8.0);
    /// assert_eq!((trial.outcome, trial.abrasion_time_s), (Outcome::Perforated, Some(4.1)));
    /// ```
    pub fn perforated(
        id: impl Into<String>,
        surface: impl Into<String>,
        material: impl Into<String>,
        abrasion_time_s: f64,
    ) -> Self {
        Self { abrasion_time_s: Some(abrasion_time_s), ..Self::new(id, surface, material, Outcome::Perforated) }
    }

    /// A specimen that had not worn through when the run ended after `run_length_s` seconds.
    ///
    /// ```
    /// use surface_severity::campaign::{Outcome, Trial};
    /// // Still whole when the run ended after 20 s: it would have lasted longer.
    /// let trial = Trial::run_out("T1", "polished asphalt", "double leather", 20.0);
    /// assert_eq!((trial.outcome, trial.abrasion_time_s), (Outcome::RunOut, Some(20.0)));
    /// ```
    pub fn run_out(
        id: impl Into<String>,
        surface: impl Into<String>,
        material: impl Into<String>,
        run_length_s: f64,
    ) -> Self {
        Self { abrasion_time_s: Some(run_length_s), ..Self::new(id, surface, material, Outcome::RunOut) }
    }

    /// A specimen that failed within the time resolution of `resolution_s` seconds.
    ///
    /// ```
    /// use surface_severity::campaign::{Outcome, Trial};
    /// // Open before the clock could tell: it lasted less than 0.05 s.
    /// let trial = Trial::opened_at_contact("T1", "chip seal", "cotton shirt cloth", 0.05);
    /// assert_eq!((trial.outcome, trial.abrasion_time_s), (Outcome::OpenedAtContact, Some(0.05)));
    /// ```
    pub fn opened_at_contact(
        id: impl Into<String>,
        surface: impl Into<String>,
        material: impl Into<String>,
        resolution_s: f64,
    ) -> Self {
        Self { abrasion_time_s: Some(resolution_s), ..Self::new(id, surface, material, Outcome::OpenedAtContact) }
    }

    /// A trial that counts for nothing, for `reason`.
    ///
    /// ```
    /// use surface_severity::campaign::{Outcome, Trial};
    /// let trial = Trial::void("T1", "asphalt", "cowhide", "belt slipped").abrasion_time_s(2.2);
    /// assert_eq!((trial.outcome, trial.note.as_deref()), (Outcome::Void, Some("belt slipped")));
    /// ```
    pub fn void(
        id: impl Into<String>,
        surface: impl Into<String>,
        material: impl Into<String>,
        reason: impl Into<String>,
    ) -> Self {
        Self { note: Some(reason.into()), ..Self::new(id, surface, material, Outcome::Void) }
    }

    /// Sets the class of the material.
    #[must_use]
    pub fn material_class(mut self, class: impl Into<String>) -> Self {
        self.material_class = Some(class.into());
        self
    }

    /// Sets the role of the surface.
    #[must_use]
    pub fn surface_role(mut self, role: SurfaceRole) -> Self {
        self.surface_role = Some(role);
        self
    }

    /// Sets the day.
    #[must_use]
    pub fn day(mut self, day: impl Into<String>) -> Self {
        self.day = Some(day.into());
        self
    }

    /// Sets the run.
    #[must_use]
    pub fn run(mut self, run: impl Into<String>) -> Self {
        self.run = Some(run.into());
        self
    }

    /// Sets the belt.
    #[must_use]
    pub fn belt(mut self, belt: impl Into<String>) -> Self {
        self.belt = Some(belt.into());
        self
    }

    /// Sets the drops since the belt was mounted; zero or more.
    #[must_use]
    pub fn belt_drop(mut self, drops: f64) -> Self {
        self.belt_drop = Some(drops);
        self
    }

    /// Sets the laboratory.
    #[must_use]
    pub fn laboratory(mut self, laboratory: impl Into<String>) -> Self {
        self.laboratory = Some(laboratory.into());
        self
    }

    /// Sets the sliding speed, m/s; positive.
    #[must_use]
    pub fn speed_m_per_s(mut self, speed_m_per_s: f64) -> Self {
        self.speed_m_per_s = Some(speed_m_per_s);
        self
    }

    /// Sets the drop height, mm; zero or more.
    #[must_use]
    pub fn drop_height_mm(mut self, drop_height_mm: f64) -> Self {
        self.drop_height_mm = Some(drop_height_mm);
        self
    }

    /// Sets the temperature, °C.
    #[must_use]
    pub fn temperature_c(mut self, temperature_c: f64) -> Self {
        self.temperature_c = Some(temperature_c);
        self
    }

    /// Sets the normal force, N; positive.
    #[must_use]
    pub fn normal_force_n(mut self, normal_force_n: f64) -> Self {
        self.normal_force_n = Some(normal_force_n);
        self
    }

    /// Sets the mass per area of the specimen, g/m²; positive.
    #[must_use]
    pub fn specimen_mass_g_per_m2(mut self, specimen_mass_g_per_m2: f64) -> Self {
        self.specimen_mass_g_per_m2 = Some(specimen_mass_g_per_m2);
        self
    }

    /// Sets the thickness of the specimen, mm; positive.
    #[must_use]
    pub fn thickness_mm(mut self, thickness_mm: f64) -> Self {
        self.thickness_mm = Some(thickness_mm);
        self
    }

    /// Sets the number of layers; 1 or more.
    #[must_use]
    pub fn layers(mut self, layers: u32) -> Self {
        self.layers = Some(layers);
        self
    }

    /// Sets the abrasion time, s; for a void trial whose clock did run (the other constructors
    /// already take it).
    #[must_use]
    pub fn abrasion_time_s(mut self, abrasion_time_s: f64) -> Self {
        self.abrasion_time_s = Some(abrasion_time_s);
        self
    }

    /// Sets the note.
    #[must_use]
    pub fn note(mut self, note: impl Into<String>) -> Self {
        self.note = Some(note.into());
        self
    }

    /// Adds a text covariate, as an unknown column of trials.csv would; a later value for the same
    /// column replaces the earlier one.
    #[must_use]
    pub fn covariate(mut self, column: impl Into<String>, text: impl Into<String>) -> Self {
        self.covariates.insert(column.into(), text.into());
        self
    }
}

/// Like the derived reading of a map, but a repeated key is an error instead of the last one winning.
fn distinct_keys<'de, D: Deserializer<'de>>(deserializer: D) -> Result<BTreeMap<String, String>, D::Error> {
    struct Distinct;
    impl<'de> Visitor<'de> for Distinct {
        type Value = BTreeMap<String, String>;
        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("a map from column name to text")
        }
        fn visit_map<A: MapAccess<'de>>(self, mut access: A) -> Result<Self::Value, A::Error> {
            let mut map = BTreeMap::new();
            while let Some((column, text)) = access.next_entry::<String, String>()? {
                if map.contains_key(&column) {
                    return Err(A::Error::custom(format_args!("covariate {column:?} is given twice")));
                }
                map.insert(column, text);
            }
            Ok(map)
        }
    }
    deserializer.deserialize_map(Distinct)
}
