//! The severity scale with Student-t errors, censored trials included.
//!
//! `log T = μ − log k + σ W`, W Student t with ν degrees of freedom: a normal whose precision g is
//! itself drawn from a gamma distribution. The EM algorithm alternates between the expected g of
//! every trial and a weighted two-way least-squares fit, so the likelihood never falls (Lange, Little
//! & Taylor 1989, JASA 84, 881–896). For an exact time `E g = (ν + 1)/(ν + z²)`; for one known to
//! exceed z,
//!
//! ```text
//! E[g | W > z]    = S(z √((ν + 2)/ν); ν + 2) / S(z; ν)
//! E[g W | W > z]  = f(z)/S(z)                     since f′ = −w (ν + 1)/(ν + w²) f
//! E[g W² | W > z] = 1 + z f(z)/S(z)
//! ```
//!
//! Near the maximum Newton's method takes over; a step that would grow goes back to EM. Standard
//! errors: observed information.

use crate::error::{ErrorKind, Result};
use crate::numeric::special::t_survival;

use super::cells::Crossed;
use super::least_squares::{block_means, two_way};
use super::newton::{LogTime, System};
use super::scale::{Scale, SmallSample, no_scatter};

const MAX_ITERATIONS: u32 = 20_000;
/// Rounds of estimating ν.
const MAX_ROUNDS: u32 = 200;
/// Largest change of an EM step, in σ, from which Newton's method takes over.
const NEAR: f64 = 0.02;
/// Largest relative change in a step; rounding of the t tail keeps it from falling much lower.
const TOLERANCE: f64 = 1e-10;
const SMALLEST_DF: f64 = 1.0;
const LARGEST_DF: f64 = 200.0;

pub(crate) struct StudentT {
    pub(crate) scale: Scale,
    pub(crate) weights: Vec<f64>,
    pub(crate) residuals: Vec<f64>,
    pub(crate) degrees_of_freedom: f64,
}

/// Density and survival function of W, and the log density's constant.
#[derive(Debug, Clone, Copy)]
struct T {
    nu: f64,
    log_constant: f64,
}

impl T {
    fn new(nu: f64) -> Self {
        let log_constant =
            libm::lgamma(0.5 * (nu + 1.0)) - libm::lgamma(0.5 * nu) - 0.5 * libm::log(nu * std::f64::consts::PI);
        Self { nu, log_constant }
    }
    fn log_density(self, z: f64) -> f64 {
        self.log_constant - 0.5 * (self.nu + 1.0) * libm::log1p(z * z / self.nu)
    }
    fn hazard(self, z: f64) -> f64 {
        libm::exp(self.log_density(z)) / t_survival(z, self.nu)
    }
    /// `E[g]`, `E[gW]`, `E[gW²]` given `W > z`.
    fn above(self, z: f64) -> (f64, f64, f64) {
        let hazard = self.hazard(z);
        let ratio = t_survival(z * ((self.nu + 2.0) / self.nu).sqrt(), self.nu + 2.0) / t_survival(z, self.nu);
        (ratio, hazard, 1.0 + z * hazard)
    }
    fn expected(self, time: LogTime, location: f64, sigma: f64) -> (f64, f64, f64) {
        match time {
            LogTime::Exact(y) => {
                let z = (y - location) / sigma;
                let g = (self.nu + 1.0) / (self.nu + z * z);
                (g, g * z, g * z * z)
            }
            LogTime::Right(y) => self.above((y - location) / sigma),
            LogTime::Left(y) => {
                let (g, gw, gww) = self.above(-(y - location) / sigma);
                (g, -gw, gww)
            }
            // Read to a clock's step: the middle stands for the interval.
            LogTime::Between(..) => self.expected(LogTime::Exact(time.middle()), location, sigma),
        }
    }
    fn log_likelihood(self, time: LogTime, location: f64, sigma: f64) -> f64 {
        match time {
            LogTime::Right(y) => libm::log(t_survival((y - location) / sigma, self.nu)),
            LogTime::Left(y) => libm::log(t_survival(-(y - location) / sigma, self.nu)),
            _ => {
                let y = time.middle();
                self.log_density((y - location) / sigma) - libm::log(sigma) - y
            }
        }
    }
    /// First and second derivative of the log-likelihood term in z.
    fn derivatives(self, time: LogTime, z: f64) -> (f64, f64) {
        let slope = |z: f64| -(self.nu + 1.0) * z / (self.nu + z * z);
        match time {
            LogTime::Right(_) => {
                let h = self.hazard(z);
                // h′ = h (f′/f + h).
                (-h, -h * (slope(z) + h))
            }
            LogTime::Left(_) => {
                let h = self.hazard(-z);
                (h, -h * (slope(-z) + h))
            }
            _ => {
                let v = self.nu + z * z;
                (slope(z), -(self.nu + 1.0) * (self.nu - z * z) / (v * v))
            }
        }
    }
}

