//! The invented campaign of `data-demo/`, drawn from a stated truth.
//!
//! | | |
//! |---|---|
//! | in  | the tables of this file and one seed |
//! | out | [`generate`]: the text of `trials.csv`, `lab_reports.csv`, those of the second season ([`season`]) and `truth.json` |
//!
//! # Model
//! `ln T = ln(durability) − ln k(surface) − ln(class departure) + u(material, road) + d(day) + b(belt) − ln(v / 8 m/s) + 0.18 W`
//!
//! T in s; k dimensionless, 1 on the reference; W, u, d and b normal with the standard deviations
//! below; u is zero on the belt, so that materials scatter about every belt–road line with
//! [`BETWEEN_MATERIAL_LOG_SD`]. A time at or above the run length becomes a run-out, one below the
//! clock's resolution opened at contact; three gross errors, five voids and three wrong speeds are
//! placed by hand ([`INCIDENTS`]).
//!
//! # Same bytes everywhere
//! Every cell, day and report draws from its own numbered ChaCha8 stream; normals are made here
//! from raw 64-bit draws (Box and Muller 1958) with `libm`, so neither the platform's mathematics
//! nor a new release of a distribution crate moves a digit.

mod season;

use std::error::Error;

use rand::rngs::ChaCha8Rng;
use rand::{Rng, SeedableRng};
use serde::Serialize;

const SEED: u64 = 1;
const LOG_SCATTER: f64 = 0.18;
const BETWEEN_MATERIAL_LOG_SD: f64 = 0.06;
const DAY_LOG_SD: f64 = 0.04;
const BELT_LOG_SD: f64 = 0.03;
const NOMINAL_SPEED: f64 = 8.0;
const ROAD_RUN_LENGTH_S: f64 = 20.0;
const LABORATORY_RUN_LENGTH_S: f64 = 25.0;
const TIME_RESOLUTION_S: f64 = 0.05;
const DROPS_PER_RUN: usize = 12;

const BELT: &str = "laboratory belt";
const COARSE: &str = "coarse surface dressing";
const WORN: &str = "worn surface dressing";
const BRUSHED: &str = "brushed concrete";
const MASTIC: &str = "stone mastic asphalt";
const DENSE: &str = "dense asphalt concrete";
const POLISHED: &str = "polished fine asphalt";
const REFERENCE: &str = DENSE;

/// Surfaces with their true abrasiveness factors, in the column order of [`MATERIALS`].
const SURFACES: [(&str, f64); 7] =
    [(BELT, 2.75), (COARSE, 3.1), (WORN, 2.2), (BRUSHED, 1.7), (MASTIC, 1.35), (DENSE, 1.0), (POLISHED, 0.6)];

const EVERYDAY: &str = "everyday cloth";
const SINGLE: &str = "single-layer textile";
const LEATHER: &str = "leather";
const LINED: &str = "multi-layer lined textile";

/// The one class that departs from the common factor: on the polished road the synthetic layers
/// heat up, and a lined textile wears this many times faster than the common factor says.
const DEPARTURE: (&str, &str, f64) = (POLISHED, LINED, 1.8);

struct Material {
    name: &'static str,
    class: &'static str,
    /// True median time on the reference surface, before the material's own departure, s.
    durability_s: f64,
    mass_g_per_m2: f64,
    thickness_mm: f64,
    layers: u32,
    /// Specimens on each of [`SURFACES`]; 0 = not tested there.
    specimens: [usize; 7],
}

const fn material(
    name: &'static str,
    class: &'static str,
    durability_s: f64,
    (mass_g_per_m2, thickness_mm, layers): (f64, f64, u32),
    specimens: [usize; 7],
) -> Material {
    Material { name, class, durability_s, mass_g_per_m2, thickness_mm, layers, specimens }
}

