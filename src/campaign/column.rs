//! The columns of trials.csv: names, order, units, and what each accepts.

use super::outcome::Outcome;
use super::trial::Trial;

/// Longest label (id, surface, material, class, role, day, run, belt, column name), in characters.
/// A longer one is nearly always a quotation mark that was left open.
pub(super) const LONGEST_LABEL: usize = 200;
/// Longest note or covariate, in characters.
pub(super) const LONGEST_TEXT: usize = 10_000;

/// A column of the contract, in the fixed order of problems, of the written table and of the digest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub(super) enum Column {
    TrialId,
    Surface,
    Material,
    AbrasionTime,
    Outcome,
    MaterialClass,
    SurfaceRole,
    Day,
    Run,
    Belt,
    Speed,
    DropHeight,
    Temperature,
    NormalForce,
    SpecimenMass,
    Thickness,
    Layers,
    Note,
}

impl Column {
    pub(super) const ALL: [Self; 18] = [
        Self::TrialId,
        Self::Surface,
        Self::Material,
        Self::AbrasionTime,
        Self::Outcome,
        Self::MaterialClass,
        Self::SurfaceRole,
        Self::Day,
        Self::Run,
        Self::Belt,
        Self::Speed,
        Self::DropHeight,
        Self::Temperature,
        Self::NormalForce,
        Self::SpecimenMass,
        Self::Thickness,
        Self::Layers,
        Self::Note,
    ];
    /// How many of [`ALL`](Self::ALL), from the front, every table must have.
    pub(super) const REQUIRED: usize = 5;
    /// The decimal columns.
    pub(super) const DECIMAL: [Self; 7] = [
        Self::AbrasionTime,
        Self::Speed,
        Self::DropHeight,
        Self::Temperature,
        Self::NormalForce,
        Self::SpecimenMass,
        Self::Thickness,
    ];