struct State {
    groups: Vec<f64>,
    columns: Vec<f64>,
    sigma: f64,
    t: T,
}

impl State {
    fn locations<'a>(&'a self, design: &'a Crossed) -> impl Iterator<Item = (usize, f64)> + 'a {
        design.blocks.iter().flat_map(move |b| {
            let location = self.groups[b.group] - b.column.map_or(0.0, |c| self.columns[c]);
            (b.start..b.end).map(move |i| (i, location))
        })
    }

    fn log_likelihood(&self, design: &Crossed, t: T) -> f64 {
        let weight = |i: usize| design.weights.as_ref().map_or(1.0, |w| w[i]);
        self.locations(design).map(|(i, l)| weight(i) * t.log_likelihood(design.times[i], l, self.sigma)).sum()
    }

    /// One EM step at the present ν.
    fn step(&self, design: &Crossed) -> Result<Self> {
        let weight = |i: usize| design.weights.as_ref().map_or(1.0, |w| w[i]);
        let n = design.times.len();
        let mut times = vec![LogTime::Exact(0.0); n];
        let mut weights = vec![0.0; n];
        let mut moments = vec![(0.0, 0.0, 0.0); n];
        let mut old = vec![0.0; n];
        for (i, location) in self.locations(design) {
            let (g, gw, gww) = self.t.expected(design.times[i], location, self.sigma);
            times[i] = LogTime::Exact(location + self.sigma * gw / g);
            weights[i] = weight(i) * g;
            moments[i] = (g, gw, gww);
            old[i] = location;
        }
        let working = Crossed { times, weights: Some(weights), ..design.clone() };
        let fit = two_way(&working, &block_means(&working))?;
        let mut next = Self { groups: fit.groups, columns: fit.columns, sigma: self.sigma, t: self.t };
        let (mut sum, mut total) = (0.0, 0.0);
        for (i, location) in next.locations(design) {
            let (g, gw, gww) = moments[i];
            let moved = old[i] - location;
            let s = self.sigma;
            sum += weight(i) * (s * s * gww + 2.0 * s * moved * gw + moved * moved * g);
            // Dividing by Σg instead of n is the parameter expansion that speeds EM up without moving
            // its fixed point (Kent, Tyler & Vardi 1994).
            total += weight(i) * g;
        }
        next.sigma = (sum / total).sqrt();
        if next.sigma > 0.0 && next.sigma.is_finite() { Ok(next) } else { Err(no_scatter()) }
    }
}

/// Gradient and observed information in (μ, log k, log σ).
fn system(state: &State, design: &Crossed) -> System {
    let q = design.columns + 1;
    let last = q - 1;
    let s = state.sigma;
    let mut system = System::zeros(design.groups, q);
    for block in &design.blocks {
        let location = state.groups[block.group] - block.column.map_or(0.0, |c| state.columns[c]);
        let (mut d_mu, mut d_sigma) = (0.0, 0.0);
        let (mut i_mu, mut i_cross, mut i_sigma) = (0.0, 0.0, 0.0);
        for i in block.start..block.end {
            let w = design.weights.as_ref().map_or(1.0, |w| w[i]);
            let time = design.times[i];
            let z = (time.middle() - location) / s;
            // z = (y − μ + log k)/σ: dz/dμ = −1/σ, dz/dlog k = 1/σ, dz/dlog σ = −z; an exact time adds −log σ.
            let (first, second) = state.t.derivatives(time, z);
            let own = if matches!(time, LogTime::Right(_) | LogTime::Left(_)) { 0.0 } else { 1.0 };
            d_mu -= w * first / s;
            d_sigma -= w * (first * z + own);
            i_mu -= w * second / (s * s);
            i_cross -= w * (second * z + first) / s;
            i_sigma -= w * (second * z * z + first * z);
        }
        system.diagonal[block.group] += d_mu;
        let information = &mut system.information;
        information.diagonal[block.group] += i_mu;
        let row = &mut information.border[block.group * q..(block.group + 1) * q];
        row[last] += i_cross;
        if let Some(c) = block.column {
            system.border[c] -= d_mu;
            row[c] -= i_mu;
            information.corner[c * q + c] += i_mu;
            information.corner[last * q + c] -= i_cross;
        }
        system.border[last] += d_sigma;
        information.corner[last * q + last] += i_sigma;
    }
    system
}

