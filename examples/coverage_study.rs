//! How often is what the study says right? The whole path on simulated campaigns: the scale, the correction, a corrected
//! report of a material that was not in the campaign, and the tests.
//!
//! ```text
//! cargo run --release --example coverage_study -- [--campaigns N] [--only NAME]
//! ```
//! Roads and a belt, log scatter of specimens 0.2, materials that depart from the common factor by a log standard
//! deviation of their own on every surface, days and belts as each design has them. Prints a Markdown table with Monte Carlo
//! standard errors; seeded, so that the same command gives the same table on any number of threads. 40 campaigns a design
//! by default; the tables of the guide are of 1000.

use std::collections::BTreeMap;
use std::process::ExitCode;

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use rayon::prelude::*;
use surface_severity::campaign::{Campaign, Outcome, SurfaceRole, Trial};
use surface_severity::correction::{Correction, CorrectionOptions, LabReport};
use surface_severity::equivalence::{Equivalence, EquivalenceFit};
use surface_severity::severity::{Additivity, Covariate, Severity, SeverityFit};
use surface_severity::{Interval, Result};

const SCATTER: f64 = 0.2;
const ROADS: usize = 3;
/// log k of the roads, and of the belt.
const LOG_K: [f64; 4] = [0.0, 0.25, 0.5, 0.75];
const BELT: usize = 3;
/// Classes in turn over the materials.
const CLASSES: usize = 3;

/// Noise about the log times.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Noise {
    Normal,
    /// Student t with 4 degrees of freedom, of the same variance.
    HeavyTails,
    Logistic,
}

#[derive(Debug, Clone, Copy)]
struct Design {
    name: &'static str,
    materials: usize,
    specimens: usize,
    /// Days of each road, and of the belt; shared by all surfaces or its own.
    days: (usize, usize),
    shared: bool,
    day: f64,
    departures: f64,
    run_outs: f64,
    belts: (usize, f64),
    /// Log time that a belt loses with each drop, and the state that is asked for.
    wear: (f64, f64),
    /// Laboratories that the belt's specimens are dropped in, and operators of all, with standard deviations.
    laboratories: (usize, f64),
    operators: (usize, f64),
    /// Log time that wetness adds, and the power that times go with of speed: a third of the specimens, at 6, 8 and 10 m/s.
    wet: f64,
    speed: f64,
    /// Shift of the first class on the second road.
    class: f64,
    noise: Noise,
}

const BASE: Design = Design {
    name: "3 days a surface",
    materials: 9,
    specimens: 5,
    days: (3, 3),
    shared: false,
    day: 0.1,
    departures: 0.05,
    run_outs: 0.0,
    belts: (0, 0.0),
    wear: (0.0, 0.0),
    laboratories: (0, 0.0),
    operators: (0, 0.0),
    wet: 0.0,
    speed: 0.0,
    class: 0.0,
    noise: Noise::Normal,
};

fn designs() -> Vec<Design> {
    vec![
        BASE,
        Design { name: "no day effect", day: 0.0, ..BASE },
        Design { name: "day sd 0.05", day: 0.05, ..BASE },
        Design { name: "day sd 0.2", day: 0.2, ..BASE },
        Design { name: "2 days a surface", days: (2, 2), ..BASE },
        Design { name: "3 days that all surfaces share", shared: true, ..BASE },
        Design { name: "no departures", departures: 0.0, ..BASE },
        Design { name: "departures sd 0.2", departures: 0.2, ..BASE },
        Design { name: "3 specimens a cell", specimens: 3, ..BASE },
        Design { name: "6 materials, 3 specimens", materials: 6, specimens: 3, ..BASE },
        Design { name: "12 materials", materials: 12, ..BASE },
        Design { name: "a fifth run out", run_outs: 0.2, ..BASE },
        Design { name: "6 materials, 3 specimens, a fifth run out", materials: 6, specimens: 3, run_outs: 0.2, ..BASE },
        Design { name: "one day a road, two on the belt, sd 0.05", days: (1, 2), day: 0.05, ..BASE },
        Design { name: "one day a road, two on the belt, sd 0.1", days: (1, 2), ..BASE },
        Design { name: "one day for everything on a surface", days: (1, 1), ..BASE },
        Design { name: "two belts, sd 0.1", belts: (2, 0.1), ..BASE },
        Design { name: "four belts, sd 0.1", belts: (4, 0.1), ..BASE },
        Design {
            name: "two belts that wear by 1.5 % a drop, read fresh",
            belts: (2, 0.05),
            wear: (0.015, 0.0),
            ..BASE
        },
        Design { name: "read after 12 drops", belts: (2, 0.05), wear: (0.015, 12.0), ..BASE },
        Design { name: "read after 25 drops", belts: (2, 0.05), wear: (0.015, 25.0), ..BASE },
        Design { name: "belt in three laboratories, sd 0.1", laboratories: (3, 0.1), ..BASE },
        Design { name: "belt in five laboratories, sd 0.1", laboratories: (5, 0.1), specimens: 5, ..BASE },
        Design { name: "three operators, sd 0.1", operators: (3, 0.1), ..BASE },
        Design { name: "a third wet, by 0.3, as a covariate", wet: 0.3, ..BASE },
        Design { name: "three speeds, exponent −1.2 estimated", speed: -1.2, ..BASE },
        Design {
            name: "wear, wetness, speed and operators together",
            belts: (2, 0.05),
            wear: (0.015, 12.0),
            operators: (3, 0.05),
            wet: 0.3,
            speed: -1.2,
            ..BASE
        },
        Design { name: "a class that departs by 0.6 on one road", class: -0.5, materials: 12, ..BASE },
        Design { name: "t with 4 degrees of freedom", noise: Noise::HeavyTails, ..BASE },
        Design { name: "logistic", noise: Noise::Logistic, ..BASE },
    ]
}

