//! Simulated campaigns with planted gross errors.
#![allow(clippy::unwrap_used, clippy::float_cmp)]
#![allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]

use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal, Uniform};
use surface_severity::campaign::{Campaign, Trial};

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
    let trials = (0..n).map(|i| {
        let cell = i / SPECIMENS;
        let (m, s) = (cell / SURFACES, cell % SURFACES);
        let z: f64 = StandardNormal.sample(&mut rng);
        let log = 1.5 + 0.3 * m as f64 - FACTORS[s].ln() + SCATTER * z + shift[i];
        Trial::perforated(format!("{i:03}"), format!("s{s}"), format!("m{m}"), log.exp())
    });
    Planted { campaign: Campaign::from_trials(trials).unwrap(), spoiled: shift.iter().map(|s| *s != 0.0).collect() }
}

/// Counts over many campaigns.
#[derive(Debug, Default, Clone, Copy)]
pub(crate) struct Rates {
    pub(crate) spoiled: usize,
    pub(crate) found: usize,
    pub(crate) good: usize,
    pub(crate) false_flags: usize,
    pub(crate) campaigns: usize,
    pub(crate) campaigns_with_false_flag: usize,
    /// Sums of squared errors of the log factors: all trials, robust, without flagged.
    pub(crate) squares: [f64; 3],
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
pub(crate) fn study(
    screening: &surface_severity::screening::Screening,
    share: f64,
    pattern: Pattern,
    replicates: u64,
) -> Rates {
    let plan = surface_severity::severity::Severity::new("s0");
    let mut rates = Rates::default();
    for r in 0..replicates {
        let planted = campaign(share, pattern, r);
        let report = screening.screen(&planted.campaign, &plan).unwrap();
        let mut any = false;
        for (verdict, &spoiled) in report.verdicts().iter().zip(&planted.spoiled) {
            if spoiled {
                rates.spoiled += 1;
                rates.found += usize::from(verdict.flagged);
            } else {
                rates.good += 1;
                rates.false_flags += usize::from(verdict.flagged);
                any |= verdict.flagged;
            }
        }
        rates.campaigns += 1;
        rates.campaigns_with_false_flag += usize::from(any);
        for (row, truth) in report.headline().iter().zip(FACTORS).skip(1) {
            let estimates = [&row.all_trials, &row.robust, &row.without_flagged];
            for (sum, estimate) in rates.squares.iter_mut().zip(estimates) {
                // A factor that was lost counts as one twice too large.
                *sum += (estimate.value().unwrap_or(2.0 * truth) / truth).ln().powi(2);
            }
        }
    }
    rates
}