/// A full Newton step and its size in σ; `None` where the likelihood is not concave here.
fn newton(state: &State, design: &Crossed) -> Option<(State, f64)> {
    let System { information, mut diagonal, mut border } = system(state, design);
    information.factor()?.solve(&mut diagonal, &mut border);
    let log_sigma = *border.last()?;
    let size = diagonal.iter().chain(&border[..border.len() - 1]).fold(0.0_f64, |m, d| m.max(d.abs())) / state.sigma;
    let add = |a: &[f64], d: &[f64]| a.iter().zip(d).map(|(a, d)| a + d).collect();
    let next = State {
        groups: add(&state.groups, &diagonal),
        columns: add(&state.columns, &border),
        sigma: state.sigma * libm::exp(log_sigma),
        t: state.t,
    };
    Some((next, size.max(log_sigma.abs()))).filter(|n| n.1.is_finite())
}

impl StudentT {
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn fit(design: &Crossed, degrees_of_freedom: Option<f64>) -> Result<Self> {
        let start = two_way(design, &block_means(design))?;
        let parameters = design.groups + design.columns;
        if design.times.len() <= parameters {
            return Err(ErrorKind::ScatterNotEstimable {
                reason: format!("{} trials determine {parameters} levels and leave nothing over", design.times.len()),
            }
            .into());
        }
        let sigma = (start.residual_sum / start.weight).sqrt();
        if sigma <= 1e-12 {
            return Err(no_scatter());
        }
        let mut state =
            State { groups: start.groups, columns: start.columns, sigma, t: T::new(degrees_of_freedom.unwrap_or(5.0)) };
        let mut iterations = 0;
        Self::settle(&mut state, design, &mut iterations)?;
        if degrees_of_freedom.is_none() {
            // ν in turn with the rest; each round raises the likelihood.
            for _ in 0..MAX_ROUNDS {
                let nu = best_df(&state, design);
                let settled = (nu / state.t.nu - 1.0).abs() <= 1e-7;
                state.t = T::new(nu);
                Self::settle(&mut state, design, &mut iterations)?;
                if settled {
                    break;
                }
            }
        }
        Self::finish(design, state, iterations)
    }

    /// To the maximum at the present ν: EM until it is near, then Newton.
    fn settle(state: &mut State, design: &Crossed, iterations: &mut u32) -> Result<()> {
        let sigma = state.sigma;
        let mut change = f64::INFINITY;
        for _ in 0..MAX_ITERATIONS {
            *iterations += 1;
            let near = change < NEAR;
            if let Some((next, size)) = near.then(|| newton(state, design)).flatten()
                && size <= change
            {
                *state = next;
                change = size;
            } else {
                let next = state.step(design)?;
                if next.sigma < 1e-10 * sigma {
                    return Err(no_scatter());
                }
                let moved = |a: &[f64], b: &[f64]| a.iter().zip(b).fold(0.0_f64, |m, (x, y)| m.max((x - y).abs()));
                let locations = moved(&next.groups, &state.groups).max(moved(&next.columns, &state.columns));
                change = (locations / next.sigma).max((next.sigma / state.sigma - 1.0).abs());
                *state = next;
            }
            if change <= TOLERANCE {
                return Ok(());
            }
        }
        Err(ErrorKind::NotConverged {
            stage: "the fit with Student-t errors".into(),
            iterations: *iterations,
            gradient_norm: change,
        }
        .into())
    }