const MATERIALS: [Material; 14] = [
    material("cotton shirt cloth", EVERYDAY, 0.14, (140.0, 0.30, 1), [6, 5, 4, 3, 0, 5, 0]),
    material("polyester fleece", EVERYDAY, 0.31, (260.0, 1.90, 1), [5, 4, 3, 0, 3, 4, 0]),
    material("cotton denim", EVERYDAY, 0.85, (430.0, 0.80, 1), [7, 5, 4, 4, 4, 6, 0]),
    material("aramid-cotton twill", SINGLE, 2.7, (380.0, 0.75, 1), [5, 4, 3, 3, 4, 5, 3]),
    material("aramid denim", SINGLE, 3.5, (450.0, 0.95, 1), [7, 6, 4, 5, 4, 6, 4]),
    material("heavy polyamide weave", SINGLE, 4.6, (410.0, 0.70, 1), [6, 4, 0, 4, 3, 5, 4]),
    material("UHMWPE denim", SINGLE, 6.2, (440.0, 0.90, 1), [6, 5, 4, 4, 4, 5, 5]),
    material("goatskin 1.0 mm", LEATHER, 9.2, (720.0, 1.00, 1), [5, 4, 3, 0, 0, 4, 3]),
    material("cowhide 1.2 mm", LEATHER, 12.5, (930.0, 1.20, 1), [7, 6, 5, 5, 5, 6, 6]),
    material("cowhide 1.4 mm", LEATHER, 15.5, (1080.0, 1.40, 1), [6, 4, 4, 3, 2, 5, 4]),
    material("aramid weave + mesh lining", LINED, 11.5, (620.0, 1.80, 2), [6, 5, 4, 5, 4, 6, 6]),
    material("polyamide weave + aramid lining", LINED, 14.0, (690.0, 1.70, 2), [6, 5, 0, 4, 4, 5, 5]),
    material("UHMWPE weave + aramid lining", LINED, 17.5, (710.0, 1.90, 2), [5, 4, 0, 2, 3, 4, 4]),
    material("polyamide + aramid felt + UHMWPE", LINED, 22.0, (960.0, 2.90, 3), [7, 5, 4, 4, 4, 6, 5]),
];

/// A stay at one surface: (day, surface, belt). A road day sees one or two surfaces, so that days
/// and surfaces are partly confounded, as in life; a laboratory day wears out one or two belts.
const VISITS: [(&str, &str, Option<&str>); 19] = [
    ("day-01", BELT, Some("belt-1")),
    ("day-01", BELT, Some("belt-2")),
    ("day-02", BELT, Some("belt-3")),
    ("day-03", COARSE, None),
    ("day-04", COARSE, None),
    ("day-04", DENSE, None),
    ("day-05", DENSE, None),
    ("day-06", BELT, Some("belt-4")),
    ("day-06", BELT, Some("belt-5")),
    ("day-07", MASTIC, None),
    ("day-07", BRUSHED, None),
    ("day-08", BRUSHED, None),
    ("day-08", WORN, None),
    ("day-09", WORN, None),
    ("day-10", MASTIC, None),
    ("day-10", POLISHED, None),
    ("day-11", POLISHED, None),
    ("day-11", DENSE, None),
    ("day-12", BELT, Some("belt-6")),
];

