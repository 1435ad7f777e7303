//! Correction factors without one trial or group of trials, quickly and exactly.
//!
//! A factor c is a mean of log ratios of cell medians (or a line through them) whose weights hold the common σ and the
//! scatter τ between materials. Leaving trials out changes the median of their own cells, and through σ the weight of all.
//! - Cells of exact log-normal times: count, mean and sum of squares say everything; σ² is a ratio of two sums. A trial
//!   left out is an update of three numbers.
//! - Other cells: at a given σ each has a location of its own, so that all depend on the data through log σ alone. What
//!   a cell contributes is therefore tabulated once as a polynomial in log σ (Chebyshev interpolation over ± a quarter, to
//!   about 1e-11); a trial left out is a Newton iteration in one unknown, with the touched cells profiled anew.
//! - τ² of the constant ratio: Newton from its value with all trials; where pairs are lost, or its likelihood has more than
//!   one maximum, from the beginning. At τ = 0 the mean is a closed form. The power law is fitted again.
//!
//! What leaves this ground (σ beyond the polynomials, nothing left to estimate it from) is fitted from the trials.

use super::fit::{Columns, Equivalence, Form, Unavailable, pair};
use super::line::{ScatterEstimator, random_effects};
use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};
use crate::numeric::count;
use crate::numeric::root::bracketed;
use crate::severity::machinery::{Cells, Contribution, Kinds, LogTime, contribution};
use crate::severity::{CellMeans, Distribution};

/// Half the range of log σ that the polynomials cover.
const HALF_WIDTH: f64 = 0.25;
/// Coefficients of a polynomial.
const TERMS: usize = 14;

type Polynomial = [f64; TERMS];

/// Coefficients in powers of t of the polynomial through `values` at the Chebyshev nodes of [-1, 1].
fn interpolate(values: &Polynomial) -> Polynomial {
    let mut out = [0.0; TERMS];
    // T_{k-1} and T_k in powers of t.
    let (mut before, mut current) = ([0.0; TERMS], [0.0; TERMS]);
    current[0] = 1.0;
    for k in 0..TERMS {
        let sum: f64 = (0..TERMS).map(|j| values[j] * libm::cos(count(k) * angle(j))).sum();
        let c = sum * if k == 0 { 1.0 } else { 2.0 } / count(TERMS);
        for (o, t) in out.iter_mut().zip(&current) {
            *o += c * t;
        }
        let twice = if k == 0 { 1.0 } else { 2.0 };
        let mut next = before.map(|b| -b);
        for i in 1..TERMS {
            next[i] += twice * current[i - 1];
        }
        (before, current) = (current, next);
    }
    out
}

fn angle(node: usize) -> f64 {
    std::f64::consts::PI * (count(node) + 0.5) / count(TERMS)
}

/// A place on the polynomials: t and how many powers of it matter.
#[derive(Debug, Clone, Copy)]
struct Place {
    t: f64,
    terms: usize,
}

impl Place {
    fn new(t: f64) -> Self {
        let mut terms = 2;
        let mut power = t * t;
        while terms < TERMS && power.abs() > 1e-14 {
            power *= t;
            terms += 1;
        }
        Self { t, terms }
    }

    fn value(self, polynomial: &Polynomial) -> f64 {
        polynomial[..self.terms].iter().rev().fold(0.0, |sum, c| sum * self.t + c)
    }
}

/// A cell at one σ, its location at its maximum.
#[derive(Debug, Clone, Copy, Default)]
struct Profile {
    /// Log location of W.
    location: f64,
    /// Variance of the location at this σ, in units of σ².
    own: f64,
    /// Derivative of the location by log σ.
    loading: f64,
    /// Derivative of the profile log-likelihood by u = −log σ.
    slope: f64,
    /// Information on log σ that is left beside the location's.
    information: f64,
}

