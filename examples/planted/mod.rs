//! Simulated campaigns with planted gross errors.
// The study and the tests take different parts of it.
#![allow(dead_code)]
#![allow(clippy::unwrap_used, clippy::float_cmp)]
#![allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]

use std::collections::BTreeMap;

use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal, Uniform};
use surface_severity::campaign::{Campaign, Trial};
use surface_severity::screening::{Screening, Test, Verdict};
use surface_severity::severity::Severity;

/// How gross errors are spread.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Pattern {
    /// Each in its own place, either way.
    Single,
    /// Two in one cell, the same way: they hide each other.
    Pair,
    /// Three in one cell of five, the same way: the majority is wrong.
    Cluster,
}

pub(crate) const MATERIALS: usize = 8;
pub(crate) const SURFACES: usize = 5;
pub(crate) const SPECIMENS: usize = 5;
pub(crate) const SCATTER: f64 = 0.18;

/// True factor of each surface; the first is the reference.
pub(crate) const FACTORS: [f64; SURFACES] = [1.0, 0.7, 1.4, 2.0, 2.8];

pub(crate) struct Planted {
    pub(crate) campaign: Campaign,
    /// Per trial, in table order.
    pub(crate) spoiled: Vec<bool>,
}

/// Campaign `replicate`: 8 materials × 5 surfaces × 5 specimens, log scatter 0.18, `share` of the
/// trials multiplied by 3.5 or by 1/3.5.
pub(crate) fn campaign(share: f64, pattern: Pattern, replicate: u64) -> Planted {
    limited(share, pattern, None, replicate)
}

/// The same with runs of `run_length_s` at most: what lasts longer runs out there. Gross errors that end as the same
/// run-out as the trial would have without them are none.
pub(crate) fn limited(share: f64, pattern: Pattern, run_length_s: Option<f64>, replicate: u64) -> Planted {
    let mut rng = ChaCha8Rng::seed_from_u64(20);
    rng.set_stream(replicate);
    let cells = MATERIALS * SURFACES;
    let n = cells * SPECIMENS;
    let uniform = Uniform::new(0.0, 1.0).unwrap();
    let mut pick = |k: usize| ((uniform.sample(&mut rng) * k as f64) as usize).min(k - 1);
    let group = match pattern {
        Pattern::Single => 1,
        Pattern::Pair => 2,
        Pattern::Cluster => 3,
    };
    let wanted = (share * n as f64).round() as usize;
    let mut shift = vec![0.0; n];
    let mut planted = 0;
    let mut used = vec![0; cells];
    while planted + group <= wanted {
        let cell = pick(cells);
        // Pairs and clusters have a cell of their own; single ones may meet, but never a majority.
        if used[cell] + group > if group == 1 { 2 } else { group } {
            continue;
        }
        let sign = if pick(2) == 0 { 1.0 } else { -1.0 };
        let mut left = group;
        while left > 0 {
            let i = cell * SPECIMENS + pick(SPECIMENS);
            if shift[i] == 0.0 {
                shift[i] = sign * 3.5f64.ln();
                left -= 1;
            }
        }
        used[cell] += group;
        planted += group;
    }
    let limit = run_length_s.unwrap_or(f64::INFINITY);
    let mut spoiled = vec![false; n];
    let trials: Vec<Trial> = (0..n)
        .map(|i| {
            let cell = i / SPECIMENS;
            let (m, s) = (cell / SURFACES, cell % SURFACES);
            let z: f64 = StandardNormal.sample(&mut rng);
            let log = 1.5 + 0.3 * m as f64 - FACTORS[s].ln() + SCATTER * z;
            let time = (log + shift[i]).exp();
            spoiled[i] = shift[i] != 0.0 && log.exp().min(time) < limit;
            let (id, surface, material) = (format!("{i:03}"), format!("s{s}"), format!("m{m}"));
            if time < limit {
                Trial::perforated(id, surface, material, time)
            } else {
                Trial::run_out(id, surface, material, limit)
            }
        })
        .collect();
    Planted { campaign: Campaign::from_trials(trials).unwrap(), spoiled }
}

