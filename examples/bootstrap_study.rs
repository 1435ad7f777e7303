//! How often do the bootstrap intervals of a surface factor hold the truth, beside those of the fit of independent trials?
//!
//! ```text
//! cargo run --release --example bootstrap_study -- [--campaigns N] [--resampled N] [--replicates N] [--full]
//! ```
//! Simulated campaigns (three roads and a belt, log scatter 0.2): 3, 5, 10 specimens a cell × uncensored, a
//! fifth run out, a fifth opened at contact × without and with day effects (log sd 0.1, three days a surface)
//! × 6 and 12 materials; `--full` runs them all, otherwise a short selection. The first `--resampled` campaigns
//! are resampled too. Prints Markdown tables with the Monte Carlo standard error of their entries; seeded, so that
//! the same command gives the same tables. What the whole path says is in `coverage_study`.

mod study;

use std::process::ExitCode;

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use rayon::prelude::*;
use study::Failure;
use surface_severity::bootstrap::{Bootstrap, Scheme};
use surface_severity::campaign::{Campaign, Outcome, Trial};
use surface_severity::severity::Severity;
use surface_severity::{Error, Interval, IntervalMethod};

const SCATTER: f64 = 0.2;
const DAY: f64 = 0.1;
const LOG_K: [f64; 4] = [0.0, 0.9, 0.4, 1.0];
const LEVELS: [f64; 2] = [0.95, 0.9];
const NORMAL_80: f64 = 0.841_621_233_572_914_2;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Ends {
    Exact,
    RunOuts,
    Openings,
}

impl Ends {
    /// How a specimen ends that would be worn through after `time`, with the median exp(location).
    fn of(self, time: f64, location: f64) -> (f64, Outcome) {
        let (long, short) = ((location + NORMAL_80 * SCATTER).exp(), (location - NORMAL_80 * SCATTER).exp());
        match self {
            Self::RunOuts if time > long => (long, Outcome::RunOut),
            Self::Openings if time < short => (short, Outcome::OpenedAtContact),
            _ => (time, Outcome::Perforated),
        }
    }
}

#[derive(Debug, Clone, Copy)]
struct Cell {
    specimens: usize,
    ends: Ends,
    days: bool,
    materials: usize,
}

fn simulate(cell: &Cell, seed: u64) -> Result<Campaign, Error> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || rng.sample::<f64, _>(StandardNormal);
    let mut day = || if cell.days { DAY * normal() } else { 0.0 };
    let days: Vec<f64> = (0..12).map(|_| day()).collect();
    let mut trials = Vec::new();
    for m in 0..cell.materials {
        for (s, log_k) in LOG_K.iter().enumerate() {
            for i in 0..cell.specimens {
                let day = 3 * s + (i + m) % 3;
                let location = 0.25 * m as f64 - log_k;
                let (time, outcome) = cell.ends.of((location + days[day] + SCATTER * normal()).exp(), location);
                let (id, surface, material) = (format!("{m}-{s}-{i}"), format!("s{s}"), format!("m{m:02}"));
                let trial = match outcome {
                    Outcome::RunOut => Trial::run_out(id, surface, material, time),
                    Outcome::OpenedAtContact => Trial::opened_at_contact(id, surface, material, time),
                    _ => Trial::perforated(id, surface, material, time),
                };
                trials.push(trial.day(format!("d{day:02}")));
            }
        }
    }
    Campaign::from_trials(trials)
}

/// Intervals of a surface factor; those that do not suit a cell of the study are left blank there.
const METHODS: [&str; 6] = [
    "model",
    "stratified percentile",
    "stratified BCa",
    "rescaled percentile",
    "rescaled studentised",
    "parametric studentised",
];
/// Holds it the truth, and how wide is it (log)? By method and quantity.
type Answers = Vec<Vec<Option<(bool, f64)>>>;

fn answer(interval: Option<&Interval>, truth: f64) -> Option<(bool, f64)> {
    interval.map(|i| (i.contains(truth), (i.upper() / i.lower()).ln()))
}

fn factors(of: impl Fn(&str) -> Option<Interval>) -> Vec<Option<(bool, f64)>> {
    (1..LOG_K.len()).map(|s| answer(of(&format!("s{s}")).as_ref(), LOG_K[s].exp())).collect()
}

