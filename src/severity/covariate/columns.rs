//! The fixed columns of a fit that its covariates make.

use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod};
use crate::numeric::special::finite;

use super::super::cells::Crossed;
use super::super::mixed::Contrast;
use super::super::note::Note;
use super::super::plan::Severity;
use super::{Covariate, CovariateEffect, Form, Part};

/// A class has an exponent of its own where its largest value is so many times its smallest: not for what a dial wobbles.
const LEAST_RATIO: f64 = 1.2;

/// Why what it does may be in the ratios of surfaces.
const COINCIDE: &str = "coincide with materials and surfaces";

/// What a fixed column stands for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::severity) enum Role {
    /// γ of the covariate at this place.
    Effect(usize),
    /// Trials without a value share a shift of their own.
    Unrecorded,
}

/// The covariates of a fit; values by trial of the campaign.
#[derive(Debug, Clone, Default)]
pub(in crate::severity) struct Covariates {
    pub(in crate::severity) list: Vec<Covariate>,
    distances: Vec<Vec<f64>>,
    ranges: Vec<(f64, f64, usize)>,
    /// Columns to be estimated.
    pub(in crate::severity) columns: Vec<(Role, Vec<f64>)>,
    pub(in crate::severity) notes: Vec<Note>,
    pub(in crate::severity) undetermined: Vec<String>,
}

impl Covariates {
    /// Those of the plan and, where the table records it, belt wear; `trials` are those of the design, in its order.
    pub(in crate::severity) fn of(
        plan: &Severity,
        campaign: &Campaign,
        design: &Crossed,
        trials: &[usize],
    ) -> Result<Self> {
        let mut found = Self::default();
        let wear = Covariate::belt_wear();
        let own = campaign.records_belt_drop() && !plan.covariates.iter().any(|c| c.is_belt_wear() && c.part.is_none());
        // Belt wear first, so that what is tested beside it is told from it.
        let of_table = own.then_some((&wear, false)).into_iter();
        for (covariate, asked) in of_table.chain(plan.covariates.iter().map(|c| (c, true))) {
            covariate.check()?;
            if found.list.iter().any(|c| c.column == covariate.column && covariate.part.is_none()) {
                return Err(ErrorKind::option("covariate", &covariate.column, "each column once"));
            }
            let parts = covariate.parts(trials.iter().map(|&i| &campaign.trials()[i]))?;
            let before = found.list.len();
            let several = parts.len() > 1;
            for part in &parts {
                found.add(part, asked && !several, campaign, design, trials)?;
            }
            if asked && found.list.len() == before {
                let quantity = format!("the effect of {}", covariate.column);
                return Err(
                    ErrorKind::NotEstimable { quantity, reason: "no part of it can be told apart".into() }.into()
                );
            }
        }
        Ok(found)
    }

