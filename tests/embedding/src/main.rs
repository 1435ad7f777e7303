//! What a host program does with the small library: a campaign built in code, results as plain numbers,
//! a correction saved, loaded and applied, errors told apart.

use surface_severity::campaign::{Campaign, SurfaceRole, Trial};
use surface_severity::correction::{Correction, CorrectionOptions, LabReports};
use surface_severity::equivalence::Equivalence;
use surface_severity::severity::{Severity, SeverityDocument};
use surface_severity::tables;
use surface_severity::{Error, ErrorKind, Interval};

/// The host's own record.
struct Fall {
    surface: &'static str,
    material: String,
    seconds: f64,
}

fn drops() -> Vec<Fall> {
    let mut drops = Vec::new();
    for m in 0..6u32 {
        for (surface, k) in [("road", 1.0), ("rig", 2.5)] {
            for i in 0..4u32 {
                let wobble = 1.0 + 0.04 * f64::from((3 * m + 5 * i + surface.len() as u32) % 7);
                drops.push(Fall {
                    surface,
                    material: format!("material {m}"),
                    seconds: f64::from(m + 2) * wobble / k,
                });
            }
        }
    }
    drops
}

fn main() -> Result<(), Error> {
    let trials = drops().into_iter().enumerate().map(|(i, d)| {
        let role = if d.surface == "rig" { SurfaceRole::Laboratory } else { SurfaceRole::Road };
        Trial::perforated(i.to_string(), d.surface, d.material, d.seconds).surface_role(role)
    });
    let campaign = Campaign::from_trials(trials)?;
    let fit = Severity::new("road").independent().fit(&campaign)?;
    let k: Interval = fit.factor("rig")?;
    assert!(k.contains(2.5), "{k}");
    let (estimate, limits) = (k.estimate(), [k.lower(), k.upper()]);
    println!("k = {estimate:.3}, limits {limits:?}");

    // Plain slices.
    let rows: Vec<(&str, Option<f64>)> =
        fit.factors().iter().map(|f| (f.surface.as_str(), f.factor.value())).collect();
    assert_eq!(rows.len(), 2);

    // Documents there and back.
    let text = fit.document(None).to_json()?;
    assert_eq!(SeverityDocument::from_json(&text)?.to_json()?, text);
    let equivalence = Equivalence::new("rig").fit(&campaign, &fit)?;
    let saved = Correction::derive(&equivalence, &CorrectionOptions::default())?.to_json()?;
    let correction = Correction::from_json(&saved)?;
    let reports = "report_id,material,material_class,abrasion_time_s,outcome\nr1,new cloth,,2.0,perforated\n\
                   r1,new cloth,,2.2,perforated\n";
    for report in LabReports::read(reports.as_bytes(), "reports")?.reports() {
        for time in correction.apply(report) {
            println!("{}: {} s on {}", time.report_id(), time.road_median_s(), time.surface());
        }
    }
    print!("{}", tables::surface_factors(&fit).to_csv());

    // Errors told apart by kind.
    match fit.factor("moon") {
        Err(error) => assert!(matches!(error.kind(), ErrorKind::UnknownSurface { .. }) && error.is_input()),
        Ok(_) => unreachable!("no such surface"),
    }
    Ok(())
}