/// `None` should the iteration fail.
fn profile(distribution: Distribution, times: &[LogTime], u: f64, start: f64) -> Option<Profile> {
    let lambda = libm::exp(u);
    let at = |eta: f64| {
        let mut sum = Contribution::default();
        for &time in times {
            let c = contribution(distribution, time, eta, lambda);
            sum.value += c.value;
            sum.d_eta += c.d_eta;
            sum.d_lambda += c.d_lambda;
            sum.i_eta += c.i_eta;
            sum.i_cross += c.i_cross;
            sum.i_lambda += c.i_lambda;
        }
        sum
    };
    let mut eta = lambda * start;
    let mut sum = at(eta);
    for _ in 0..100 {
        let step = sum.d_eta / sum.i_eta;
        if !step.is_finite() {
            return None;
        }
        if step.abs() <= 1e-13 * (1.0 + eta.abs()) {
            let along = sum.i_cross / sum.i_eta;
            let all = [eta, along, sum.d_lambda, sum.i_lambda];
            return all.iter().all(|v| v.is_finite()).then(|| Profile {
                location: eta / lambda,
                own: 1.0 / sum.i_eta,
                loading: along + eta / lambda,
                slope: lambda * sum.d_lambda,
                information: lambda * lambda * (sum.i_lambda - along * sum.i_cross),
            });
        }
        let mut factor = 1.0;
        (eta, sum) = loop {
            let next = at(eta + factor * step);
            // Concave: a full step that does not rise is too long. Rounding decides the last digits.
            if next.value >= sum.value - 1e-13 * (1.0 + sum.value.abs()) {
                break (eta + factor * step, next);
            }
            factor *= 0.5;
            if factor < 1e-10 {
                return None;
            }
        };
    }
    None
}

/// What the fit needs of a cell.
#[derive(Debug, Clone, Copy)]
enum State {
    /// Exact log-normal times.
    Exact { mean: f64, squares: f64 },
    /// Position among the curves.
    Curve(usize),
    /// Censored on one side, or empty: no median.
    Unbounded,
}

/// What a cell contributes, over log σ.
#[derive(Debug)]
struct Curve {
    location: Polynomial,
    own: Polynomial,
    loading: Polynomial,
    slope: Polynomial,
    information: Polynomial,
}

/// The cell means of all trials, or of those that are left.
#[derive(Debug, Clone, Copy, Default)]
struct Total {
    trials: usize,
    levels: usize,
    /// Exact cells: trials and sum of squares.
    exact: usize,
    squares: f64,
}

impl Total {
    fn add(&mut self, trials: usize, exact: Option<f64>) {
        self.trials += trials;
        self.levels += 1;
        if let Some(squares) = exact {
            self.exact += trials;
            self.squares += squares;
        }
    }
    fn remove(&mut self, trials: usize, exact: Option<f64>) {
        self.trials -= trials;
        self.levels -= 1;
        if let Some(squares) = exact {
            self.exact -= trials;
            self.squares -= squares;
        }
    }
}

/// A cell of which trials are left out.
#[derive(Debug)]
struct Touched {
    cell: usize,
    times: Vec<LogTime>,
    state: State,
    profile: Profile,
}

/// A material on the belt and on the road: positions of the cells.
#[derive(Debug, Clone, Copy)]
struct Pair {
    laboratory: usize,
    road: usize,
}

#[derive(Debug)]
struct Road {
    surface: usize,
    pairs: Vec<Pair>,
    /// τ² with all trials, where it is the only solution of its equation.
    tau2: Option<f64>,
    log_factor: f64,
    /// Log laboratory time that a power law's factor belongs to.
    centre: f64,
}

/// σ of some trials, and the information on log σ, both corrected for few trials.
#[derive(Debug, Clone, Copy)]
struct Solution {
    sigma: f64,
    information: f64,
}

/// Scratch space of one thread.
#[derive(Debug, Default)]
pub(crate) struct Work {
    location: Vec<f64>,
    /// Variance of the location given σ; NaN where the cell has no median.
    own: Vec<f64>,
    loading: Vec<f64>,
    differences: Vec<f64>,
    variances: Vec<f64>,
    columns: Columns,
}

/// The correction factors of a campaign, ready to be had without some of its trials.
#[derive(Debug)]
pub(crate) struct Corrections<'a> {
    plan: &'a Equivalence,
    form: Form,
    campaign: &'a Campaign,
    cells: Cells,
    states: Vec<State>,
    /// Cell of each trial, where it is fitted.
    cell_of: Vec<Option<usize>>,
    curves: Vec<Curve>,
    slope: Polynomial,
    information: Polynomial,
    total: Total,
    /// −log σ about which the polynomials are.
    u: f64,
    roads: Vec<Road>,
}

