//! A campaign in words and as a document.

use super::decision::Decisions;
use super::table::{Campaign, SCHEMA};
use super::trial::Trial;
use crate::error::{Error, ErrorKind, Result};
use serde::ser::SerializeStruct;
use serde::{Deserialize, Serialize, Serializer};
use std::fmt;

/// One line, such as `160 trials (3 void) of 8 materials on 5 surfaces (1 laboratory, 4 road)`.
impl fmt::Display for Campaign {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", Count(self.len(), "trial"))?;
        match (self.voids().count(), self.decisions().len()) {
            (0, 0) => {}
            (voids, 0) => write!(f, " ({voids} void)")?,
            (0, aside) => write!(f, " ({aside} set aside)")?,
            (voids, aside) => write!(f, " ({voids} void, {aside} set aside)")?,
        }
        write!(
            f,
            " of {} on {}",
            Count(self.table.materials.len(), "material"),
            Count(self.table.surfaces.len(), "surface")
        )?;
        match (self.laboratory_surfaces().len(), self.road_surfaces().len()) {
            (0, 0) => Ok(()),
            (laboratory, road) => {
                let unknown = self.table.surfaces.len() - laboratory - road;
                write!(f, " ({laboratory} laboratory, {road} road")?;
                if unknown > 0 {
                    write!(f, ", {unknown} without a role")?;
                }
                f.write_str(")")
            }
        }
    }
}

struct Count(usize, &'static str);

impl fmt::Display for Count {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}{}", self.0, self.1, if self.0 == 1 { "" } else { "s" })
    }
}

impl fmt::Debug for Campaign {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Campaign({self}; digest {})", &self.digest()[..12])
    }
}

/// `{"schema": "surface-severity/campaign/1", "trials": [...], "decisions": [...]}`; a trial has the
/// fields of [`Trial`], absent ones left out, as are decisions where there are none.
impl Serialize for Campaign {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let decisions = self.decisions();
        let fields = if decisions.is_empty() { 2 } else { 3 };
        let mut document = serializer.serialize_struct("Campaign", fields)?;
        document.serialize_field("schema", SCHEMA)?;
        document.serialize_field("trials", &self.table.trials)?;
        if !decisions.is_empty() {
            document.serialize_field("decisions", decisions)?;
        }
        document.end()
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Document {
    schema: String,
    trials: Vec<Trial>,
    #[serde(default)]
    decisions: Decisions,
}

impl TryFrom<Document> for Campaign {
    type Error = Error;
    fn try_from(document: Document) -> Result<Self> {
        if document.schema != SCHEMA {
            let reason = format!("its schema is {:?}, expected {SCHEMA:?}", document.schema);
            return Err(ErrorKind::document("campaign document", reason));
        }
        Self::from_trials(document.trials)?.with_decisions(&document.decisions)
    }
}
