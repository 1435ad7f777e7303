//! What stands around a campaign: earlier seasons, and roads of which only the texture is known.

use serde::{Serialize, Serializer};

use super::plan::Study;
use super::result::{NotHad, Stage};
use crate::error::Result;
use crate::estimate::Interval;
use crate::laboratory::{Seasons, TextureLine};
use crate::severity::{SeverityDocument, SeverityFit};

/// What the texture of roads says.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::study::Study;
/// let depths = [
///     ("dense asphalt concrete", 0.6), ("stone mastic asphalt", 0.9), ("polished fine asphalt", 0.3),
///     ("worn surface dressing", 1.2), ("coarse surface dressing", 2.2), ("ring road", 0.8),
/// ];
/// let result = Study::new(plan).texture(depths).run(&campaign, None)?;
/// let texture = result.conclusions.texture.as_ref().unwrap();
/// assert_eq!((texture.line.surfaces, texture.never_driven[0].0.as_str()), (5, "ring road"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Texture {
    /// The line through the roads that were driven.
    pub line: TextureLine,
    /// Roads that were not: name, texture in mm and the factor of one such road, or why there is none.
    pub never_driven: Vec<(String, f64, std::result::Result<Interval, String>)>,
}

/// Of earlier scales a plan says which they were.
pub(super) fn digests<S: Serializer>(
    scales: &[SeverityDocument],
    serializer: S,
) -> std::result::Result<S::Ok, S::Error> {
    serializer.collect_seq(scales.iter().map(|s| &s.campaign_digest))
}

impl Study {
    pub(super) fn seasons(&self, severity: &SeverityFit, not_had: &mut Vec<NotHad>) -> Option<Seasons> {
        if self.seasons.is_empty() {
            return None;
        }
        let found = Seasons::of(&self.seasons, &severity.document(None));
        found.map_err(|e| NotHad::of(Stage::Seasons, None, &e, not_had)).ok()
    }

    pub(super) fn textures(&self, severity: &SeverityFit, not_had: &mut Vec<NotHad>) -> Option<Texture> {
        if self.texture.is_empty() {
            return None;
        }
        let scale = severity.document(None);
        // A road without an estimate of its own is one that was not driven.
        let driven = |name: &str| severity.log_factor_between(name, severity.reference()).is_ok();
        let (on, off): (Vec<&(String, f64)>, Vec<_>) = self.texture.iter().partition(|t| driven(&t.0));
        let on: Vec<(&str, f64)> = on.into_iter().map(|(name, mm)| (name.as_str(), *mm)).collect();
        let found: Result<TextureLine> = TextureLine::fit(&scale, &on);
        let line = found.map_err(|e| NotHad::of(Stage::Texture, None, &e, not_had)).ok()?;
        let at = |mm: f64| line.factor_at(mm).map_err(|e| e.to_string());
        let never_driven = off.into_iter().map(|(name, mm)| (name.clone(), *mm, at(*mm))).collect();
        Some(Texture { line, never_driven })
    }
}