enum Incident {
    /// Not a valid trial; `timed` where the clock gave a time all the same.
    Void { reason: &'static str, timed: bool },
    /// The time is multiplied by `factor`; nothing in trials.csv says so.
    Gross { factor: f64, mechanism: &'static str },
    /// Run at this speed, m/s.
    Speed(f64),
}

/// What went wrong, at (surface, material, specimen counted from 0).
const INCIDENTS: [(&str, &str, usize, Incident); 11] = [
    (COARSE, "cotton denim", 2, Incident::Void { reason: "start wire did not break, no time", timed: false }),
    (BELT, "goatskin 1.0 mm", 3, Incident::Void { reason: "specimen slipped in the clamp", timed: true }),
    (POLISHED, "aramid weave + mesh lining", 1, Incident::Void { reason: "road damp after a shower", timed: true }),
    (BRUSHED, "polyamide weave + aramid lining", 0, Incident::Void { reason: "head bounced at contact", timed: true }),
    (DENSE, "polyester fleece", 1, Incident::Void { reason: "clock was not armed", timed: false }),
    (DENSE, "UHMWPE denim", 3, Incident::Gross { factor: 0.25, mechanism: "clamped over a seam, the seam went first" }),
    (BELT, "cowhide 1.2 mm", 2, Incident::Gross { factor: 0.3, mechanism: "stop wire broke before the hole" }),
    (
        COARSE,
        "aramid denim",
        4,
        Incident::Gross { factor: 3.5, mechanism: "stop wire lay beside the hole and broke late" },
    ),
    (DENSE, "cowhide 1.2 mm", 4, Incident::Speed(6.8)),
    (WORN, "UHMWPE denim", 1, Incident::Speed(9.1)),
    (MASTIC, "cotton denim", 2, Incident::Speed(7.1)),
];

enum Form {
    /// One row per specimen; runs end at the length given, s.
    Specimens { count: usize, run_length_s: f64 },
    /// One row with the geometric mean, the number of specimens and the log standard deviation.
    Mean { count: usize },
}

struct Report {
    material: &'static str,
    class: &'static str,
    /// As [`Material::durability_s`].
    durability_s: f64,
    form: Form,
    remark: &'static str,
}

const fn report(
    material: &'static str,
    class: &'static str,
    durability_s: f64,
    form: Form,
    remark: &'static str,
) -> Report {
    Report { material, class, durability_s, form, remark }
}

const fn specimens(count: usize) -> Form {
    Form::Specimens { count, run_length_s: LABORATORY_RUN_LENGTH_S }
}

const REPORTS: [Report; 12] = [
    report("cotton drill", EVERYDAY, 0.62, specimens(5), ""),
    report("aramid ripstop", SINGLE, 3.9, specimens(6), ""),
    report("polyamide-cotton weave", SINGLE, 2.9, specimens(4), ""),
    report("UHMWPE knit", SINGLE, 5.3, Form::Mean { count: 6 }, ""),
    report("cowhide 1.1 mm", LEATHER, 10.8, specimens(6), ""),
    report("goatskin 1.2 mm", LEATHER, 11.6, Form::Mean { count: 5 }, ""),
    report("aramid knit + felt lining", LINED, 13.0, specimens(5), ""),
    report("polyamide weave + felt lining", LINED, 16.0, Form::Mean { count: 6 }, ""),
    report(
        "UHMWPE-aramid weave + mesh lining",
        LINED,
        19.0,
        Form::Specimens { count: 5, run_length_s: 7.5 },
        "runs ended at 7.5 s, one specimen had not worn through",
    ),
    report("double cowhide 2.8 mm", LEATHER, 52.0, specimens(4), "laboratory times beyond any of the campaign"),
    report("coated knit", "coated textile", 7.5, specimens(6), "class not in the campaign"),
    report("cowhide 1.2 mm", LEATHER, 12.5, specimens(6), "also in the campaign, new specimens"),
];

#[derive(Serialize)]
struct TrialRow {
    trial_id: String,
    day: &'static str,
    run: String,
    surface: &'static str,
    material: &'static str,
    abrasion_time_s: Option<String>,
    outcome: &'static str,
    material_class: &'static str,
    surface_role: &'static str,
    belt: Option<&'static str>,
    speed_m_per_s: String,
    drop_height_mm: &'static str,
    normal_force_n: &'static str,
    temperature_c: String,
    layers: u32,
    thickness_mm: String,
    specimen_mass_g_per_m2: String,
    operator_shift: &'static str,
    note: &'static str,
}

#[derive(Serialize)]
struct ReportRow {
    report_id: String,
    material: &'static str,
    material_class: &'static str,
    abrasion_time_s: String,
    outcome: &'static str,
    specimens: Option<usize>,
    log_sd: Option<String>,
}

#[derive(Serialize)]
struct Truth {
    about: &'static str,
    model: &'static str,
    seed: u64,
    reference: &'static str,
    distribution: &'static str,
    log_scatter: f64,
    between_material_log_sd: f64,
    day_log_sd: f64,
    belt_log_sd: f64,
    nominal_speed_m_per_s: f64,
    speed_exponent_of_time: f64,
    road_run_length_s: f64,
    laboratory_run_length_s: f64,
    time_resolution_s: f64,
    surfaces: Vec<TrueSurface>,
    class_departures: Vec<TrueDeparture>,
    materials: Vec<TrueMaterial>,
    cells: Vec<TrueCell>,
    days: Vec<TrueEffect>,
    belts: Vec<TrueEffect>,
    gross_errors: Vec<TrueGross>,
    off_nominal_speeds: Vec<TrueSpeed>,
    voids: Vec<TrueVoid>,
    lab_reports: Vec<TrueReport>,
    second_season: season::SeasonTruth,
}

#[derive(Serialize)]
struct TrueSurface {
    surface: &'static str,
    role: &'static str,
    factor: f64,
}

#[derive(Serialize)]
struct TrueDeparture {
    surface: &'static str,
    material_class: &'static str,
    /// Factor of this class divided by the common factor.
    ratio: f64,
    factor: f64,
}

#[derive(Serialize)]
struct TrueMaterial {
    material: &'static str,
    material_class: &'static str,
    durability_s: f64,
}

#[derive(Serialize)]
struct TrueCell {
    surface: &'static str,
    material: &'static str,
    specimens: usize,
    log_departure: f64,
    median_s: f64,
}

#[derive(Serialize)]
struct TrueEffect {
    name: &'static str,
    log_effect: f64,
}

#[derive(Serialize)]
struct TrueGross {
    trial_id: String,
    surface: &'static str,
    material: &'static str,
    time_multiplied_by: f64,
    mechanism: &'static str,
}

#[derive(Serialize)]
struct TrueSpeed {
    trial_id: String,
    speed_m_per_s: f64,
}

#[derive(Serialize)]
struct TrueVoid {
    trial_id: String,
    reason: &'static str,
}

#[derive(Serialize)]
struct TrueReport {
    report_id: String,
    material: &'static str,
    material_class: &'static str,
    laboratory_median_s: f64,
    road_medians: Vec<TrueRoadMedian>,
    remark: &'static str,
}

#[derive(Serialize)]
struct TrueRoadMedian {
    surface: &'static str,
    median_s: f64,
}

/// What a stream is for; streams never share numbers.
#[derive(Clone, Copy)]
enum Purpose {
    Day = 1,
    Belt = 2,
    Departure = 3,
    Specimens = 4,
    Order = 5,
    Report = 6,
    Weather = 7,
    SeasonDay = 8,
    SeasonBelt = 9,
    SeasonDrops = 10,
    SeasonOrder = 11,
    SeasonReport = 12,
}

struct Draws(ChaCha8Rng);

impl Draws {
    fn new(purpose: Purpose, index: usize) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(SEED);
        rng.set_stream(purpose as u64 * 1_000 + index as u64);
        Self(rng)
    }

    /// Uniform on (0, 1], 53 bits.
    fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) + 1) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self, sd: f64) -> f64 {
        let radius = (-2.0 * libm::log(self.uniform())).sqrt();
        sd * radius * libm::cos(std::f64::consts::TAU * self.uniform())
    }

    /// Fisher and Yates, from the raw draws.
    fn shuffle<T>(&mut self, items: &mut [T]) {
        let mut end = 0_u64;
        for last in 0..items.len() {
            end += 1;
            // The bias of the remainder is below 1e-17 for lists this short.
            if let Ok(other) = usize::try_from(self.0.next_u64() % end) {
                items.swap(last, other);
            }
        }
    }
}