    fn add(
        &mut self,
        covariate: &Covariate,
        asked: bool,
        campaign: &Campaign,
        design: &Crossed,
        trials: &[usize],
    ) -> Result<()> {
        let all = campaign.trials();
        let mut recorded = vec![None; all.len()];
        for &i in trials {
            recorded[i] = covariate.distance(&all[i])?;
        }
        let surface = |i: usize| campaign.surface_index()[i] as usize;
        let mut acts = vec![false; campaign.surfaces().len()];
        for &i in trials {
            let role = campaign.surfaces()[surface(i)].role;
            let fits = covariate.role.is_none() || role.is_none() || role == covariate.role;
            acts[surface(i)] |= recorded[i].is_some() && fits;
        }
        // Trials that were not fitted are shifted like the others: they give bounds.
        let mut distance = vec![0.0; all.len()];
        for (i, d) in distance.iter_mut().enumerate().filter(|(i, _)| acts[surface(*i)]) {
            *d = covariate.distance(&all[i])?.unwrap_or(0.0);
        }
        let acted: Vec<usize> = trials.iter().copied().filter(|&i| acts[surface(i)]).collect();
        let concerned = acted.iter().filter(|&&i| covariate.concerns(&all[i]));
        let values: Vec<f64> = concerned.filter_map(|&i| covariate.value(&all[i]).ok()?).collect();
        let lowest = values.iter().copied().fold(f64::INFINITY, f64::min);
        let highest = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let told_apart = || self.separable(design, trials, &distance);
        let reason = unfit(covariate, (lowest, highest, values.len()), told_apart);
        if let Some(reason) = reason {
            if asked {
                return Err(ErrorKind::NotEstimable { quantity: format!("the effect of {covariate}"), reason }.into());
            }
            if lowest < highest && reason.ends_with(COINCIDE) {
                self.undetermined.push(format!("{covariate}: {reason}"));
            }
            self.notes.push(Note::CovariateNotFitted { column: covariate.to_string(), reason });
            return Ok(());
        }
        let beyond = match covariate.form {
            Form::Linear { nominal } | Form::PowerLaw { nominal } => !(lowest..=highest).contains(&nominal),
            Form::Steps { .. } | Form::Categories { .. } => false,
        };
        if beyond && covariate.part != Some(Part::Square) {
            let (column, nominal) = (covariate.to_string(), covariate.nominal());
            let range = format!("{lowest} to {highest}");
            self.notes.push(Note::BeyondRecorded { column, nominal, range });
        }
        let at = self.list.len();
        if covariate.given.is_none() {
            self.columns.push((Role::Effect(at), distance.clone()));
        }
        // Once for all parts of a column.
        if !self.list.iter().any(|c| c.column == covariate.column) {
            let without: Vec<usize> = acted.into_iter().filter(|&i| recorded[i].is_none()).collect();
            self.unrecorded(covariate, campaign, design, trials, &without);
        }
        self.list.push(covariate.clone());
        self.distances.push(distance);
        self.ranges.push((lowest, highest, values.len()));
        Ok(())
    }

    /// Trials that do not name their value share a shift of their own, where it can be told apart.
    fn unrecorded(
        &mut self,
        covariate: &Covariate,
        campaign: &Campaign,
        design: &Crossed,
        trials: &[usize],
        without: &[usize],
    ) {
        let Some(first) = without.iter().map(|&i| &campaign.trials()[i].trial_id).min() else { return };
        let mut shared = vec![0.0; campaign.trials().len()];
        for &i in without {
            shared[i] = 1.0;
        }
        let apart = self.separable(design, trials, &shared);
        if apart {
            self.columns.push((Role::Unrecorded, shared));
        }
        let (column, first) = (covariate.to_string(), first.clone());
        self.notes.push(Note::WithoutValue { column, trials: without.len(), first, apart });
    }

    /// Whether a column is none of materials, surfaces and the columns before it: what least squares leave of it.
    fn separable(&self, design: &Crossed, trials: &[usize], column: &[f64]) -> bool {
        let y: Vec<f64> = trials.iter().map(|&i| column[i]).collect();
        let before: Vec<Vec<f64>> = self.columns.iter().map(|(_, x)| trials.iter().map(|&i| x[i]).collect()).collect();
        super::super::engine::is_explained(design, &before, &y).is_ok_and(|explained| !explained)
    }

    /// The columns over `trials`.
    pub(in crate::severity) fn over(&self, trials: &[usize]) -> Vec<Vec<f64>> {
        self.columns.iter().map(|(_, x)| trials.iter().map(|&i| x[i]).collect()).collect()
    }

    /// What the given effects add to log time, by trial of the campaign, that of `moved` moved by so many standard errors.
    pub(in crate::severity) fn given_shift(&self, moved: Option<(usize, f64)>) -> Option<Vec<f64>> {
        let mut shift: Option<Vec<f64>> = None;
        for (at, covariate) in self.list.iter().enumerate() {
            let Some(given) = covariate.given else { continue };
            let steps = moved.filter(|m| m.0 == at).map_or(0.0, |m| m.1);
            add(&mut shift, &self.distances[at], given.effect + steps * given.standard_error);
        }
        shift
    }