/// log c of each road surface, `None` where it has none, and the first reason why.
pub(crate) struct Without {
    pub(crate) log_factors: Vec<Option<f64>>,
    pub(crate) reason: Option<String>,
}

impl<'a> Corrections<'a> {
    /// # Errors
    /// As [`Equivalence::fit`]; [`ErrorKind::NotEstimable`] where no road surface has a correction factor.
    pub(crate) fn new(plan: &'a Equivalence, form: Form, campaign: &'a Campaign) -> Result<Self> {
        plan.check()?;
        campaign.surface(plan.laboratory())?;
        let surfaces = plan.roads(campaign)?;
        let distribution = plan.distribution_of_times();
        let means = CellMeans::fit(campaign, distribution, plan.level_of_intervals())?;
        let cells = Cells::new(campaign, None);
        let mut cell_of = vec![None; campaign.trials().len()];
        for (c, cell) in cells.cells.iter().enumerate() {
            for &trial in &cells.trial[cell.start..cell.end] {
                cell_of[trial] = Some(c);
            }
        }
        let mut new = Self {
            plan,
            form,
            campaign,
            states: Vec::with_capacity(cells.cells.len()),
            cells,
            cell_of,
            curves: Vec::new(),
            slope: [0.0; TERMS],
            information: [0.0; TERMS],
            total: Total::default(),
            u: -libm::log(means.log_scatter()),
            roads: Vec::new(),
        };
        new.tabulate(distribution)?;
        let laboratory = campaign.surfaces().iter().position(|s| s.name == plan.laboratory());
        let at = |material: usize, surface: usize| {
            let key = |c: &crate::severity::machinery::Cell| (c.material, c.surface);
            let found = new.cells.cells.binary_search_by(|c| key(c).cmp(&(material, surface))).ok()?;
            (!matches!(new.states[found], State::Unbounded)).then_some(found)
        };
        let mut work = new.work();
        let mut why = None;
        let solution = new.solve(&mut [], &mut work);
        for surface in surfaces {
            let pairs: Vec<Pair> = (0..campaign.materials().len())
                .filter_map(|m| Some(Pair { laboratory: at(m, laboratory?)?, road: at(m, surface)? }))
                .collect();
            let mut road = Road { surface, pairs, tau2: None, log_factor: 0.0, centre: 0.0 };
            let fit = match solution {
                Some(solution) => {
                    new.columns(&road, solution, &mut work);
                    road.centre = work.columns.x.iter().sum::<f64>() / count(work.columns.x.len().max(1));
                    if form == Form::ConstantRatio && road.pairs.len() >= plan.pairs_needed(form) {
                        road.tau2 = only_scatter(&work.differences, &work.variances, plan.estimator());
                    }
                    new.log_factor(&road, &mut work)
                }
                None => Err("the scatter within cells cannot be had".into()),
            };
            match fit {
                Ok(log_factor) => new.roads.push(Road { log_factor, ..road }),
                Err(reason) => why = why.or(Some(format!("{}: {reason}", campaign.surfaces()[surface].name))),
            }
        }
        if new.roads.is_empty() {
            let reason = why.unwrap_or_default();
            return Err(ErrorKind::NotEstimable { quantity: "every correction factor".into(), reason }.into());
        }
        Ok(new)
    }

    /// The road surfaces that have a factor with all trials, as positions in the campaign, with log c.
    pub(crate) fn surfaces(&self) -> impl Iterator<Item = (usize, f64)> {
        self.roads.iter().map(|r| (r.surface, r.log_factor))
    }

    pub(crate) fn work(&self) -> Work {
        Work::default()
    }

    fn tabulate(&mut self, distribution: Distribution) -> Result<()> {
        for c in 0..self.cells.cells.len() {
            let times = self.cells.of(&self.cells.cells[c]);
            let state = match self.exact(times) {
                Some(state) => state,
                None if unbounded(times) => State::Unbounded,
                None => {
                    let curve = self.curve(distribution, times).ok_or_else(|| ErrorKind::NotEstimable {
                        quantity: "the median of a cell".into(),
                        reason: "its likelihood has no maximum".into(),
                    })?;
                    for k in 0..TERMS {
                        self.slope[k] += curve.slope[k];
                        self.information[k] += curve.information[k];
                    }
                    self.curves.push(curve);
                    State::Curve(self.curves.len() - 1)
                }
            };
            match state {
                State::Exact { squares, .. } => self.total.add(times.len(), Some(squares)),
                State::Curve(_) => self.total.add(times.len(), None),
                State::Unbounded => {}
            }
            self.states.push(state);
        }
        Ok(())
    }

