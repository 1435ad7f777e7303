//! How often do nominal 90 % and 95 % intervals of a surface factor hold the truth?
//!
//! ```text
//! cargo run --release --example coverage_study -- [--campaigns N] [--replicates N] [--full]
//! ```
//! Simulated campaigns (three road surfaces and a belt, log scatter 0.2): 3, 5, 10 specimens a cell ×
//! uncensored, a fifth run out, a fifth opened at contact × without and with day effects (log sd 0.1,
//! three days a surface) × 6 and 12 materials; `--full` runs them all, otherwise a short selection.
//! Prints a Markdown table with the Monte Carlo standard error of its entries; seeded, so that the
//! same command gives the same table. Coverage is over the three surfaces but the reference.

mod study;

use std::process::ExitCode;

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use rayon::prelude::*;
use study::Failure;
use surface_severity::bootstrap::{Bootstrap, Cluster, Scheme};
use surface_severity::campaign::{Campaign, Trial};
use surface_severity::severity::mixed::{Grouping, MixedSeverity};
use surface_severity::severity::{Distribution, Severity};
use surface_severity::{Interval, IntervalMethod};

const SCATTER: f64 = 0.2;
const DAY: f64 = 0.1;
const LOG_K: [f64; 4] = [0.0, 0.9, 0.4, 1.0];
const NORMAL_80: f64 = 0.841_621_233_572_914_2;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Ends {
    Exact,
    RunOuts,
    Openings,
}

#[derive(Debug, Clone, Copy)]
struct Cell {
    specimens: usize,
    ends: Ends,
    days: bool,
    materials: usize,
}

fn simulate(cell: &Cell, seed: u64) -> Result<Campaign, surface_severity::Error> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || rng.sample::<f64, _>(StandardNormal);
    let days: Vec<f64> = (0..12).map(|_| if cell.days { DAY * normal() } else { 0.0 }).collect();
    let mut trials = Vec::new();
    for m in 0..cell.materials {
        for (s, log_k) in LOG_K.iter().enumerate() {
            for i in 0..cell.specimens {
                let day = 3 * s + (i + m) % 3;
                let location = 0.25 * m as f64 - log_k;
                let t = (location + days[day] + SCATTER * normal()).exp();
                let (id, surface, material) = (format!("{m}-{s}-{i}"), format!("s{s}"), format!("m{m:02}"));
                let (long, short) = ((location + NORMAL_80 * SCATTER).exp(), (location - NORMAL_80 * SCATTER).exp());
                let trial = match cell.ends {
                    Ends::RunOuts if t > long => Trial::run_out(id, surface, material, long),
                    Ends::Openings if t < short => Trial::opened_at_contact(id, surface, material, short),
                    _ => Trial::perforated(id, surface, material, t),
                };
                trials.push(trial.day(format!("d{day:02}")));
            }
        }
    }
    Campaign::from_trials(trials)
}

/// Methods compared; those that do not suit a cell of the study are left blank there.
const METHODS: [&str; 9] = [
    "model",
    "stratified percentile",
    "stratified BCa",
    "rescaled percentile",
    "rescaled studentised",
    "residual percentile",
    "parametric studentised",
    "two-stage by day",
    "mixed, day random",
];

fn intervals(campaign: &Campaign, cell: &Cell, level: f64, replicates: usize) -> Vec<[Option<Interval>; 3]> {
    let plan = Severity::new("s0").level(level);
    let surfaces = ["s1", "s2", "s3"];
    let boot =
        |scheme| Bootstrap::new(scheme, replicates).level(level).max_failures(0.5).severity(&plan, campaign).ok();
    let of = |boot: &Option<surface_severity::bootstrap::SeverityBootstrap>, method| {
        surfaces.map(|s| boot.as_ref().and_then(|b| Some(b.factor(s, method).ok()?.interval)))
    };
    let fit = plan.fit(campaign).ok();
    let stratified = boot(Scheme::Stratified);
    let rescaled = boot(Scheme::Rescaled);
    let none = [None; 3];
    vec![
        surfaces.map(|s| fit.as_ref().and_then(|f| f.factor(s).ok())),
        of(&stratified, IntervalMethod::Percentile),
        of(&stratified, IntervalMethod::Bca),
        of(&rescaled, IntervalMethod::Percentile),
        of(&rescaled, IntervalMethod::Studentised),
        if cell.ends == Ends::Exact { of(&boot(Scheme::Residual), IntervalMethod::Percentile) } else { none },
        of(&boot(Scheme::Parametric), IntervalMethod::Studentised),
        if cell.days { of(&boot(Scheme::TwoStage(Cluster::Day)), IntervalMethod::Percentile) } else { none },
        if cell.days && cell.ends == Ends::Exact {
            let mixed = MixedSeverity::new("s0")
                .random(Grouping::Day)
                .distribution(Distribution::LogNormal)
                .level(level)
                .fit(campaign)
                .ok();
            surfaces.map(|s| mixed.as_ref().and_then(|f| f.factor(s).ok()))
        } else {
            none
        },
    ]
}