fn role(surface: &str) -> &'static str {
    if surface == BELT { "laboratory" } else { "road" }
}

/// Median of a material on a surface without its own departure, s.
fn common_median_s(durability_s: f64, class: &str, (surface, factor): (&str, f64)) -> f64 {
    let departs = (surface, class) == (DEPARTURE.0, DEPARTURE.1);
    durability_s / (if departs { factor * DEPARTURE.2 } else { factor })
}

/// The departure u of a material on each surface; zero on the belt.
fn log_departures(stream: usize) -> [f64; SURFACES.len()] {
    let mut draws = Draws::new(Purpose::Departure, stream);
    SURFACES.map(|(surface, _)| {
        let departure = draws.normal(BETWEEN_MATERIAL_LOG_SD);
        if surface == BELT { 0.0 } else { departure }
    })
}

/// What the clock and the run length make of a time: the text of the time and the outcome.
fn record(time_s: f64, run_length_s: f64) -> (String, &'static str) {
    let rounded = (time_s * 100.0).round() / 100.0;
    if rounded >= run_length_s {
        (format!("{run_length_s:.2}"), "run_out")
    } else if time_s < TIME_RESOLUTION_S {
        (format!("{TIME_RESOLUTION_S:.2}"), "opened_at_contact")
    } else {
        (format!("{rounded:.2}"), "perforated")
    }
}

