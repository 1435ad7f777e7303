//! The columns of trials.csv: names, order, units, and what each accepts.

use super::number::Quantity;
use super::outcome::Outcome;
use super::sheet::Contract;
use super::trial::Trial;

/// Shortest abrasion time that is taken, s: no clock of these machines tells less.
pub(crate) const SHORTEST_TIME_S: f64 = 1e-4;
/// Longest abrasion time that is taken, s: more than a day.
pub(crate) const LONGEST_TIME_S: f64 = 1e5;

/// A column of [`TRIALS`], in the fixed order of problems, of the written table and of the digest.
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
    BeltDrop,
    Laboratory,
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
    pub(super) const ALL: [Self; 20] = [
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
        Self::BeltDrop,
        Self::Laboratory,
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
    pub(super) const DECIMAL: [Self; 8] = [
        Self::AbrasionTime,
        Self::BeltDrop,
        Self::Speed,
        Self::DropHeight,
        Self::Temperature,
        Self::NormalForce,
        Self::SpecimenMass,
        Self::Thickness,
    ];

    pub(super) fn name(self) -> &'static str {
        TRIALS.columns[usize::from(self.rank())]
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

    /// What it holds where it holds numbers.
    pub(super) fn quantity(self) -> Quantity {
        let absent = if self == Self::AbrasionTime {
            "(a trial without a valid time is void, with the reason in note and nothing here)"
        } else {
            "(or nothing where it was not measured)"
        };
        Quantity {
            words: self.words(),
            unit: self.unit(),
            absent,
            is_time: self == Self::AbrasionTime,
            is_count: self == Self::Layers,
        }
    }

    /// The number it holds, in words; empty for text columns.
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::AbrasionTime => "a positive number of seconds such as 2.31",
            Self::Speed => "a positive number of m/s such as 8.0",
            Self::BeltDrop => "the number of drops since the belt was mounted, zero or more, such as 12",
            Self::DropHeight => "a number of mm, zero or more, such as 50",
            Self::Temperature => "a number of °C such as 21.5",
            Self::NormalForce => "a positive number of N such as 120",
            Self::SpecimenMass => "a positive number of g/m² such as 410",
            Self::Thickness => "a positive number of mm such as 1.2",
            Self::Layers => "a whole number of layers, 1 or more",
            _ => "",
        }
    }

    fn unit(self) -> &'static str {
        match self {
            Self::AbrasionTime => "s",
            Self::Speed => "m/s",
            Self::DropHeight | Self::Thickness => "mm",
            Self::Temperature => "°C",
            Self::NormalForce => "N",
            Self::SpecimenMass => "g/m²",
            Self::BeltDrop => "drops",
            Self::Layers => "layers",
            _ => "",
        }
    }

    /// What is wrong with a value of this decimal column, as the text of what was expected.
    pub(super) fn refuse(self, value: f64, outcome: Option<Outcome>) -> Option<String> {
        let words = self.words();
        if !value.is_finite() {
            return Some(format!("{words} {}", self.quantity().absent));
        }
        match self {
            Self::Temperature => None,
            Self::DropHeight | Self::BeltDrop => (value < 0.0).then(|| words.to_string()),
            Self::AbrasionTime if value <= 0.0 => Some(match outcome {
                _ if value < 0.0 => words.to_string(),
                Some(Outcome::Void) => format!("{words}, or nothing because the outcome is void"),
                _ => format!(
                    "{words} (a specimen that failed within the time resolution is opened_at_contact, with that resolution as its time)"
                ),
            }),
            Self::AbrasionTime => refuse_time(value),
            _ => (value <= 0.0).then(|| words.to_string()),
        }
    }

    pub(super) fn decimal(self, trial: &Trial) -> Option<f64> {
        match self {
            Self::AbrasionTime => trial.abrasion_time_s,
            Self::BeltDrop => trial.belt_drop,
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
            Self::BeltDrop => Some(&mut trial.belt_drop),
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
            Self::Laboratory => trial.laboratory.as_deref(),
            Self::Note => trial.note.as_deref(),
            _ => None,
        }
    }
}

/// What was expected of a time that no clock gives.
pub(crate) fn refuse_time(time_s: f64) -> Option<String> {
    (!(SHORTEST_TIME_S..=LONGEST_TIME_S).contains(&time_s))
        .then(|| "a time that a clock gives, from 0.0001 s to 100000 s; are these seconds?".into())
}

/// The trial table.
pub(super) static TRIALS: Contract = Contract {
    columns: &[
        "trial_id",
        "surface",
        "material",
        "abrasion_time_s",
        "outcome",
        "material_class",
        "surface_role",
        "day",
        "run",
        "belt",
        "belt_drop",
        "laboratory",
        "speed_m_per_s",
        "drop_height_mm",
        "temperature_c",
        "normal_force_n",
        "specimen_mass_g_per_m2",
        "thickness_mm",
        "layers",
        "note",
    ],
    required: Column::REQUIRED,
    decimals: &[3, 10, 12, 13, 14, 15, 16, 17],
    row: "a trial",
    meant,
};

/// The column that people call by another name: nothing is read so, but they are asked.
pub(super) fn meant(name: &str) -> Option<&'static str> {
    const OTHER_NAMES: [(&str, &[&str]); 19] = [
        ("trial_id", &["id", "trial", "trialno", "trialnumber", "test", "testid", "specimen", "specimenid", "sample"]),
        ("surface", &["road", "track", "pavement", "surfacename"]),
        ("material", &["fabric", "cloth", "materialname", "product"]),
        ("abrasion_time_s", &["time", "times", "seconds", "abrasiontime", "abrasion", "zeit", "duration"]),
        ("outcome", &["result", "status", "ergebnis"]),
        ("day", &["date", "datum", "tag", "jour", "fecha", "testday", "testdate"]),
        ("run", &["operator", "person", "tester", "shift", "runid", "runno", "series"]),
        ("belt", &["beltid", "beltno", "band", "paper", "abrasive"]),
        ("belt_drop", &["dropno", "dropnumber", "dropsonbelt", "beltage", "beltdrops"]),
        ("laboratory", &["lab", "labor", "institute", "testhouse"]),
        ("material_class", &["class", "klasse", "classe", "family", "materialtype"]),
        ("surface_role", &["role", "rolle", "surfacetype"]),
        ("speed_m_per_s", &["speed", "velocity", "geschwindigkeit"]),
        ("drop_height_mm", &["height", "dropheight"]),
        ("temperature_c", &["temp", "temperature", "temperatur"]),
        ("normal_force_n", &["force", "normalforce", "load"]),
        ("specimen_mass_g_per_m2", &["mass", "weight", "gsm", "specimenmass", "arealmass"]),
        ("thickness_mm", &["thickness", "dicke"]),
        ("note", &["notes", "comment", "comments", "remark", "remarks", "bemerkung"]),
    ];
    let name: String = letters(name).collect();
    let is = |other: &str| name == other || (other.len() >= 5 && name.starts_with(other));
    let exactly = OTHER_NAMES.iter().find(|(_, others)| others.contains(&name.as_str()));
    exactly.or_else(|| OTHER_NAMES.iter().find(|(_, others)| others.iter().any(|o| is(o)))).map(|(column, _)| *column)
}

/// True where two names are equal but for case and punctuation.
pub(crate) fn resemble(a: &str, b: &str) -> bool {
    letters(a).eq(letters(b))
}

fn letters(name: &str) -> impl Iterator<Item = char> {
    name.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase)
}

/// Offending text for a message: cut when long, with its length.
pub(crate) fn excerpt(text: &str) -> String {
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