/// How specimens scatter about their cell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Noise {
    Normal,
    Weibull,
    Logistic,
    /// Student t with four degrees of freedom.
    HeavyTails,
}

/// Campaign `replicate` without a gross error; log scatter 0.18 whatever the noise, every surface on `days` days of its
/// own whose log times differ by `day_scatter`.
pub(crate) fn clean(noise: Noise, (days, day_scatter): (usize, f64), replicate: u64) -> Campaign {
    let mut rng = ChaCha8Rng::seed_from_u64(21);
    rng.set_stream(replicate);
    let open = Uniform::new(1e-12, 1.0).unwrap();
    let mut draw = |noise: Noise| -> f64 {
        match noise {
            Noise::Normal => StandardNormal.sample(&mut rng),
            Noise::Weibull => f64::ln(-f64::ln(open.sample(&mut rng))) * 6f64.sqrt() / std::f64::consts::PI,
            Noise::Logistic => {
                let u: f64 = open.sample(&mut rng);
                (u / (1.0 - u)).ln() * 3f64.sqrt() / std::f64::consts::PI
            }
            Noise::HeavyTails => {
                let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
                let chi: f64 = (0..4).map(|_| normal().powi(2)).sum();
                normal() / (chi / 4.0).sqrt() / 2f64.sqrt()
            }
        }
    };
    let of_day: Vec<f64> = (0..SURFACES * days).map(|_| day_scatter * draw(Noise::Normal)).collect();
    let mut trials = Vec::new();
    for m in 0..MATERIALS {
        for (s, factor) in FACTORS.iter().enumerate() {
            for i in 0..SPECIMENS {
                let day = s * days + (i + m) % days;
                let log = 1.5 + 0.3 * m as f64 - factor.ln() + of_day[day] + SCATTER * draw(noise);
                let trial = Trial::perforated(format!("{m}{s}{i}"), format!("s{s}"), format!("m{m}"), log.exp());
                trials.push(trial.day(format!("day {day}")));
            }
        }
    }
    Campaign::from_trials(trials).unwrap()
}

/// A mean over campaigns, with its Monte-Carlo standard error.
#[derive(Debug, Default, Clone, Copy)]
pub(crate) struct Mean {
    n: f64,
    sum: f64,
    squares: f64,
}

impl Mean {
    pub(crate) fn add(&mut self, value: f64) {
        self.n += 1.0;
        self.sum += value;
        self.squares += value * value;
    }
    pub(crate) fn mean(&self) -> f64 {
        self.sum / self.n.max(1.0)
    }
    pub(crate) fn error(&self) -> f64 {
        let variance = (self.squares / self.n - self.mean() * self.mean()).max(0.0) / (self.n - 1.0).max(1.0);
        variance.sqrt()
    }
    /// Of the square root of a mean of squares, by the delta method.
    pub(crate) fn root(&self) -> (f64, f64) {
        let root = self.mean().sqrt();
        (root, 0.5 * self.error() / root)
    }
}

/// One test alone: shares of the gross errors and of the good trials that it flags.
#[derive(Debug, Default, Clone, Copy)]
pub(crate) struct Alone {
    pub(crate) found: Mean,
    pub(crate) false_flags: Mean,
}

/// Counts over many campaigns.
#[derive(Debug, Default, Clone)]
pub(crate) struct Rates {
    pub(crate) spoiled: usize,
    pub(crate) found: usize,
    pub(crate) good: usize,
    pub(crate) false_flags: usize,
    pub(crate) campaigns: usize,
    pub(crate) campaigns_with_false_flag: usize,
    /// Sums of squared errors of the log factors: all trials, robust, without flagged.
    pub(crate) squares: [f64; 3],
    /// The same by campaign, with Monte-Carlo errors: shares found and falsely flagged, any false flag, squared errors.
    pub(crate) by_campaign: [Mean; 3],
    pub(crate) squares_by_campaign: [Mean; 3],
    /// Every test that can speak about a trial.
    pub(crate) tests: BTreeMap<Test, Alone>,
}

