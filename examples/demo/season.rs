//! The second season of the invented campaign: fewer materials and roads, one road that has polished, belts that wear, drops of
//! a reference cloth between the others, a ladder of speeds on the belt, and reports with a reference reading of their own.
//!
//! `ln T = ln(durability) − ln k − ln(class departure) + u + day + belt + 0.012 n − b(class) ln(v / 8 m/s) + 0.18 W`, n the drops that
//! the belt has served: it loses its grit.

use std::error::Error;

use serde::Serialize;

use super::{
    BELT, BELT_LOG_SD, BRUSHED, COARSE, DAY_LOG_SD, DENSE, Draws, EVERYDAY, LABORATORY_RUN_LENGTH_S, LEATHER, LINED,
    LOG_SCATTER, MATERIALS, NOMINAL_SPEED, POLISHED, Purpose, ROAD_RUN_LENGTH_S, SINGLE, SURFACES, common_median_s,
    five_digits, log_departures, record, role, to_csv,
};

/// The road that has polished since the first season.
const CHANGED: (&str, f64) = (COARSE, 2.3);
/// Log time that a drop adds on the belt.
const WEAR: f64 = 0.012;
/// Drops between two of the reference cloth.
const CLOTH_EVERY: usize = 8;
/// The cloth, its class and its durability, s.
const CLOTH: (&str, &str, f64) = ("reference canvas", "reference cloth", 4.2);
/// Wear goes with this power of speed: lined textiles heat up.
const SPEED_EXPONENTS: [(&str, f64); 5] =
    [(EVERYDAY, 1.0), (SINGLE, 1.2), (LEATHER, 1.0), (LINED, 1.7), (CLOTH.1, 1.0)];
const LADDER: [f64; 3] = [5.0, 8.0, 12.0];
/// Those of the first season that are tested again.
const TESTED: [&str; 8] = [
    "cotton denim",
    "aramid denim",
    "UHMWPE denim",
    "heavy polyamide weave",
    "goatskin 1.0 mm",
    "cowhide 1.2 mm",
    "aramid weave + mesh lining",
    "polyamide weave + aramid lining",
];
/// Day, surface, belt; a ladder is run where it says so.
const VISITS: [(&str, &str, Option<&str>, bool); 12] = [
    ("day-21", BELT, Some("belt-21"), false),
    ("day-22", COARSE, None, false),
    ("day-22", DENSE, None, false),
    ("day-23", BRUSHED, None, false),
    ("day-23", DENSE, None, false),
    ("day-24", BELT, Some("belt-22"), false),
    ("day-25", POLISHED, None, false),
    ("day-25", BRUSHED, None, false),
    ("day-26", COARSE, None, false),
    ("day-26", POLISHED, None, false),
    ("day-27", BELT, Some("belt-23"), true),
    ("day-28", BELT, Some("belt-24"), true),
];
const SPECIMENS: usize = 2;
/// Reports: material, class, durability, specimens, drops of the cloth on their belt.
const REPORTS: [(&str, &str, f64, usize, usize); 4] = [
    ("aramid ripstop", SINGLE, 3.9, 5, 4),
    ("cowhide 1.1 mm", LEATHER, 10.8, 6, 5),
    ("aramid knit + felt lining", LINED, 13.0, 5, 4),
    ("cotton drill", EVERYDAY, 0.62, 5, 3),
];
/// Standard deviation of log time between the belts and days of reports: they are older than those of the campaign.
const REPORT_BELT_LOG_SD: f64 = 0.12;

#[derive(Serialize)]
struct Row {
    trial_id: String,
    day: &'static str,
    surface: &'static str,
    surface_role: &'static str,
    belt: Option<&'static str>,
    belt_drop: Option<usize>,
    material: &'static str,
    material_class: &'static str,
    abrasion_time_s: String,
    outcome: &'static str,
    speed_m_per_s: String,
    normal_force_n: &'static str,
}

#[derive(Serialize)]
struct ReportRow {
    report_id: String,
    material: &'static str,
    material_class: &'static str,
    abrasion_time_s: String,
    outcome: &'static str,
    reference_time_s: String,
    reference_drops: usize,
}