    /// Exact log-normal times: mean and sum of squares, about the first so that no digits are lost.
    fn exact(&self, times: &[LogTime]) -> Option<State> {
        if self.plan.distribution_of_times() != Distribution::LogNormal || times.is_empty() {
            return None;
        }
        let shift = times[0].middle();
        let mut sum = 0.0;
        for time in times {
            let LogTime::Exact(y) = time else { return None };
            sum += y - shift;
        }
        let offset = sum / count(times.len());
        let squares = times.iter().map(|t| (t.middle() - shift - offset) * (t.middle() - shift - offset)).sum();
        Some(State::Exact { mean: shift + offset, squares })
    }

    fn curve(&self, distribution: Distribution, times: &[LogTime]) -> Option<Curve> {
        let mut start = times.iter().map(|t| t.middle()).sum::<f64>() / count(times.len());
        let mut values = [[0.0; TERMS]; 5];
        for j in 0..TERMS {
            let u = self.u + HALF_WIDTH * libm::cos(angle(j));
            let p = profile(distribution, times, u, start)?;
            start = p.location;
            for (row, value) in values.iter_mut().zip([p.location, p.own, p.loading, p.slope, p.information]) {
                row[j] = value;
            }
        }
        let [location, own, loading, slope, information] = values.map(|v| interpolate(&v));
        Some(Curve { location, own, loading, slope, information })
    }

    /// Finds σ without what `touched` left out and fills the cells' places into `work`. `None` where that is beyond the polynomials.
    fn solve(&self, touched: &mut [Touched], work: &mut Work) -> Option<Solution> {
        let distribution = self.plan.distribution_of_times();
        let mut total = self.total;
        for t in touched.iter() {
            let had = self.cells.cells[t.cell].len();
            match self.states[t.cell] {
                State::Exact { squares, .. } => total.remove(had, Some(squares)),
                State::Curve(_) => total.remove(had, None),
                State::Unbounded => {}
            }
            match t.state {
                State::Exact { squares, .. } => total.add(t.times.len(), Some(squares)),
                State::Curve(_) => total.add(t.times.len(), None),
                State::Unbounded => {}
            }
        }
        if total.trials < total.levels + 1 {
            return None;
        }
        let only_exact = total.exact == total.trials;
        // Sums of squares that cancel to nothing are left to the full fit, which knows what that means.
        if only_exact && !(total.squares > 1e-9 * self.total.squares && total.squares > 1e-20) {
            return None;
        }
        let mut u = if only_exact { 0.5 * libm::log(count(total.exact) / total.squares) } else { self.u };
        let mut information = 2.0 * count(total.exact);
        if !only_exact {
            let mut converged = false;
            for _ in 0..60 {
                let t = (u - self.u) / HALF_WIDTH;
                if t.is_nan() || t.abs() > 1.0 {
                    return None;
                }
                let place = Place::new(t);
                let pull = total.squares.max(0.0) * libm::exp(2.0 * u);
                let mut slope = count(total.exact) - pull + place.value(&self.slope);
                information = count(total.exact) + pull + place.value(&self.information);
                for t in touched.iter_mut() {
                    if let State::Curve(c) = self.states[t.cell] {
                        slope -= place.value(&self.curves[c].slope);
                        information -= place.value(&self.curves[c].information);
                    }
                    if let State::Curve(_) = t.state {
                        t.profile = profile(distribution, &t.times, u, t.profile.location)?;
                        slope += t.profile.slope;
                        information += t.profile.information;
                    }
                }
                // The slope falls by the information, which is its derivative at the maximum, less itself.
                let step = slope / (information - slope).max(0.5 * information);
                if !(step.is_finite() && information > 0.0) {
                    return None;
                }
                if step.abs() <= 1e-12 {
                    converged = true;
                    break;
                }
                u += step.clamp(-0.5, 0.5);
            }
            if !converged {
                return None;
            }
        }
        let place = Place::new((u - self.u) / HALF_WIDTH);
        let variance = libm::exp(-2.0 * u);
        let n = self.states.len();
        work.location.resize(n, 0.0);
        work.own.resize(n, 0.0);
        work.loading.resize(n, 0.0);
        for (c, state) in self.states.iter().enumerate() {
            (work.location[c], work.own[c], work.loading[c]) = match *state {
                State::Exact { mean, .. } => (mean, variance / count(self.cells.cells[c].len()), 0.0),
                State::Curve(i) => {
                    let curve = &self.curves[i];
                    let own = variance * place.value(&curve.own);
                    (place.value(&curve.location), own, place.value(&curve.loading))
                }
                State::Unbounded => (0.0, f64::NAN, 0.0),
            };
        }
        for t in touched.iter() {
            (work.location[t.cell], work.own[t.cell], work.loading[t.cell]) = match t.state {
                State::Exact { mean, .. } => (mean, variance / count(t.times.len()), 0.0),
                State::Curve(_) => (t.profile.location, variance * t.profile.own, t.profile.loading),
                State::Unbounded => (0.0, f64::NAN, 0.0),
            };
        }
        // Standard errors are corrected for few trials by √(N/(N − p)).
        let factor = count(total.trials) / count(total.trials - total.levels);
        for own in &mut work.own {
            *own *= factor;
        }
        Some(Solution { sigma: libm::exp(-u), information: information / factor })
    }

