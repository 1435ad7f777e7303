//! How often do 95 % limits of factors hold the truth where days are few?
//!
//! ```text
//! cargo run --release --example level_study -- [--campaigns N] [--design WORD] [--days-only]
//! ```
//! Simulated campaigns (three roads and a belt, log scatter of specimens 0.2), fitted with days and material × surface
//! random (`--days-only`: days): one day for each road and two for the belt; two or three days for each surface, its own or
//! shared by all. Prints a Markdown table: coverage of the intervals of factors between roads and of c = belt ÷ road,
//! median ratio of their limits, share with a ratio above 10 and 20, campaigns refused; seeded.

mod study;

use std::process::ExitCode;

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use rayon::prelude::*;
use study::Failure;
use surface_severity::campaign::{Campaign, Trial};
use surface_severity::severity::mixed::{Grouping, MixedSeverity};
use surface_severity::{Error, Interval};

const SCATTER: f64 = 0.2;
/// The last surface is the belt.
const LOG_K: [f64; 4] = [0.0, 0.9, 0.4, 1.0];
const BELT: usize = 3;
const NORMAL_80: f64 = 0.841_621_233_572_914_2;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Layout {
    /// A day for each road, two for the belt.
    One,
    /// So many days for each surface.
    Own(usize),
    /// So many days, every surface on each.
    Shared(usize),
}

#[derive(Debug, Clone, Copy)]
struct Design {
    layout: Layout,
    materials: usize,
    drops: usize,
    day: f64,
    /// Standard deviation of a material's own departure on a surface.
    cell: f64,
    run_outs: bool,
}

fn simulate(design: &Design, seed: u64) -> Result<Campaign, Error> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = |sd: f64| -> f64 { sd * rng.sample::<f64, _>(StandardNormal) };
    let days: Vec<f64> = (0..12).map(|_| normal(design.day)).collect();
    let mut trials = Vec::new();
    for m in 0..design.materials {
        for (s, log_k) in LOG_K.iter().enumerate() {
            let location = 1.5 + 0.15 * m as f64 - log_k + normal(design.cell);
            for i in 0..design.drops {
                let day = match design.layout {
                    Layout::One if s == BELT => BELT + (i + m) % 2,
                    Layout::One => s,
                    Layout::Own(n) => n * s + (i + m) % n,
                    Layout::Shared(n) => (i + m) % n,
                };
                let time = location + days[day] + normal(SCATTER);
                let long = location + NORMAL_80 * SCATTER;
                let (id, surface, material) = (format!("{m}-{s}-{i}"), format!("s{s}"), format!("m{m:02}"));
                let trial = if design.run_outs && time > long {
                    Trial::run_out(id, surface, material, long.exp())
                } else {
                    Trial::perforated(id, surface, material, time.exp())
                };
                trials.push(trial.day(format!("d{day:02}")));
            }
        }
    }
    Campaign::from_trials(trials)
}

/// Hits and ratios of limits.
#[derive(Debug, Default)]
struct Tally {
    hits: usize,
    ratios: Vec<f64>,
    refused: usize,
}

impl Tally {
    fn add(&mut self, interval: Result<Interval, Error>, log_truth: f64) {
        match interval {
            Ok(i) => {
                self.hits += usize::from(i.contains(log_truth.exp()));
                self.ratios.push(i.upper() / i.lower());
            }
            Err(error) => {
                eprintln!("refused: {error}");
                self.refused += 1;
            }
        }
    }
    fn join(mut self, other: Self) -> Self {
        self.hits += other.hits;
        self.refused += other.refused;
        self.ratios.extend(other.ratios);
        self
    }
    fn entry(&mut self) -> String {
        self.ratios.sort_unstable_by(f64::total_cmp);
        let n = self.ratios.len().max(1) as f64;
        let above = |limit: f64| 100.0 * self.ratios.iter().filter(|r| **r > limit).count() as f64 / n;
        format!(
            "{:.1} | {:.2} | {:.1} | {:.1} | {}",
            100.0 * self.hits as f64 / n,
            self.ratios.get(self.ratios.len() / 2).unwrap_or(&f64::NAN),
            above(10.0),
            above(20.0),
            self.refused
        )
    }
}