/// Normal draws of one campaign.
struct Draw(ChaCha8Rng);

impl Draw {
    fn normal(&mut self, sd: f64) -> f64 {
        sd * self.0.sample::<f64, _>(StandardNormal)
    }

    fn noise(&mut self, noise: Noise) -> f64 {
        match noise {
            Noise::Normal => self.normal(SCATTER),
            Noise::HeavyTails => {
                let chi: f64 = (0..4).map(|_| self.normal(1.0).powi(2)).sum();
                self.normal(SCATTER) / (chi / 4.0).sqrt() / 2.0_f64.sqrt()
            }
            Noise::Logistic => {
                let u: f64 = self.0.random_range(1e-12..1.0);
                SCATTER * 3.0_f64.sqrt() / std::f64::consts::PI * (u / (1.0 - u)).ln()
            }
        }
    }
}

/// What one specimen met.
#[derive(Debug, Clone, Copy)]
struct Condition {
    laboratory: Option<usize>,
    operator: Option<usize>,
    wet: bool,
    speed: f64,
}

fn plan(d: &Design) -> Severity {
    let mut plan = Severity::new("road 0");
    if d.wear.0 > 0.0 {
        plan = plan.covariate(Covariate::belt_wear().at(d.wear.1));
    }
    if d.operators.0 > 0 {
        plan = plan.condition("operator");
    }
    if d.wet != 0.0 {
        plan = plan.covariate(Covariate::categories("wetness", "dry"));
    }
    if d.speed != 0.0 {
        plan = plan.covariate(Covariate::power_law("speed_m_per_s", 8.0));
    }
    plan
}