    pub(super) fn name(self) -> &'static str {
        match self {
            Self::TrialId => "trial_id",
            Self::Surface => "surface",
            Self::Material => "material",
            Self::AbrasionTime => "abrasion_time_s",
            Self::Outcome => "outcome",
            Self::MaterialClass => "material_class",
            Self::SurfaceRole => "surface_role",
            Self::Day => "day",
            Self::Run => "run",
            Self::Belt => "belt",
            Self::Speed => "speed_m_per_s",
            Self::DropHeight => "drop_height_mm",
            Self::Temperature => "temperature_c",
            Self::NormalForce => "normal_force_n",
            Self::SpecimenMass => "specimen_mass_g_per_m2",
            Self::Thickness => "thickness_mm",
            Self::Layers => "layers",
            Self::Note => "note",
        }
    }

    /// Its rank among the problems of one row.
    pub(super) fn rank(self) -> u8 {
        self as u8
    }

    pub(super) fn bit(self) -> u32 {
        1 << self.rank()
    }

    pub(super) fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|c| c.name() == name)
    }

    /// The column that `name` resembles: equal but for case and punctuation. "Abrasion time (s)"
    /// and "Belt" would otherwise become covariates without a word.
    pub(super) fn resembling(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|c| resemble(name, c.name()))
    }

    /// The number it holds, in words; empty for text columns.
    pub(super) fn quantity(self) -> &'static str {
        match self {
            Self::AbrasionTime => "a positive number of seconds such as 2.31",
            Self::Speed => "a positive number of m/s such as 8.0",
            Self::DropHeight => "a number of mm, zero or more, such as 50",
            Self::Temperature => "a number of °C such as 21.5",
            Self::NormalForce => "a positive number of N such as 120",
            Self::SpecimenMass => "a positive number of g/m² such as 410",
            Self::Thickness => "a positive number of mm such as 1.2",
            Self::Layers => "a whole number of layers, 1 or more",
            _ => "",
        }
    }

    /// Its unit, for telling people to leave it out.
    pub(super) fn unit(self) -> &'static str {
        match self {
            Self::AbrasionTime => "s",
            Self::Speed => "m/s",
            Self::DropHeight | Self::Thickness => "mm",
            Self::Temperature => "°C",
            Self::NormalForce => "N",
            Self::SpecimenMass => "g/m²",
            Self::Layers => "layers",
            _ => "",
        }
    }

    /// What is wrong with a value of this decimal column, as the text of what was expected.
    pub(super) fn refuse(self, value: f64, outcome: Option<Outcome>) -> Option<String> {
        let quantity = self.quantity();
        if !value.is_finite() {
            return Some(self.not_a_measurement());
        }
        match self {
            Self::Temperature => None,
            Self::DropHeight => (value < 0.0).then(|| quantity.to_string()),
            Self::AbrasionTime if value <= 0.0 => Some(match outcome {
                _ if value < 0.0 => quantity.to_string(),
                Some(Outcome::Void) => format!("{quantity}, or nothing because the outcome is void"),
                _ => format!(
                    "{quantity} (a specimen that failed within the time resolution is opened_at_contact, with that resolution as its time)"
                ),
            }),
            _ => (value <= 0.0).then(|| quantity.to_string()),
        }
    }

    /// What to do about NaN, infinity, "NA" and their kin.
    pub(super) fn not_a_measurement(self) -> String {
        let quantity = self.quantity();
        if self == Self::AbrasionTime {
            format!("{quantity} (a trial without a valid time is void, with the reason in note and nothing here)")
        } else {
            format!("{quantity}, or nothing where it was not measured")
        }
    }

    pub(super) fn decimal(self, trial: &Trial) -> Option<f64> {
        match self {
            Self::AbrasionTime => trial.abrasion_time_s,
            Self::Speed => trial.speed_m_per_s,
            Self::DropHeight => trial.drop_height_mm,
            Self::Temperature => trial.temperature_c,
            Self::NormalForce => trial.normal_force_n,
            Self::SpecimenMass => trial.specimen_mass_g_per_m2,
            Self::Thickness => trial.thickness_mm,
            _ => None,
        }
    }

    pub(super) fn decimal_mut(self, trial: &mut Trial) -> Option<&mut Option<f64>> {
        match self {
            Self::AbrasionTime => Some(&mut trial.abrasion_time_s),
            Self::Speed => Some(&mut trial.speed_m_per_s),
            Self::DropHeight => Some(&mut trial.drop_height_mm),
            Self::Temperature => Some(&mut trial.temperature_c),
            Self::NormalForce => Some(&mut trial.normal_force_n),
            Self::SpecimenMass => Some(&mut trial.specimen_mass_g_per_m2),
            Self::Thickness => Some(&mut trial.thickness_mm),
            _ => None,
        }
    }

    pub(super) fn optional_text(self, trial: &Trial) -> Option<&str> {
        match self {
            Self::MaterialClass => trial.material_class.as_deref(),
            Self::Day => trial.day.as_deref(),
            Self::Run => trial.run.as_deref(),
            Self::Belt => trial.belt.as_deref(),
            Self::Note => trial.note.as_deref(),
            _ => None,
        }
    }
}

/// True where two names are equal but for case and punctuation.
pub(super) fn resemble(a: &str, b: &str) -> bool {
    letters(a).eq(letters(b))
}

fn letters(name: &str) -> impl Iterator<Item = char> {
    name.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase)
}

/// Offending text for a message: cut when long, with its length.
pub(super) fn excerpt(text: &str) -> String {
    const SHOWN: usize = 60;
    let length = text.chars().count();
    if length <= SHOWN + 20 {
        return text.to_string();
    }
    let start: String = text.chars().take(SHOWN).collect();
    format!("{start}... ({length} characters)")
}

/// The shortest decimal text that reads back as the same number; scientific where plain digits
/// would be unreasonably long.
pub(super) fn shortest(value: f64) -> String {
    if value == 0.0 || (1e-5..1e16).contains(&value.abs()) { format!("{value}") } else { format!("{value:e}") }
}