fn main() -> ExitCode {
    study::exit_code(run())
}

fn run() -> Result<(), Failure> {
    let (mut campaigns, mut replicates, mut full) = (40, 199, false);
    let mut arguments = std::env::args().skip(1);
    while let Some(name) = arguments.next() {
        let mut number = || {
            arguments
                .next()
                .and_then(|v| v.parse().ok())
                .ok_or_else(|| Failure::Usage(format!("{name} needs a whole number")))
        };
        match name.as_str() {
            "--campaigns" => campaigns = number()?,
            "--replicates" => replicates = number()?,
            "--full" => full = true,
            other => return Err(Failure::Usage(format!("unknown option {other}"))),
        }
    }
    let mut cells = Vec::new();
    for materials in [6, 12] {
        for days in [false, true] {
            for ends in [Ends::Exact, Ends::RunOuts, Ends::Openings] {
                for specimens in [3, 5, 10] {
                    cells.push(Cell { specimens, ends, days, materials });
                }
            }
        }
    }
    if !full {
        cells.retain(|c| c.materials == 6 && c.specimens == 3 && (c.ends == Ends::Exact || !c.days));
    }
    let level = 0.95;
    let error = (level * (1.0 - level) / (3.0 * campaigns as f64)).sqrt();
    println!(
        "Coverage of nominal {level} intervals, {campaigns} campaigns a row, {replicates} replicates, Monte Carlo \
         standard error about {error:.3} (three factors a campaign, correlated); in brackets the mean width of log k.\n"
    );
    println!("| materials | specimens | ends | days | {} |", METHODS.join(" | "));
    println!("|{}", "---|".repeat(4 + METHODS.len()));
    for (index, cell) in cells.iter().enumerate() {
        let mut progress = study::Progress::new("campaigns");
        let mut hits = vec![[0usize; 2]; METHODS.len()];
        let mut widths = vec![0.0; METHODS.len()];
        let block = 16;
        for first in (0..campaigns).step_by(block) {
            let many = (first..(first + block).min(campaigns)).into_par_iter();
            let rows: Vec<_> = many
                .map(|c| {
                    let seed = 1_000_003 * (index as u64 + 1) + c as u64;
                    simulate(cell, seed).map(|campaign| intervals(&campaign, cell, level, replicates))
                })
                .collect::<Result<_, _>>()?;
            for row in rows {
                for (m, found) in row.into_iter().enumerate() {
                    for (interval, log_k) in found.iter().zip(&LOG_K[1..]) {
                        if let Some(i) = interval {
                            hits[m][0] += usize::from(i.contains(log_k.exp()));
                            hits[m][1] += 1;
                            widths[m] += (i.upper() / i.lower()).ln();
                        }
                    }
                }
            }
            let _ = progress.at((first + block).min(campaigns), campaigns);
        }
        let ends = match cell.ends {
            Ends::Exact => "exact",
            Ends::RunOuts => "1/5 run out",
            Ends::Openings => "1/5 opened",
        };
        let days = if cell.days { "yes" } else { "no" };
        print!("| {} | {} | {ends} | {days} |", cell.materials, cell.specimens);
        for ([hit, of], width) in hits.iter().zip(&widths) {
            if *of == 0 {
                print!(" |");
            } else {
                print!(" {:.3} ({:.3}) |", *hit as f64 / *of as f64, width / *of as f64);
            }
        }
        println!();
    }
    Ok(())
}