    fn finish(design: &Crossed, state: State, iterations: u32) -> Result<Self> {
        let s = state.sigma;
        let mut weights = Vec::with_capacity(design.times.len());
        let mut residuals = Vec::with_capacity(design.times.len());
        for (i, location) in state.locations(design) {
            weights.push(state.t.expected(design.times[i], location, s).0);
            residuals.push((design.times[i].middle() - location) / s);
        }
        let factored = system(&state, design).information.factor().ok_or_else(|| ErrorKind::NotEstimable {
            quantity: "standard errors with Student-t errors".into(),
            reason: "a material or surface is placed by trials that contradict each other too widely".into(),
        })?;
        let (corner, own, loadings) = factored.inverse();
        let log_likelihood = state.log_likelihood(design, state.t);
        let scale = Scale {
            location: state.groups,
            log_k: state.columns,
            sigma: s,
            corner,
            own,
            loadings,
            degrees_of_freedom: None,
            small_sample: SmallSample { factor: 1.0, degrees_of_freedom: f64::INFINITY },
            log_likelihood,
            iterations,
            decrement: 0.0,
        };
        Ok(Self { scale, weights, residuals, degrees_of_freedom: state.t.nu })
    }
}

/// ν that maximises the likelihood at the present locations and σ (golden section in log ν).
fn best_df(state: &State, design: &Crossed) -> f64 {
    let at = |log_nu: f64| state.log_likelihood(design, T::new(libm::exp(log_nu)));
    let golden = 0.5 * (5f64.sqrt() - 1.0);
    let (mut a, mut b) = (libm::log(SMALLEST_DF), libm::log(LARGEST_DF));
    let (mut c, mut d) = (b - golden * (b - a), a + golden * (b - a));
    let (mut fc, mut fd) = (at(c), at(d));
    while b - a > 1e-7 {
        if fc > fd {
            (b, d, fd) = (d, c, fc);
            c = b - golden * (b - a);
            fc = at(c);
        } else {
            (a, c, fc) = (c, d, fd);
            d = a + golden * (b - a);
            fd = at(d);
        }
    }
    libm::exp(0.5 * (a + b))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn expectations_and_derivatives_hold_together() {
        for nu in [1.0, 3.0, 8.5, 60.0] {
            let t = T::new(nu);
            for i in -12..=20 {
                let z = 0.25 * f64::from(i);
                let h = 1e-5;
                for time in [LogTime::Exact(0.0), LogTime::Right(0.0), LogTime::Left(0.0)] {
                    let value = |z: f64| match time {
                        LogTime::Right(_) => libm::log(t_survival(z, nu)),
                        LogTime::Left(_) => libm::log(t_survival(-z, nu)),
                        _ => t.log_density(z),
                    };
                    let (first, second) = t.derivatives(time, z);
                    assert!((first - (value(z + h) - value(z - h)) / (2.0 * h)).abs() < 1e-6, "{nu} {z} {time:?}");
                    let slope = |z: f64| t.derivatives(time, z).0;
                    assert!((second - (slope(z + h) - slope(z - h)) / (2.0 * h)).abs() < 1e-6, "{nu} {z} {time:?}");
                }
                // E[g | W > z] by direct integration of g(w) f(w), substitution w = z + u/(1 − u).
                let steps = 4000;
                let (mut g, mut gww, mut s) = (0.0, 0.0, 0.0);
                for k in 0..steps {
                    let u = (f64::from(k) + 0.5) / f64::from(steps);
                    let w = z + u / (1.0 - u);
                    let f = libm::exp(t.log_density(w)) / ((1.0 - u) * (1.0 - u));
                    let weight = (nu + 1.0) / (nu + w * w);
                    g += weight * f;
                    gww += weight * w * w * f;
                    s += f;
                }
                let (want_g, _, want_gww) = t.above(z);
                assert!((g / s - want_g).abs() < 1e-3, "{nu} {z}: {} {want_g}", g / s);
                assert!((gww / s - want_gww).abs() < 2e-3 * (1.0 + want_gww), "{nu} {z}: {} {want_gww}", gww / s);
            }
        }
    }
}