    /// Log ratios with their variances, and for a power law the columns of the line, of the pairs that are left.
    fn columns(&self, road: &Road, Solution { sigma, information }: Solution, work: &mut Work) {
        let Work { location, own, loading, differences, variances, columns } = work;
        differences.clear();
        variances.clear();
        let line = self.form == Form::PowerLaw;
        *columns = Columns::default();
        let spread = sigma * self.plan.distribution_of_times().median();
        for &Pair { laboratory: x, road: y } in &road.pairs {
            let given = own[x] + own[y];
            if given.is_nan() {
                continue;
            }
            // Both medians move with log σ; only the difference of their motions touches the ratio.
            let together = loading[x] - loading[y];
            differences.push(location[y] - location[x]);
            variances.push(given + together * together / information);
            if line {
                let part = |c: usize| (spread + loading[c]) / libm::sqrt(information);
                let error = |c: usize| libm::sqrt(own[c] + part(c) * part(c));
                columns.x.push(location[x] + spread);
                columns.sx.push(error(x));
                columns.y.push(location[y] + spread);
                columns.sy.push(error(y));
                columns.shared.push((part(x), part(y)));
            }
        }
    }
    /// log c of one road surface from what [`columns`](Self::columns) left in `work`.
    fn log_factor(&self, road: &Road, work: &mut Work) -> std::result::Result<f64, String> {
        let (d, v) = (&work.differences, &work.variances);
        let (found, needed) = (d.len(), self.plan.pairs_needed(self.form));
        if found < needed {
            return Err(Unavailable::TooFewPairs { needed, found }.to_string());
        }
        if self.form == Form::PowerLaw {
            return self.by_line(&work.columns, road.centre);
        }
        let estimator = self.plan.estimator();
        if let Some(start) = road.tau2
            && found == road.pairs.len()
            && let Some(mean) = from_start(d, v, estimator, start)
        {
            return Ok(mean);
        }
        if let Some(tau2) = only_scatter(d, v, estimator) {
            return Ok(Sums::new(d, v, tau2).mean());
        }
        let errors: Vec<f64> = v.iter().map(|v| libm::sqrt(*v)).collect();
        random_effects(d, &errors, estimator).map(|fit| fit.mean()).map_err(|e| e.to_string())
    }

    fn by_line(&self, columns: &Columns, centre: f64) -> std::result::Result<f64, String> {
        let first = columns.x.first().copied().unwrap_or(0.0);
        if columns.x.iter().all(|x| x.to_bits() == first.to_bits()) {
            return Err(Unavailable::SameLaboratoryTimes.to_string());
        }
        let fit = self.plan.line(columns).map_err(|e| e.to_string())?;
        Ok(fit.line().intercept() + (fit.line().slope() - 1.0) * centre)
    }