#[derive(Serialize)]
pub(super) struct SeasonTruth {
    changed: (&'static str, f64),
    log_wear_of_a_drop: f64,
    reference_cloth: &'static str,
    reference_cloth_durability_s: f64,
    wear_goes_with_speed_to_the_power: Vec<(&'static str, f64)>,
    reports: Vec<TrueReport>,
}

#[derive(Serialize)]
struct TrueReport {
    report_id: String,
    /// Of the belt and day that it was made on.
    log_effect: f64,
    /// On a belt as those of the campaign.
    laboratory_median_s: f64,
    road_medians: Vec<(&'static str, f64)>,
}

fn factor(surface: &str) -> f64 {
    if surface == CHANGED.0 {
        return CHANGED.1;
    }
    SURFACES.iter().find(|s| s.0 == surface).map_or(1.0, |s| s.1)
}

/// Log median at the nominal speed on a fresh belt; `None`: the cloth.
fn log_median(material: Option<usize>, surface: &'static str) -> Result<f64, Box<dyn Error>> {
    let Some(m) = material else { return Ok(libm::log(CLOTH.2 / factor(surface))) };
    let s = SURFACES.iter().position(|known| known.0 == surface).ok_or("an unknown surface")?;
    let median = common_median_s(MATERIALS[m].durability_s, MATERIALS[m].class, (surface, factor(surface)));
    Ok(libm::log(median) + log_departures(m)[s])
}

fn exponent(class: &str) -> f64 {
    SPEED_EXPONENTS.iter().find(|e| e.0 == class).map_or(1.0, |e| e.1)
}

/// The trials, the reports and what they were drawn from.
pub(super) fn generate() -> Result<(String, String, SeasonTruth), Box<dyn Error>> {
    let tested: Vec<usize> = TESTED.iter().filter_map(|name| MATERIALS.iter().position(|m| m.name == *name)).collect();
    let days: Vec<&str> = {
        let mut days: Vec<&str> = VISITS.iter().map(|v| v.0).collect();
        days.dedup();
        days
    };
    let mut rows = Vec::new();
    for (v, &(day, surface, belt, ladder)) in VISITS.iter().enumerate() {
        let d = days.iter().position(|name| *name == day).ok_or("an unknown day")?;
        let shared = Draws::new(Purpose::SeasonDay, d).normal(DAY_LOG_SD)
            + belt.map_or(0.0, |_| Draws::new(Purpose::SeasonBelt, v).normal(BELT_LOG_SD));
        let speeds = if ladder { &LADDER[..] } else { &[NOMINAL_SPEED] };
        let mut drops: Vec<(Option<usize>, f64)> = speeds
            .iter()
            .flat_map(|&speed| tested.iter().flat_map(move |&m| (0..SPECIMENS).map(move |_| (Some(m), speed))))
            .collect();
        // The road runs of everyday cloth on the polished road were left out in the first season too.
        drops.retain(|(m, _)| m.is_none_or(|m| surface != POLISHED || MATERIALS[m].class != EVERYDAY));
        Draws::new(Purpose::SeasonOrder, v).shuffle(&mut drops);
        if belt.is_some() {
            let every = drops
                .chunks(CLOTH_EVERY)
                .flat_map(|part| std::iter::once((None, NOMINAL_SPEED)).chain(part.iter().copied()));
            drops = every.chain([(None, NOMINAL_SPEED)]).collect();
        } else {
            drops.extend([(None, NOMINAL_SPEED), (None, NOMINAL_SPEED)]);
        }
        for (n, (material, nominal)) in drops.into_iter().enumerate() {
            let mut draws = Draws::new(Purpose::SeasonDrops, v * 64 + n);
            let speed = nominal + draws.normal(if belt.is_some() { 0.01 } else { 0.04 });
            let (name, class) = material.map_or((CLOTH.0, CLOTH.1), |m| (MATERIALS[m].name, MATERIALS[m].class));
            let log_time = log_median(material, surface)? + shared + draws.normal(LOG_SCATTER)
                - exponent(class) * libm::log(speed / NOMINAL_SPEED)
                + if belt.is_some() { WEAR * n as f64 } else { 0.0 };
            let end = if belt.is_some() { LABORATORY_RUN_LENGTH_S } else { ROAD_RUN_LENGTH_S };
            let (time, outcome) = record(libm::exp(log_time), end);
            rows.push(Row {
                trial_id: format!("S{:04}", rows.len() + 1),
                day,
                surface,
                surface_role: role(surface),
                belt,
                belt_drop: belt.map(|_| n),
                material: name,
                material_class: class,
                abrasion_time_s: time,
                outcome,
                speed_m_per_s: format!("{speed:.2}"),
                normal_force_n: "62",
            });
        }
    }
    let mut reports = Vec::new();
    let mut truths = Vec::new();
    for (r, &(material, class, durability_s, specimens, cloth_drops)) in REPORTS.iter().enumerate() {
        let report_id = format!("SR-{:02}", r + 1);
        let mut draws = Draws::new(Purpose::SeasonReport, r);
        let log_effect = five_digits(draws.normal(REPORT_BELT_LOG_SD))?;
        let departures = log_departures(MATERIALS.len() + 20 + r);
        let median = |s: usize| {
            let surface = SURFACES[s].0;
            five_digits(common_median_s(durability_s, class, (surface, factor(surface))) * libm::exp(departures[s]))
        };
        let on_belt = median(0)?;
        let cloth: f64 = (0..cloth_drops)
            .map(|_| libm::log(CLOTH.2 / factor(BELT)) + log_effect + draws.normal(LOG_SCATTER))
            .sum::<f64>()
            / cloth_drops as f64;
        for _ in 0..specimens {
            let log_time = libm::log(on_belt) + log_effect + draws.normal(LOG_SCATTER);
            let (abrasion_time_s, outcome) = record(libm::exp(log_time), LABORATORY_RUN_LENGTH_S);
            reports.push(ReportRow {
                report_id: report_id.clone(),
                material,
                material_class: class,
                abrasion_time_s,
                outcome,
                reference_time_s: format!("{:.3}", libm::exp(cloth)),
                reference_drops: cloth_drops,
            });
        }
        let roads = (1..SURFACES.len()).filter(|&s| VISITS.iter().any(|v| v.1 == SURFACES[s].0));
        let road_medians = roads.map(|s| Ok((SURFACES[s].0, median(s)?))).collect::<Result<_, Box<dyn Error>>>()?;
        truths.push(TrueReport { report_id, log_effect, laboratory_median_s: on_belt, road_medians });
    }
    let truth = SeasonTruth {
        changed: CHANGED,
        log_wear_of_a_drop: WEAR,
        reference_cloth: CLOTH.0,
        reference_cloth_durability_s: CLOTH.2,
        wear_goes_with_speed_to_the_power: SPEED_EXPONENTS.to_vec(),
        reports: truths,
    };
    Ok((to_csv(&rows)?, to_csv(&reports)?, truth))
}