fn campaign(d: &Design, draw: &mut Draw) -> Result<Campaign> {
    let mut days: BTreeMap<String, f64> = BTreeMap::new();
    let belts: Vec<f64> = (0..d.belts.0).map(|_| draw.normal(d.belts.1)).collect();
    let laboratories: Vec<f64> = (0..d.laboratories.0).map(|_| draw.normal(d.laboratories.1)).collect();
    let operators: Vec<f64> = (0..d.operators.0).map(|_| draw.normal(d.operators.1)).collect();
    let durability: Vec<f64> = (0..d.materials).map(|_| 1.2 + draw.normal(0.6)).collect();
    let mut rows = Vec::new();
    for (s, log_k) in LOG_K.into_iter().enumerate() {
        for (m, durability) in durability.iter().enumerate() {
            let mut cell = durability - log_k + draw.normal(d.departures);
            if s == 1 && m % CLASSES == 0 {
                cell += d.class;
            }
            for r in 0..d.specimens {
                let k = (r + m) % if s == BELT { d.days.1 } else { d.days.0 };
                let day = if d.shared { format!("day {k}") } else { format!("{s}, day {k}") };
                let shift = *days.entry(day.clone()).or_insert_with(|| draw.normal(d.day));
                // A belt serves for so many drops before the next one is mounted; materials in turn.
                let each = (d.materials * d.specimens).div_ceil(d.belts.0.max(1));
                let on = r * d.materials + m;
                let belt = (s == BELT && d.belts.0 > 0).then(|| (on / each, (on % each) as f64));
                let of_belt = belt.map_or(0.0, |(b, drop)| belts[b] - d.wear.0 * drop);
                // In turn, but along no diagonal of the design.
                let turn = |n: usize| (r * 7 + m * 3 + s * 5 + (r * m) % 5) % n.max(1);
                let at = Condition {
                    laboratory: (s == BELT && !laboratories.is_empty()).then(|| r % laboratories.len()),
                    operator: (!operators.is_empty()).then(|| turn(operators.len())),
                    wet: d.wet != 0.0 && turn(3) == 0,
                    speed: if d.speed == 0.0 { 8.0 } else { [6.0, 8.0, 10.0][(turn(9) + r) % 3] },
                };
                let of_conditions = at.laboratory.map_or(0.0, |l| laboratories[l])
                    + at.operator.map_or(0.0, |o| operators[o])
                    + if at.wet { d.wet } else { 0.0 }
                    + d.speed * (at.speed / 8.0_f64).ln();
                rows.push((s, m, cell + shift + of_belt + of_conditions + draw.noise(d.noise), day, belt, at));
            }
        }
    }
    let mut times: Vec<f64> = rows.iter().map(|r| r.2).collect();
    times.sort_by(f64::total_cmp);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share of their number")]
    let kept = ((1.0 - d.run_outs) * times.len() as f64) as usize;
    let end = times.get(kept).copied().unwrap_or(f64::INFINITY);
    Campaign::from_trials(rows.into_iter().enumerate().map(|(i, (s, m, time, day, belt, at))| {
        let (id, material) = (format!("{i:04}"), format!("material {m:02}"));
        let surface = if s == BELT { "belt".into() } else { format!("road {s}") };
        let trial = if time > end {
            Trial::run_out(id, surface, material, end.exp())
        } else {
            Trial::perforated(id, surface, material, time.exp())
        };
        let role = if s == BELT { SurfaceRole::Laboratory } else { SurfaceRole::Road };
        let trial = trial.day(day).surface_role(role).material_class(format!("class {}", m % CLASSES));
        let mut trial = trial;
        if let Some(l) = at.laboratory {
            trial = trial.laboratory(format!("laboratory {l}"));
        }
        if let Some(o) = at.operator {
            trial = trial.covariate("operator", format!("operator {o}"));
        }
        if d.wet != 0.0 {
            trial = trial.covariate("wetness", if at.wet { "wet" } else { "dry" });
        }
        if d.speed != 0.0 {
            trial = trial.speed_m_per_s(at.speed);
        }
        match belt {
            Some((belt, drop)) if d.wear.0 > 0.0 => trial.belt(format!("belt {belt}")).belt_drop(drop),
            Some((belt, _)) => trial.belt(format!("belt {belt}")),
            None => trial,
        }
    }))
}

/// What is counted, in the order of the columns: hits and errors as 0 or 1, widths as log upper/lower.
const COLUMNS: [&str; 13] = [
    "answers",
    "factor of a road",
    "width",
    "c",
    "width",
    "upper/lower above 20",
    "median of a further material",
    "width",
    "a further specimen",
    "width",
    "one class said to depart",
    "one slope said not to be 1",
    "equivalence shown at its bound",
];

type Row = [Option<f64>; COLUMNS.len()];

fn one(d: &Design, seed: u64) -> Row {
    let mut draw = Draw(ChaCha8Rng::seed_from_u64(seed));
    let mut row: Row = [None; COLUMNS.len()];
    row[0] = Some(0.0);
    let _ = fill(d, &mut draw, &mut row);
    row
}