/// Five significant digits, as written in truth.json.
fn five_digits(value: f64) -> Result<f64, Box<dyn Error>> {
    Ok(format!("{value:.4e}").parse()?)
}

fn effects(names: &[&'static str], purpose: Purpose, sd: f64) -> Result<Vec<TrueEffect>, Box<dyn Error>> {
    names
        .iter()
        .enumerate()
        .map(|(i, &name)| Ok(TrueEffect { name, log_effect: five_digits(Draws::new(purpose, i).normal(sd))? }))
        .collect()
}

fn effect_of(effects: &[TrueEffect], name: &str) -> f64 {
    effects.iter().find(|e| e.name == name).map_or(0.0, |e| e.log_effect)
}

fn distinct(names: impl Iterator<Item = &'static str>) -> Vec<&'static str> {
    let mut kept = Vec::new();
    for name in names {
        if !kept.contains(&name) {
            kept.push(name);
        }
    }
    kept
}

fn to_csv<R: Serialize>(rows: &[R]) -> Result<String, Box<dyn Error>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for row in rows {
        writer.serialize(row)?;
    }
    Ok(String::from_utf8(writer.into_inner()?)?)
}

/// The five files, by name.
pub(crate) fn generate() -> Result<[(&'static str, String); 5], Box<dyn Error>> {
    let days = effects(&distinct(VISITS.iter().map(|v| v.0)), Purpose::Day, DAY_LOG_SD)?;
    let belts = effects(&distinct(VISITS.iter().filter_map(|v| v.2)), Purpose::Belt, BELT_LOG_SD)?;
    let (season, season_reports, second_season) = season::generate()?;
    let mut truth = Truth {
        about: "Invented data with known truth. No real material, road, machine or laboratory stands behind any number.",
        model: "ln time = ln(durability_s) - ln(factor) + log_departure + log_effect of day and belt \
                - ln(speed / nominal speed) + log_scatter * standard normal",
        seed: SEED,
        reference: REFERENCE,
        distribution: "log-normal",
        log_scatter: LOG_SCATTER,
        between_material_log_sd: BETWEEN_MATERIAL_LOG_SD,
        day_log_sd: DAY_LOG_SD,
        belt_log_sd: BELT_LOG_SD,
        nominal_speed_m_per_s: NOMINAL_SPEED,
        speed_exponent_of_time: -1.0,
        road_run_length_s: ROAD_RUN_LENGTH_S,
        laboratory_run_length_s: LABORATORY_RUN_LENGTH_S,
        time_resolution_s: TIME_RESOLUTION_S,
        surfaces: SURFACES.map(|(surface, factor)| TrueSurface { surface, role: role(surface), factor }).into(),
        class_departures: Vec::new(),
        materials: Vec::new(),
        cells: Vec::new(),
        days,
        belts,
        gross_errors: Vec::new(),
        off_nominal_speeds: Vec::new(),
        voids: Vec::new(),
        lab_reports: Vec::new(),
        second_season,
    };
    for (surface, factor) in SURFACES.into_iter().filter(|s| s.0 == DEPARTURE.0) {
        truth.class_departures.push(TrueDeparture {
            surface,
            material_class: DEPARTURE.1,
            ratio: DEPARTURE.2,
            factor: five_digits(factor * DEPARTURE.2)?,
        });
    }
    for (m, material) in MATERIALS.iter().enumerate() {
        truth.materials.push(TrueMaterial {
            material: material.name,
            material_class: material.class,
            durability_s: material.durability_s,
        });
        for ((surface, departure), specimens) in
            SURFACES.into_iter().zip(log_departures(m)).zip(material.specimens).filter(|(_, n)| *n > 0)
        {
            let common = common_median_s(material.durability_s, material.class, surface);
            truth.cells.push(TrueCell {
                surface: surface.0,
                material: material.name,
                specimens,
                log_departure: five_digits(departure)?,
                median_s: five_digits(common * libm::exp(departure))?,
            });
        }
    }
    let trials = trials(&mut truth)?;
    let reports = reports(&mut truth)?;
    let mut json = serde_json::to_string_pretty(&truth)?;
    json.push('\n');
    Ok([
        ("trials.csv", to_csv(&trials)?),
        ("lab_reports.csv", to_csv(&reports)?),
        ("second_season.csv", season),
        ("second_season_reports.csv", season_reports),
        ("truth.json", json),
    ])
}

/// Every trial in the order in which it was run; writes down in `truth` what went wrong where.
fn trials(truth: &mut Truth) -> Result<Vec<TrialRow>, Box<dyn Error>> {
    let mut rows = Vec::new();
    let (mut road_trials, mut laboratory_trials, mut runs, mut incidents) = (0, 0, 0, 0);
    for (v, &(day, surface, belt)) in VISITS.iter().enumerate() {
        let stays: Vec<usize> = (0..VISITS.len()).filter(|&i| VISITS[i].1 == surface).collect();
        let stay = stays.iter().position(|&i| i == v).ok_or("a stay at no surface")?;
        let s = SURFACES.iter().position(|known| known.0 == surface).ok_or("a stay at an unknown surface")?;
        // Specimens of a cell are dealt out over the stays, each material beginning at another one.
        let mut drops: Vec<(usize, usize)> = (0..MATERIALS.len())
            .flat_map(|m| (0..MATERIALS[m].specimens[s]).map(move |replicate| (m, replicate)))
            .filter(|(m, replicate)| (m + replicate) % stays.len() == stay)
            .collect();
        Draws::new(Purpose::Order, v).shuffle(&mut drops);

        let mut weather = Draws::new(Purpose::Weather, v);
        let laboratory = surface == BELT;
        let mut temperature_c = if laboratory { 21.0 } else { 12.0 + 12.0 * weather.uniform() };
        let half = drops.len() / 2;
        for (position, (m, replicate)) in drops.into_iter().enumerate() {
            if position % DROPS_PER_RUN == 0 {
                runs += 1;
            }
            temperature_c += weather.normal(if laboratory { 0.1 } else { 0.3 });
            let counter = if laboratory { &mut laboratory_trials } else { &mut road_trials };
            *counter += 1;
            let trial_id = format!("{}-{counter:04}", if laboratory { 'L' } else { 'R' });

            let material = &MATERIALS[m];
            let mut draws = Draws::new(Purpose::Specimens, (m * SURFACES.len() + s) * 8 + replicate);
            let scatter = draws.normal(LOG_SCATTER);
            let mut speed = NOMINAL_SPEED + draws.normal(if laboratory { 0.01 } else { 0.04 });
            let mass = material.mass_g_per_m2 * (1.0 + draws.normal(0.015));
            let thickness = material.thickness_mm * (1.0 + draws.normal(0.02));
            let fused = (surface, material.class) == (DEPARTURE.0, DEPARTURE.1) && draws.uniform() < 0.5;

            let mut note = if fused { "fibres fused at the edges" } else { "" };
            let (mut multiplier, mut void, mut timed) = (1.0, false, true);
            let incident =
                INCIDENTS.iter().find(|i| i.0 == surface && i.1 == material.name && i.2 == replicate).map(|i| &i.3);
            incidents += usize::from(incident.is_some());
            match incident {
                None => {}
                Some(&Incident::Speed(actual)) => {
                    speed = actual;
                    truth.off_nominal_speeds.push(TrueSpeed { trial_id: trial_id.clone(), speed_m_per_s: actual });
                }
                Some(&Incident::Gross { factor, mechanism }) => {
                    multiplier = factor;
                    truth.gross_errors.push(TrueGross {
                        trial_id: trial_id.clone(),
                        surface,
                        material: material.name,
                        time_multiplied_by: factor,
                        mechanism,
                    });
                }
                Some(&Incident::Void { reason, timed: clocked }) => {
                    (note, void, timed) = (reason, true, clocked);
                    truth.voids.push(TrueVoid { trial_id: trial_id.clone(), reason });
                }
            }

            let log_effect = effect_of(&truth.days, day) + belt.map_or(0.0, |b| effect_of(&truth.belts, b));
            let median = common_median_s(material.durability_s, material.class, SURFACES[s]);
            let time_s =
                median * libm::exp(log_departures(m)[s] + log_effect + scatter) * multiplier / (speed / NOMINAL_SPEED);
            let run_length_s = if laboratory { LABORATORY_RUN_LENGTH_S } else { ROAD_RUN_LENGTH_S };
            let (time, outcome) = record(time_s, run_length_s);
            rows.push(TrialRow {
                trial_id,
                day,
                run: format!("run-{runs:02}"),
                surface,
                surface_role: role(surface),
                belt,
                material: material.name,
                material_class: material.class,
                layers: material.layers,
                thickness_mm: format!("{thickness:.2}"),
                specimen_mass_g_per_m2: format!("{mass:.0}"),
                speed_m_per_s: format!("{speed:.2}"),
                drop_height_mm: "35",
                normal_force_n: "62",
                temperature_c: format!("{temperature_c:.1}"),
                abrasion_time_s: timed.then_some(time),
                outcome: if void { "void" } else { outcome },
                operator_shift: if position < half { "early" } else { "late" },
                note,
            });
        }
    }
    if incidents == INCIDENTS.len() { Ok(rows) } else { Err("an incident names a specimen that is not tested".into()) }
}

/// The laboratory reports, run on belts in their nominal state (no day or belt effect).
fn reports(truth: &mut Truth) -> Result<Vec<ReportRow>, Box<dyn Error>> {
    let mut rows = Vec::new();
    for (r, report) in REPORTS.iter().enumerate() {
        let report_id = format!("LR-{:02}", r + 1);
        let campaign = MATERIALS.iter().position(|m| m.name == report.material);
        let departures = log_departures(campaign.unwrap_or(MATERIALS.len() + r));
        let median = |s: usize| {
            five_digits(common_median_s(report.durability_s, report.class, SURFACES[s]) * libm::exp(departures[s]))
        };
        let mut laboratory_median_s = 0.0;
        let mut road_medians = Vec::new();
        for (s, (surface, _)) in SURFACES.into_iter().enumerate() {
            if surface == BELT {
                laboratory_median_s = median(s)?;
            } else {
                road_medians.push(TrueRoadMedian { surface, median_s: median(s)? });
            }
        }
        truth.lab_reports.push(TrueReport {
            report_id: report_id.clone(),
            material: report.material,
            material_class: report.class,
            laboratory_median_s,
            road_medians,
            remark: report.remark,
        });

        let mut draws = Draws::new(Purpose::Report, r);
        let mut log_time = || libm::log(laboratory_median_s) + draws.normal(LOG_SCATTER);
        let row = |abrasion_time_s, outcome, specimens, log_sd| ReportRow {
            report_id: report_id.clone(),
            material: report.material,
            material_class: report.class,
            abrasion_time_s,
            outcome,
            specimens,
            log_sd,
        };
        match report.form {
            Form::Specimens { count, run_length_s } => {
                for _ in 0..count {
                    let (time, outcome) = record(libm::exp(log_time()), run_length_s);
                    rows.push(row(time, outcome, None, None));
                }
            }
            Form::Mean { count } => {
                let logs: Vec<f64> = (0..count).map(|_| log_time()).collect();
                let mean = logs.iter().sum::<f64>() / count as f64;
                let variance = logs.iter().map(|l| (l - mean) * (l - mean)).sum::<f64>() / (count as f64 - 1.0);
                let (time, outcome) = record(libm::exp(mean), LABORATORY_RUN_LENGTH_S);
                rows.push(row(time, outcome, Some(count), Some(format!("{:.3}", variance.sqrt()))));
            }
        }
    }
    Ok(rows)
}