impl Rates {
    pub(crate) fn detection(&self) -> f64 {
        self.found as f64 / self.spoiled.max(1) as f64
    }
    pub(crate) fn false_alarm(&self) -> f64 {
        self.false_flags as f64 / self.good.max(1) as f64
    }
    pub(crate) fn spoiled_campaigns(&self) -> f64 {
        self.campaigns_with_false_flag as f64 / self.campaigns.max(1) as f64
    }
    /// Root mean square error of a log factor: all trials, robust, without flagged.
    pub(crate) fn errors(&self) -> [f64; 3] {
        self.squares.map(|s| (s / (self.campaigns * (SURFACES - 1)).max(1) as f64).sqrt())
    }
}

/// Screens campaigns `0..replicates`.
pub(crate) fn study(screening: &Screening, share: f64, pattern: Pattern, replicates: u64) -> Rates {
    study_limited(screening, share, pattern, None, replicates)
}

/// The statistical tests, in the order of the documentation.
pub(crate) const TESTS: [Test; 4] =
    [Test::DeletionResidual, Test::GeneralisedEsd, Test::MedianDeviation, Test::RobustResidual];

/// Screens campaigns `0..replicates` of runs that end at `run_length_s`.
pub(crate) fn study_limited(
    screening: &Screening,
    share: f64,
    pattern: Pattern,
    run_length_s: Option<f64>,
    replicates: u64,
) -> Rates {
    let plan = Severity::new("s0");
    let mut rates = Rates::default();
    for r in 0..replicates {
        let planted = limited(share, pattern, run_length_s, r);
        let report = screening.screen(&planted.campaign, &plan).unwrap();
        let spoiled = planted.spoiled.iter().filter(|s| **s).count();
        let good = planted.spoiled.len() - spoiled;
        let count = |speaks: &dyn Fn(&Verdict) -> bool| {
            let mut hits = [0, 0];
            for (verdict, &spoiled) in report.verdicts().iter().zip(&planted.spoiled) {
                hits[usize::from(!spoiled)] += usize::from(speaks(verdict));
            }
            hits
        };
        let [found, false_flags] = count(&|v| v.flagged);
        rates.spoiled += spoiled;
        rates.found += found;
        rates.good += good;
        rates.false_flags += false_flags;
        rates.campaigns += 1;
        rates.campaigns_with_false_flag += usize::from(false_flags > 0);
        let shares = [found as f64 / spoiled.max(1) as f64, false_flags as f64 / good as f64];
        for (mean, value) in rates.by_campaign.iter_mut().zip(shares.into_iter().chain([f64::from(false_flags > 0)])) {
            mean.add(value);
        }
        for test in TESTS {
            // Robust residuals flag nothing: their remarks count.
            let [found, false_flags] =
                count(&|v| v.evidence_of(test).is_some_and(|e| e.flags || test == Test::RobustResidual));
            let alone = rates.tests.entry(test).or_default();
            alone.found.add(found as f64 / spoiled.max(1) as f64);
            alone.false_flags.add(false_flags as f64 / good as f64);
        }
        let mut squares = [0.0; 3];
        for (row, truth) in report.headline().iter().zip(FACTORS).skip(1) {
            let estimates = [&row.all_trials, &row.robust, &row.without_flagged];
            for (sum, estimate) in squares.iter_mut().zip(estimates) {
                // A factor that was lost counts as one twice too large.
                *sum += (estimate.value().unwrap_or(2.0 * truth) / truth).ln().powi(2);
            }
        }
        for ((sum, mean), square) in rates.squares.iter_mut().zip(&mut rates.squares_by_campaign).zip(squares) {
            *sum += square;
            mean.add(square / (SURFACES - 1) as f64);
        }
    }
    rates
}