fn fill(d: &Design, draw: &mut Draw, row: &mut Row) -> Result<()> {
    let campaign = campaign(d, draw)?;
    let fit: SeverityFit = plan(d).fit(&campaign)?;
    let hit = |i: &Interval, log: f64| Some(f64::from(u8::from(i.contains(log.exp()))));
    let width = |i: &Interval| Some((i.upper() / i.lower()).ln());
    let road = fit.factor("road 2")?;
    (row[1], row[2]) = (hit(&road, LOG_K[2]), width(&road));
    let worn = d.wear.0 * d.wear.1;
    let log_c = LOG_K[BELT] - LOG_K[0] + worn;
    // The true ratio of the belt to the first road is the upper bound of equivalence.
    let relation: EquivalenceFit = Equivalence::new("belt").bounds(0.25, log_c.exp()).fit(&campaign, &fit)?;
    let c = fit.factor_between("belt", "road 0")?;
    (row[3], row[4], row[5]) = (hit(&c, log_c), width(&c), Some(f64::from(u8::from(c.upper() / c.lower() > 20.0))));
    let wrong = |road: &str| d.class == 0.0 || road != "road 1";
    row[10] = Some(f64::from(u8::from(relation.departing().any(|(road, _)| wrong(road)))));
    let slopes = relation.surfaces().iter().filter_map(|s| s.power_law().fitted()?.adjusted_slope_one_p_value());
    row[11] = Some(f64::from(u8::from(slopes.fold(1.0, f64::min) <= 0.05)));
    let shown = relation.undetermined().is_empty()
        && relation.surface("road 0")?.test().fitted().is_some_and(surface_severity::equivalence::Tost::equivalent);
    row[12] = Some(f64::from(u8::from(shown)));
    let correction = Correction::derive(&relation, &CorrectionOptions::default())?;
    // Five specimens of a new material on one day and one belt; a specimen of it on the road, on a day of its own.
    let durability = 1.2 + draw.normal(0.6);
    let own = |n: usize, sd: f64, draw: &mut Draw| if n > 0 { draw.normal(sd) } else { 0.0 };
    let shared = draw.normal(d.day)
        + own(d.belts.0, d.belts.1, draw)
        + own(d.laboratories.0, d.laboratories.1, draw)
        + own(d.operators.0, d.operators.1, draw);
    let on_belt = durability - LOG_K[BELT] - worn + draw.normal(d.departures) + shared;
    let times: Vec<(f64, Outcome)> =
        (0..5).map(|_| ((on_belt + draw.noise(d.noise)).exp(), Outcome::Perforated)).collect();
    let report = LabReport::from_specimens("R", "a further material", Some("class 1".into()), &times)?;
    let median = durability - LOG_K[0] + draw.normal(d.departures);
    let specimen = median + draw.normal(d.day) + own(d.operators.0, d.operators.1, draw) + draw.noise(d.noise);
    let read = correction.apply_on("road 0", &report)?;
    if let (Some(m), Some(s)) = (read.road_median_s().interval(), read.road_specimen_s().interval()) {
        (row[6], row[7]) = (hit(m, median), width(m));
        (row[8], row[9]) = (hit(s, specimen), width(s));
        row[0] = Some(1.0);
    }
    Ok(())
}

fn additivity(d: &Design, seed: u64) -> Option<f64> {
    let mut draw = Draw(ChaCha8Rng::seed_from_u64(seed));
    let campaign = campaign(d, &mut draw).ok()?;
    let test = Additivity::test(&plan(d), &campaign).ok()?;
    Some(f64::from(u8::from(test.comparison.p_value <= 0.05)))
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (n, sum) = values.fold((0.0, 0.0), |(n, sum), v| (n + 1.0, sum + v));
    (n > 0.0).then(|| sum / n)
}

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let (mut campaigns, mut only) = (40_u64, None);
    while let Some(name) = arguments.next() {
        match (name.as_str(), arguments.next()) {
            ("--campaigns", Some(n)) if n.parse::<u64>().is_ok_and(|n| n > 0) => campaigns = n.parse().unwrap_or(40),
            ("--only", Some(text)) => only = Some(text),
            _ => {
                eprintln!("usage: coverage_study [--campaigns N] [--only NAME]");
                return ExitCode::from(2);
            }
        }
    }
    println!(
        "Per cent of {campaigns} campaigns a row ({ROADS} roads and a belt, 9 materials in 3 classes, 5 specimens a cell, \
         3 days a surface, log scatter 0.2, day sd 0.1, departures sd 0.05, unless the row says otherwise; Monte Carlo \
         standard error of 95 %: {:.1}); widths are medians of upper/lower.\n",
        100.0 * (0.05 * 0.95 / campaigns as f64).sqrt()
    );
    println!("| design | {} | cells said not to be additive |", COLUMNS.join(" | "));
    println!("|---|{}", "---|".repeat(COLUMNS.len() + 1));
    for d in designs().iter().filter(|d| only.as_ref().is_none_or(|text| d.name.contains(text.as_str()))) {
        let rows: Vec<Row> = (0..campaigns).into_par_iter().map(|seed| one(d, seed)).collect();
        let cells: Vec<String> = COLUMNS
            .iter()
            .enumerate()
            .map(|(at, name)| {
                if *name == "width" {
                    let mut values: Vec<f64> = rows.iter().filter_map(|r| r[at]).collect();
                    values.sort_by(f64::total_cmp);
                    return values.get(values.len() / 2).map_or("–".into(), |w| format!("{:.2}", w.exp()));
                }
                mean(rows.iter().filter_map(|r| r[at])).map_or("–".into(), |m| format!("{:.1}", 100.0 * m))
            })
            .collect();
        // Of departures that are there the test may say so: only where there are none is it wrong.
        let additive: Vec<f64> = if d.departures == 0.0 {
            (0..campaigns).into_par_iter().filter_map(|seed| additivity(d, seed)).collect()
        } else {
            Vec::new()
        };
        let wrong = mean(additive.into_iter()).map_or("–".into(), |m| format!("{:.1}", 100.0 * m));
        println!("| {} | {} | {wrong} |", d.name, cells.join(" | "));
    }
    ExitCode::SUCCESS
}