    /// Places of the given effects that have a standard error.
    pub(in crate::severity) fn uncertain(&self) -> Vec<(usize, f64)> {
        let error = |c: &Covariate| c.given.map_or(0.0, |g| g.standard_error);
        (0..self.list.len()).map(|at| (at, error(&self.list[at]))).filter(|&(_, se)| se > 0.0).collect()
    }

    /// Adds what the estimated columns do to log time.
    pub(in crate::severity) fn estimated_shift(&self, coefficient: impl Fn(usize) -> f64) -> Option<Vec<f64>> {
        let mut shift = None;
        for (j, (_, x)) in self.columns.iter().enumerate() {
            add(&mut shift, x, coefficient(j));
        }
        shift
    }

    /// What one standard error of each effect adds to log time, by trial of the campaign.
    pub(in crate::severity) fn errors(&self, effects: &[CovariateEffect]) -> Vec<Vec<f64>> {
        let one = |(e, x): (&CovariateEffect, &Vec<f64>)| x.iter().map(|x| x * e.standard_error).collect();
        effects.iter().zip(&self.distances).map(one).collect()
    }

    /// Rows of the result; `contrast` is that of an estimated column.
    pub(in crate::severity) fn effects(
        &self,
        level: f64,
        contrast: impl Fn(usize) -> Contrast,
    ) -> Result<Vec<CovariateEffect>> {
        let row = |(at, covariate): (usize, &Covariate)| {
            let (lowest, highest, trials) = self.ranges[at];
            let column = self.columns.iter().position(|(role, _)| *role == Role::Effect(at));
            let (estimate, error, multiplier, p_value) = match (covariate.given, column) {
                (Some(g), _) => {
                    (g.effect, g.standard_error, crate::numeric::special::two_sided_quantile(level, None), None)
                }
                (None, Some(j)) => {
                    let c = contrast(j);
                    let df = Some(c.equivalent_degrees_of_freedom());
                    (
                        c.estimate,
                        c.standard_error,
                        c.multiplier(level),
                        finite::two_sided_p(c.estimate, c.standard_error, df),
                    )
                }
                (None, None) => (0.0, 0.0, 0.0, None),
            };
            let half = multiplier * error;
            let method = if covariate.given.is_some() { IntervalMethod::Normal } else { IntervalMethod::StudentT };
            Ok(CovariateEffect {
                covariate: covariate.clone(),
                effect: Interval::new(estimate, estimate - half, estimate + half, level, method)?,
                standard_error: error,
                p_value,
                range: (lowest, highest),
                trials,
            })
        };
        self.list.iter().enumerate().map(row).collect()
    }
}

/// Why an effect is not estimated; `values`: the smallest, the largest and how many.
fn unfit(covariate: &Covariate, values: (f64, f64, usize), told_apart: impl Fn() -> bool) -> Option<String> {
    let (lowest, highest, count) = values;
    let number = matches!(covariate.form, Form::Linear { .. } | Form::PowerLaw { .. });
    if count == 0 {
        Some("no trial that it acts on names its value".into())
    } else if covariate.given.is_some() {
        None
    } else if lowest >= highest {
        Some(if number { format!("all trials have the value {lowest}") } else { "all trials have the same".into() })
    } else if covariate.is_power_law() && covariate.class().is_some() && highest < LEAST_RATIO * lowest {
        Some(format!("its values from {lowest} to {highest} are too alike to tell"))
    } else if !told_apart() {
        Some(format!("its values {COINCIDE}"))
    } else {
        None
    }
}

fn add(shift: &mut Option<Vec<f64>>, x: &[f64], effect: f64) {
    let shift = shift.get_or_insert_with(|| vec![0.0; x.len()]);
    for (s, x) in shift.iter_mut().zip(x) {
        *s += effect * x;
    }
}
