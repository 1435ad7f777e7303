//! What every fit of a campaign starts from: cells, what is finite, numbering, notes.

use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};
use crate::estimate::{BoundSide, check_level};

use super::cells::{Cell, Cells};
use super::identify::{Link, Standing, Standings, standings};
use super::newton::LogTime;
use super::note::Note;
use super::plan::Severity;
use super::scale::Numbering;

/// Everything about a campaign that does not depend on the values of weights: shared by the fit
/// and its bootstrap replicates.
#[derive(Debug, Clone)]
pub(crate) struct Prepared {
    pub(crate) cells: Cells,
    pub(crate) standings: Standings,
    pub(crate) numbering: Numbering,
    pub(crate) reference: usize,
}

impl Prepared {
    /// With what covariates do to log times taken off, so that every time is one at the nominal values; effects that are
    /// to be estimated are those of the plan's own fit.
    pub(crate) fn new(plan: &Severity, campaign: &Campaign) -> Result<Self> {
        if plan.covariates.is_empty() && !campaign.records_belt_drop() {
            return Self::shifted(plan, campaign, None);
        }
        Self::shifted(plan, campaign, plan.fit(campaign)?.shift())
    }

    /// With `shift` of each trial of the campaign taken off log times.
    pub(crate) fn shifted(plan: &Severity, campaign: &Campaign, shift: Option<&[f64]>) -> Result<Self> {
        check_level(plan.level)?;
        let reference = campaign.surface(&plan.reference)?;
        if let Some(step) = plan.time_resolution_s
            && !(step > 0.0 && step.is_finite())
        {
            return Err(ErrorKind::option("time_resolution_s", step, "a positive, finite number of seconds"));
        }
        let mut cells = Cells::new(campaign, plan.time_resolution_s);
        if let Some(shift) = shift {
            cells.take_off(shift);
        }
        let links: Vec<Link> =
            cells.with_kinds().map(|(c, kinds)| Link { material: c.material, surface: c.surface, kinds }).collect();
        let materials: Vec<String> = campaign.materials().iter().map(|m| m.name.clone()).collect();
        let surfaces: Vec<String> = campaign.surfaces().iter().map(|s| s.name.clone()).collect();
        let standings = standings(&links, &materials, &surfaces, reference)?;
        let numbering = Numbering::new(&standings, reference);
        if numbering.groups == 0 {
            return Err(ErrorKind::NotEstimable {
                quantity: format!("a scale relative to surface {:?}", plan.reference),
                reason: "no material was worn through on the reference surface, so none has a finite durability \
                         there; choose another reference"
                    .into(),
            }
            .into());
        }
        Ok(Self { cells, standings, numbering, reference })
    }

    pub(crate) fn notes(&self, campaign: &Campaign, fitted: usize) -> Vec<Note> {
        let mut notes = Vec::new();
        let voids = campaign.void_count();
        if voids > 0 {
            notes.push(Note::Voids { trials: voids });
        }
        notes.extend(campaign.decisions().iter().map(|d| Note::SetAside {
            trial_id: d.trial_id.clone(),
            reason: d.reason.clone(),
            decided_by: d.decided_by.clone(),
        }));
        let outside = self.cells.times.len() - fitted;
        if outside > 0 {
            notes.push(Note::OffScale { trials: outside });
        }
        let name = |standing: &Standing, name: &str| match standing {
            Standing::Finite => None,
            Standing::Beyond(BoundSide::AtLeast) => {
                Some(Note::Unbounded { name: name.into(), side: BoundSide::AtLeast })
            }
            Standing::Beyond(BoundSide::AtMost) => Some(Note::Unbounded { name: name.into(), side: BoundSide::AtMost }),
            Standing::Loose => Some(Note::NotPlaced { name: name.into() }),
            Standing::Untested => Some(Note::Untested { name: name.into() }),
        };
        notes.extend(self.standings.materials.iter().zip(campaign.materials()).filter_map(|(s, m)| name(s, &m.name)));
        notes.extend(self.standings.surfaces.iter().zip(campaign.surfaces()).filter_map(|(s, m)| name(s, &m.name)));
        notes.extend((0..campaign.materials().len()).filter_map(|m| {
            let held = self.standings.materials[m] == Standing::Finite;
            self.held_by_one(campaign, &campaign.materials()[m].name, held, self.cells.of_material(m))
        }));
        let on_surface = self.cells.by_surface(campaign.surfaces().len());
        for (s, surface) in campaign.surfaces().iter().enumerate() {
            let held = self.standings.surfaces[s] == Standing::Finite;
            notes.extend(self.held_by_one(campaign, &surface.name, held, on_surface[s].iter().copied()));
            if held && s != self.reference {
                notes.extend(self.one_material(campaign, s, &on_surface[s]));
            }
        }
        notes
    }

    fn held_by_one(
        &self,
        campaign: &Campaign,
        name: &str,
        held: bool,
        cells: impl Iterator<Item = usize>,
    ) -> Option<Note> {
        let (mut trials, mut exact, mut last) = (0, 0, None);
        for at in cells.filter(|_| held) {
            let kinds = self.cells.kinds[at];
            trials += kinds.total();
            exact += kinds.exact;
            last = if kinds.exact > 0 { Some(&self.cells.cells[at]) } else { last };
        }
        let censored = |&i: &usize| matches!(self.cells.times[i], LogTime::Right(_) | LogTime::Left(_));
        match (trials, exact, last.and_then(|c| (c.start..c.end).find(|i| !censored(i)))) {
            (2.., 1, Some(one)) => Some(Note::HeldByOneTrial {
                name: name.into(),
                trial_id: campaign.trials()[self.cells.trial[one]].trial_id.clone(),
                trials,
            }),
            _ => None,
        }
    }

    fn one_material(&self, campaign: &Campaign, s: usize, cells: &[usize]) -> Option<Note> {
        let cells = || cells.iter().map(|&at| &self.cells.cells[at]);
        let total: usize = cells().map(Cell::len).sum();
        let largest = cells().max_by_key(|c| c.len())?;
        // With a single material in the whole campaign there is nothing to compare with.
        (largest.len() * 5 >= total * 4 && campaign.materials().len() > 1).then(|| Note::OneMaterialDecides {
            surface: campaign.surfaces()[s].name.clone(),
            material: campaign.materials()[largest.material].name.clone(),
            percent: 100 * largest.len() / total,
        })
    }
}