    /// The cells that these trials (sorted) leave.
    fn touched(&self, gone: &[usize]) -> Vec<Touched> {
        let mut cells: Vec<usize> = gone.iter().filter_map(|&i| self.cell_of[i]).collect();
        cells.sort_unstable();
        cells.dedup();
        cells
            .into_iter()
            .map(|cell| {
                let range = self.cells.cells[cell];
                let times: Vec<LogTime> = (range.start..range.end)
                    .filter(|&i| gone.binary_search(&self.cells.trial[i]).is_err())
                    .map(|i| self.cells.times[i])
                    .collect();
                let state = match self.exact(&times) {
                    Some(state) => state,
                    None if unbounded(&times) => State::Unbounded,
                    None => State::Curve(usize::MAX),
                };
                let location = match self.states[cell] {
                    State::Curve(c) => self.curves[c].location[0],
                    State::Exact { mean, .. } => mean,
                    State::Unbounded => 0.0,
                };
                Touched { cell, times, state, profile: Profile { location, ..Profile::default() } }
            })
            .collect()
    }

    /// The factors without these trials (positions in the campaign, each once).
    pub(crate) fn without(&self, trials: &[usize], work: &mut Work) -> Without {
        let mut gone: Vec<usize> = trials.to_vec();
        gone.sort_unstable();
        let mut touched = self.touched(&gone);
        let factors: Vec<std::result::Result<f64, String>> = match self.solve(&mut touched, work) {
            Some(solution) => self
                .roads
                .iter()
                .map(|road| {
                    self.columns(road, solution, work);
                    self.log_factor(road, work)
                })
                .collect(),
            None => self.refit(&gone),
        };
        let reason = self.roads.iter().zip(&factors).find_map(|(road, factor)| {
            let name = &self.campaign.surfaces()[road.surface].name;
            factor.as_ref().err().map(|reason| format!("{name}: {reason}"))
        });
        Without { log_factors: factors.into_iter().map(std::result::Result::ok).collect(), reason }
    }

    /// The same from the trials that are left.
    fn refit(&self, gone: &[usize]) -> Vec<std::result::Result<f64, String>> {
        let mut aside = vec![false; self.campaign.trials().len()];
        for &i in gone {
            aside[i] = true;
        }
        let fewer = self.campaign.without(aside);
        let plan = self.plan;
        let means = match CellMeans::fit(&fewer, plan.distribution_of_times(), plan.level_of_intervals()) {
            Ok(means) => means,
            Err(error) => return vec![Err(error.to_string()); self.roads.len()],
        };
        self.roads
            .iter()
            .map(|road| {
                let name = &self.campaign.surfaces()[road.surface].name;
                let factor = means.small_sample().factor;
                let pairs = pair(&fewer, &means, factor, plan.laboratory(), name).0;
                let columns = Columns::of(&pairs, &means, factor, plan.laboratory(), name);
                let (found, needed) = (pairs.len(), plan.pairs_needed(self.form));
                if found < needed {
                    return Err(Unavailable::TooFewPairs { needed, found }.to_string());
                }
                if self.form == Form::PowerLaw {
                    return self.by_line(&columns, road.centre);
                }
                let (d, errors) = columns.ratios(None);
                random_effects(&d, &errors, plan.estimator()).map(|fit| fit.mean()).map_err(|e| e.to_string())
            })
            .collect()
    }
}

fn unbounded(times: &[LogTime]) -> bool {
    let kinds = Kinds::of(times);
    kinds.exact == 0 && (kinds.right == 0 || kinds.left == 0)
}

/// Weighted sums of log ratios at a τ², about the first of them so that no digits are lost.
#[derive(Debug, Clone, Copy)]
struct Sums {
    shift: f64,
    w: f64,
    wd: f64,
    /// Σ w², w² d, w² d²; Σ w³, w³ d, w³ d².
    second: [f64; 3],
    third: [f64; 3],
}

impl Sums {
    fn new(differences: &[f64], variances: &[f64], tau2: f64) -> Self {
        let shift = differences.first().copied().unwrap_or(0.0);
        let mut s = Self { shift, w: 0.0, wd: 0.0, second: [0.0; 3], third: [0.0; 3] };
        for (d, v) in differences.iter().zip(variances) {
            let (d, w) = (d - shift, 1.0 / (v + tau2));
            let (w2, wd) = (w * w, w * d);
            s.w += w;
            s.wd += wd;
            s.second[0] += w2;
            s.second[1] += w * wd;
            s.second[2] += wd * wd;
            s.third[0] += w2 * w;
            s.third[1] += w2 * wd;
            s.third[2] += w * wd * wd;
        }
        s
    }