fn measure(design: &Design, days_only: bool, seed: u64) -> Result<(Tally, Tally, usize), Error> {
    let campaign = simulate(design, seed)?;
    let plan = MixedSeverity::new("s0").random(Grouping::Day);
    let plan = if days_only { plan } else { plan.random(Grouping::MaterialBySurface) };
    let (mut roads, mut belt) = (Tally::default(), Tally::default());
    let fit = match plan.fit(&campaign) {
        Ok(fit) => fit,
        Err(error) => {
            eprintln!("refused: {error}");
            (roads.refused, belt.refused) = (3, 3);
            return Ok((roads, belt, 0));
        }
    };
    let name = |s: usize| format!("s{s}");
    for (a, b) in [(1, 0), (2, 0), (2, 1)] {
        roads.add(fit.factor_between(&name(a), &name(b)), LOG_K[a] - LOG_K[b]);
    }
    for road in 0..BELT {
        belt.add(fit.factor_between(&name(BELT), &name(road)), LOG_K[BELT] - LOG_K[road]);
    }
    Ok((roads, belt, usize::from(fit.variance_components()[0].at_boundary)))
}

fn designs() -> Vec<Design> {
    let mut all = Vec::new();
    for layout in [Layout::One, Layout::Own(2), Layout::Own(3), Layout::Shared(2), Layout::Shared(3)] {
        for day in [0.0, 0.05, 0.1, 0.2] {
            for (materials, drops, cell, run_outs) in [
                (9, 5, 0.0, false),
                (9, 5, 0.1, false),
                (5, 3, 0.1, false),
                (12, 3, 0.0, false),
                (9, 5, 0.1, true),
                (6, 3, 0.0, true),
            ] {
                all.push(Design { layout, materials, drops, day, cell, run_outs });
            }
        }
    }
    all
}

fn main() -> ExitCode {
    study::exit_code(run())
}

fn run() -> Result<(), Failure> {
    let (mut campaigns, mut word, mut days_only) = (400_u64, String::new(), false);
    let mut arguments = std::env::args().skip(1);
    while let Some(name) = arguments.next() {
        let mut value = || arguments.next().ok_or_else(|| Failure::Usage(format!("{name} needs a value")));
        match name.as_str() {
            "--campaigns" => {
                campaigns =
                    value()?.parse().map_err(|_| Failure::Usage("--campaigns needs a whole number".to_owned()))?;
            }
            "--design" => word = value()?,
            "--days-only" => days_only = true,
            other => return Err(Failure::Usage(format!("unknown option {other}"))),
        }
    }
    println!(
        "{campaigns} campaigns a row, three intervals of each kind in each. Columns of each kind: per cent that hold the \
         truth, median ratio of the limits, per cent with a ratio above 10 and above 20, intervals refused.\n"
    );
    println!(
        "| days | materials | drops | cells | run-outs | day sd | at zero | roads | ratio | > 10 | > 20 | refused | c | ratio \
         | > 10 | > 20 | refused |"
    );
    println!("|{}", "---|".repeat(17));
    for (index, design) in designs().iter().enumerate() {
        let label = format!("{:?}", design.layout);
        if !label.contains(&word) {
            continue;
        }
        let rows: Vec<_> = (0..campaigns)
            .into_par_iter()
            .map(|c| measure(design, days_only, 1_000_003 * (index as u64 + 1) + c))
            .collect::<Result<_, _>>()?;
        let (mut roads, mut belt, mut zero) = (Tally::default(), Tally::default(), 0);
        for (a, b, z) in rows {
            roads = roads.join(a);
            belt = belt.join(b);
            zero += z;
        }
        println!(
            "| {label} | {} | {} | {} | {} | {} | {:.0} % | {} | {} |",
            design.materials,
            design.drops,
            design.cell,
            if design.run_outs { "yes" } else { "no" },
            design.day,
            100.0 * zero as f64 / campaigns as f64,
            roads.entry(),
            belt.entry()
        );
    }
    Ok(())
}