/// By level.
fn factor_intervals(campaign: &Campaign, replicates: Option<usize>) -> [Answers; 2] {
    let plan = Severity::new("s0").independent();
    let none = || vec![None; LOG_K.len() - 1];
    let mut answers = LEVELS.map(|level| {
        let fit = plan.clone().level(level).fit(campaign).ok();
        vec![factors(|s| fit.as_ref()?.factor(s).ok())]
    });
    let Some(replicates) = replicates else { return answers };
    let mut add = |scheme: Scheme, methods: &[IntervalMethod]| {
        let boot = Bootstrap::new(scheme, replicates).max_failures(0.5).severity(&plan, campaign).ok();
        for (level, answers) in LEVELS.into_iter().zip(&mut answers) {
            let boot = boot.clone().and_then(|b| b.at_level(level).ok());
            for &method in methods {
                answers.push(match &boot {
                    Some(boot) => factors(|s| Some(boot.factor(s, method).ok()?.interval)),
                    None => none(),
                });
            }
        }
    };
    add(Scheme::Stratified, &[IntervalMethod::Percentile, IntervalMethod::Bca]);
    add(Scheme::Rescaled, &[IntervalMethod::Percentile, IntervalMethod::Studentised]);
    add(Scheme::Parametric, &[IntervalMethod::Studentised]);
    answers
}

/// Hits, intervals and their summed width.
#[derive(Debug, Clone, Copy, Default)]
struct Tally {
    hits: usize,
    of: usize,
    width: f64,
}

impl Tally {
    fn add(&mut self, answers: &[Option<(bool, f64)>]) {
        for (hit, width) in answers.iter().flatten() {
            self.hits += usize::from(*hit);
            self.of += 1;
            self.width += width;
        }
    }
    fn cell(&self) -> String {
        if self.of == 0 {
            return String::new();
        }
        let of = self.of as f64;
        format!("{:.1} ({:.2})", 100.0 * self.hits as f64 / of, self.width / of)
    }
}

fn main() -> ExitCode {
    study::exit_code(run())
}

fn run() -> Result<(), Failure> {
    let (mut campaigns, mut resampled, mut replicates, mut full) = (80, 40, 199, false);
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
            "--resampled" => resampled = number()?,
            "--replicates" => replicates = number()?,
            "--full" => full = true,
            other => return Err(Failure::Usage(format!("unknown option {other}"))),
        }
    }
    let mut cells = Vec::new();
    for days in [false, true] {
        for materials in [6, 12] {
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
    let mut progress = study::Progress::new("campaigns");
    let mut tallies = Vec::new();
    for (index, cell) in cells.iter().enumerate() {
        let mut tally = [[Tally::default(); METHODS.len()]; 2];
        let block = 16;
        for first in (0..campaigns).step_by(block) {
            let many = (first..(first + block).min(campaigns)).into_par_iter();
            let rows: Vec<_> = many
                .map(|c| {
                    let campaign = simulate(cell, 1_000_003 * (index as u64 + 1) + c as u64)?;
                    Ok::<_, Error>(factor_intervals(&campaign, (c < resampled).then_some(replicates)))
                })
                .collect::<Result<_, _>>()?;
            for (level, answers) in rows.iter().flat_map(|row| row.iter().enumerate()) {
                for (tally, answers) in tally[level].iter_mut().zip(answers) {
                    tally.add(answers);
                }
            }
            let done = index * campaigns + (first + block).min(campaigns);
            let _ = progress.at(done, cells.len() * campaigns);
        }
        tallies.push(tally);
    }

    let row = |cell: &Cell| {
        let ends = match cell.ends {
            Ends::Exact => "exact",
            Ends::RunOuts => "1/5 run out",
            Ends::Openings => "1/5 opened",
        };
        format!("| {} | {} | {} | {ends} |", if cell.days { "yes" } else { "no" }, cell.materials, cell.specimens)
    };
    let percent = |level: f64, n: usize| 100.0 * (level * (1.0 - level) / n as f64).sqrt();
    for (l, level) in LEVELS.into_iter().enumerate() {
        println!(
            "Coverage in % of nominal {:.0} % intervals of a surface factor, in brackets their mean width in log k: three \
             factors of each of {campaigns} campaigns (Monte Carlo standard error {:.1} to {:.1}), resampled: of {resampled} \
             ({:.1} to {:.1}) with {replicates} replicates.\n",
            100.0 * level,
            percent(level, 3 * campaigns),
            percent(level, campaigns),
            percent(level, 3 * resampled),
            percent(level, resampled),
        );
        println!("| days | materials | specimens | ends | {} |", METHODS.join(" | "));
        println!("|{}", "---|".repeat(4 + METHODS.len()));
        for (cell, tally) in cells.iter().zip(&tallies) {
            let entries: Vec<String> = tally[l].iter().map(Tally::cell).collect();
            println!("{} {} |", row(cell), entries.join(" | "));
        }
        println!();
    }
    Ok(())
}