    fn mean(&self) -> f64 {
        self.shift + self.wd / self.w
    }

    /// The likelihood equation of τ², positive below its solution, and its derivative; see [`random_effects`].
    fn equation(&self, estimator: ScatterEstimator) -> (f64, f64) {
        let m = self.wd / self.w;
        let about = |s: &[f64; 3]| s[2] - m * (2.0 * s[1] - m * s[0]);
        let moves = self.second[1] - m * self.second[0];
        let value = about(&self.second) - self.w;
        let slope = -2.0 * about(&self.third) + 2.0 * moves * moves / self.w + self.second[0];
        match estimator {
            ScatterEstimator::MaximumLikelihood => (value, slope),
            ScatterEstimator::Restricted => {
                let ratio = self.second[0] / self.w;
                (value + ratio, slope + ratio * ratio - 2.0 * self.third[0] / self.w)
            }
        }
    }
}

/// The mean, τ² found by Newton from the solution with all trials; `None` where it does not settle next to that.
fn from_start(d: &[f64], v: &[f64], estimator: ScatterEstimator, start: f64) -> Option<f64> {
    let none = Sums::new(d, v, 0.0);
    if start == 0.0 {
        return (none.equation(estimator).0 <= 0.0).then(|| none.mean());
    }
    if none.equation(estimator).0 <= 0.0 {
        return None;
    }
    let mut tau2 = start;
    for _ in 0..12 {
        let sums = Sums::new(d, v, tau2);
        let (value, slope) = sums.equation(estimator);
        let step = -value / slope;
        if !(slope < 0.0 && step.abs() < 0.5 * tau2) {
            return None;
        }
        tau2 += step;
        // The step squares the error: the next would be far below the last digit of the mean.
        if step.abs() <= 1e-7 * tau2 {
            return Some(Sums::new(d, v, tau2).mean());
        }
    }
    None
}

/// The solution τ² ≥ 0 of the likelihood equation where there is no more than one, on the grid of
/// [`random_effects`].
fn only_scatter(d: &[f64], v: &[f64], estimator: ScatterEstimator) -> Option<f64> {
    let smallest = v.iter().copied().fold(f64::INFINITY, f64::min);
    let equation = |tau2: f64| Sums::new(d, v, tau2).equation(estimator).0;
    let (low, high) = d.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), d| (low.min(*d), high.max(*d)));
    let reach = (high - low) * (high - low);
    let mut top = 64.0 * v.iter().copied().fold(reach, f64::max);
    if d.len() < 2 || !(smallest > 1e-100 && top < 1e100) {
        return None;
    }
    while equation(top) >= 0.0 {
        top *= 2.0;
        if top > 1e100 {
            return None;
        }
    }
    let at_zero = equation(0.0);
    let mut solutions = u32::from(at_zero <= 0.0);
    let mut solution = 0.0;
    let (mut below, mut value_below) = (0.0, at_zero);
    let mut tau2 = 0.01 * smallest;
    loop {
        let value = equation(tau2);
        if value_below > 0.0 && value <= 0.0 {
            solutions += 1;
            solution = bracketed(equation, below, value_below, tau2, value);
        }
        if tau2 >= top {
            break;
        }
        (below, value_below) = (tau2, value);
        // A quarter of a decade.
        tau2 *= 1.778_279_410_038_923;
    }
    (solutions == 1).then_some(solution)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::campaign::Trial;

    fn demo() -> Campaign {
        Campaign::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/trials.csv")).unwrap()
    }

    #[test]
    fn interpolation_is_exact_for_polynomials_and_close_for_the_rest() {
        let values = |f: &dyn Fn(f64) -> f64| {
            let mut values = [0.0; TERMS];
            for (j, value) in values.iter_mut().enumerate() {
                *value = f(libm::cos(angle(j)));
            }
            interpolate(&values)
        };
        let cubic = values(&|t| 2.0 - t + 3.0 * t * t * t);
        for (got, want) in cubic.iter().zip([2.0, -1.0, 0.0, 3.0, 0.0]) {
            // The powers of t cancel: single coefficients have fewer digits than values.
            assert!((got - want).abs() < 1e-10, "{cubic:?}");
        }
        assert!((Place::new(0.9).value(&cubic) - 3.287).abs() < 1e-13);
        let e = values(&|t| libm::exp(0.5 * t));
        for t in [-1.0, -0.3, 1e-5, 0.01, 0.8] {
            assert!((Place::new(t).value(&e) - libm::exp(0.5 * t)).abs() < 1e-13, "{t}");
        }
        assert!(Place::new(1e-5).terms < 5);
    }

    /// Left out one at a time, no trial, day or material of the demo campaign needs the fit from the trials; and that fit
    /// says the same as the updates.
    #[test]
    fn updates_are_used_and_agree_with_refits() {
        let campaign = demo();
        for (distribution, form) in [
            (Distribution::LogNormal, Form::ConstantRatio),
            (Distribution::Weibull, Form::ConstantRatio),
            (Distribution::LogLogistic, Form::PowerLaw),
        ] {
            let plan = Equivalence::new("laboratory belt").of_distribution(distribution);
            let corrections = Corrections::new(&plan, form, &campaign).unwrap();
            assert!(corrections.curves.len() > 3);
            let mut work = corrections.work();
            let groups = (0..campaign.trials().len()).step_by(7).map(|i| vec![i]);
            let of = |key: &dyn Fn(&Trial) -> bool| -> Vec<usize> {
                (0..campaign.trials().len()).filter(|&i| key(&campaign.trials()[i])).collect()
            };
            let days = ["day-03", "day-12"].map(|d| of(&|t| t.day.as_deref() == Some(d)));
            let material = campaign.materials()[2].name.clone();
            for gone in groups.chain(days).chain([of(&|t| t.material == material)]) {
                assert!(!gone.is_empty());
                let quick = corrections.without(&gone, &mut work).log_factors;
                let slow = corrections.refit(&gone);
                for (quick, slow) in quick.iter().zip(&slow) {
                    let (quick, slow) = (quick.unwrap(), slow.as_ref().unwrap());
                    assert!((quick - slow).abs() < 1e-9, "{distribution:?} {gone:?}: {quick} {slow}");
                }
                assert!(corrections.solve(&mut corrections.touched(&gone), &mut work).is_some(), "{gone:?}");
            }
        }
    }

    /// τ² by the sums agrees with [`random_effects`], at its boundary, inside, and between two solutions.
    #[test]
    fn the_scatter_is_that_of_random_effects() {
        let v = [0.01, 0.02, 0.005, 0.04, 0.01, 0.03];
        for (spread, estimator) in [
            (0.02, ScatterEstimator::Restricted),
            (0.3, ScatterEstimator::Restricted),
            (1.5, ScatterEstimator::MaximumLikelihood),
        ] {
            let d: Vec<f64> = [0.1, -0.9, 0.4, 0.8, -0.3, 0.2].iter().map(|z| 1.0 + spread * z).collect();
            let errors: Vec<f64> = v.iter().map(|v: &f64| v.sqrt()).collect();
            let fit = random_effects(&d, &errors, estimator).unwrap();
            let tau2 = only_scatter(&d, &v, estimator).unwrap();
            assert!((tau2 - fit.intrinsic_scatter().powi(2)).abs() < 1e-12, "{tau2}");
            assert!((Sums::new(&d, &v, tau2).mean() - fit.mean()).abs() < 1e-13);
            // From a start nearby.
            let near = from_start(&d, &v, estimator, 1.1 * tau2).unwrap();
            assert!((near - fit.mean()).abs() < 1e-12);
            // The derivative of the equation.
            let f = |t: f64| Sums::new(&d, &v, t).equation(estimator).0;
            let slope = Sums::new(&d, &v, 0.05).equation(estimator).1;
            assert!(((f(0.05 + 1e-6) - f(0.05 - 1e-6)) / 2e-6 / slope - 1.0).abs() < 1e-7);
        }
        // Precise values together and a less precise one far off: two solutions, so the likelihood has to decide.
        let (d, v) = ([5.0, 1.0, 3.0, 4.95, 5.02, 5.08], [0.011, 0.53, 8.7, 0.0034, 0.0007, 0.126]);
        assert_eq!(only_scatter(&d, &v, ScatterEstimator::Restricted), None);
    }
}
