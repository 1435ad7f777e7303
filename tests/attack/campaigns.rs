//! The whole study on small campaigns without sense: times over the whole range of a clock, cells with one trial or none,
//! everything censored, labels that are markup, formulas or blanks.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use surface_severity::campaign::{Campaign, SurfaceRole, Trial};
use surface_severity::correction::{Correction, Exposure, LabReports};
use surface_severity::equivalence::EquivalenceDocument;
use surface_severity::screening::ScreeningDocument;
use surface_severity::severity::{Covariate, Distribution, Severity, SeverityDocument};
use surface_severity::slide::Slide;
use surface_severity::study::Study;

/// A number in words that is none.
fn infinite(text: &str) -> Option<&str> {
    let at = text
        .match_indices(|c: char| c.is_ascii_alphabetic())
        .map(|(i, _)| i)
        .filter(|&i| i == 0 || !text.as_bytes()[i - 1].is_ascii_alphanumeric())
        .find(|&i| {
            ["inf", "nan", "infinity"].iter().any(|word| {
                text[i..].get(..word.len()).is_some_and(|t| t.eq_ignore_ascii_case(word))
                    && !text[i + word.len()..].starts_with(|c: char| c.is_alphanumeric())
            })
        })?;
    let from = text[..at].char_indices().rev().nth(80).map_or(0, |c| c.0);
    let to = text[at..].char_indices().nth(40).map_or(text.len(), |c| at + c.0);
    Some(&text[from..to])
}

const LABELS: [&str; 5] = ["=1+1", "<b>x</b>", "r\u{202e}ough", "../up", "a,\"b\""];

fn campaign(seed: u64) -> Option<Campaign> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (materials, surfaces) = (rng.random_range(1..7), rng.random_range(2..5));
    let (days, belts, classes) = (rng.random_range(0..4), rng.random_range(0..3), rng.random_range(0..4));
    let range: f64 = [0.3, 1.0, 3.0, 9.0][rng.random_range(0..4)];
    let scatter: f64 = [0.0, 1e-6, 0.2, 2.0][rng.random_range(0..4)];
    let censored: f64 = [0.0, 0.0, 0.3, 0.9][rng.random_range(0..4)];
    let most = rng.random_range(1..5);
    let hostile = rng.random_range(0..4) == 0;
    let label = |kind: &str, i: usize| if hostile { format!("{kind}{}", LABELS[i % 5]) } else { format!("{kind} {i}") };
    let conditions = rng.random_range(0..2) == 0;
    let durability: Vec<f64> = (0..materials).map(|_| rng.random_range(-range..range)).collect();
    let severity: Vec<f64> = (0..surfaces).map(|_| rng.random_range(-range..range)).collect();
    let mut trials = Vec::new();
    for m in 0..materials {
        for s in 0..surfaces {
            for _ in 0..rng.random_range(0..=most) {
                let log = durability[m] - severity[s] + scatter * rng.random_range(-1.0..1.0);
                let time = log.exp().clamp(1e-4, 1e5);
                let id = format!("t{}", trials.len());
                let (surface, material) = (label("surface", s), label("material", m));
                let trial = if rng.random_range(0.0..1.0) < censored {
                    match rng.random_range(0..3) {
                        0 => Trial::opened_at_contact(id, surface, material, time),
                        _ => Trial::run_out(id, surface, material, time),
                    }
                } else {
                    Trial::perforated(id, surface, material, time)
                };
                let role = if s == 0 { SurfaceRole::Road } else { SurfaceRole::Laboratory };
                let role = if s + 1 == surfaces { role } else { SurfaceRole::Road };
                let mut trial = trial.surface_role(role);
                if classes > 0 {
                    trial = trial.material_class(label("class", m % classes));
                }
                if days > 0 && rng.random_range(0..10) > 0 {
                    trial = trial.day(format!("day {}", rng.random_range(0..days)));
                }
                if belts > 0 && s + 1 == surfaces {
                    trial = trial.belt(format!("belt {}", rng.random_range(0..belts)));
                }
                if conditions {
                    trial = trial.speed_m_per_s([4.0, 6.0, 8.0, 12.0, 8.01][rng.random_range(0..5)]);
                    trial = trial.covariate("wetness", ["dry", "wet", LABELS[1]][rng.random_range(0..3)]);
                    if s + 1 == surfaces && rng.random_range(0..8) > 0 {
                        trial = trial.belt_drop(f64::from(rng.random_range(0..20_u32)));
                        trial = trial.laboratory(["east", "west"][rng.random_range(0..2)]);
                    }
                }
                trials.push(trial);
            }
        }
    }
    Campaign::from_trials(trials).ok()
}

fn reports(seed: u64) -> LabReports {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xabcd);
    let mut text =
        "report_id,material,material_class,abrasion_time_s,outcome,reference_time_s,reference_drops,speed_m_per_s\n"
            .to_owned();
    for r in 0..3 {
        let reference = match rng.random_range(0..3) {
            0 => ",".to_owned(),
            _ => format!("{:.4},{}", f64::exp(rng.random_range(-9.0..11.0)), rng.random_range(1..5)),
        };
        for _ in 0..rng.random_range(1..4) {
            let time = f64::exp(rng.random_range(-9.0..11.0));
            let outcome = ["perforated", "run_out", "opened_at_contact"][rng.random_range(0..3)];
            text.push_str(&format!("r{r},garment {r},class {r},{time:.4},{outcome},{reference},{}\n", 4 + 4 * r));
        }
    }
    LabReports::read(text.as_bytes(), "reports.csv").unwrap()
}

/// Everything that can stand around a campaign, at random.
fn around(seed: u64, campaign: &Campaign, mut plan: Severity) -> Study {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed);
    for (column, covariate) in [
        Covariate::power_law("speed_m_per_s", 8.0),
        Covariate::power_law("speed_m_per_s", 8.0).by_class(),
        Covariate::categories("wetness", "dry"),
        Covariate::belt_wear().at(5.0),
        Covariate::belt_wear().by_belt(),
        Covariate::steps("belt_drop", 0.0, [3.0, 9.0]),
        Covariate::power_law("speed_m_per_s", 6.0).given(-1.0, 0.3),
    ]
    .into_iter()
    .enumerate()
    {
        // One of each column, where there is something to fit.
        let alone = column == rng.random_range(0..7);
        if alone && plan.clone().covariate(covariate.clone()).fit(campaign).is_ok() {
            plan = plan.covariate(covariate);
            break;
        }
    }
    let reference = plan.reference().to_owned();
    let mut study = Study::new(plan.clone());
    if rng.random_range(0..2) == 0 {
        study = study.slide(Slide::new(0.5, 8.0).friction_uncertainty(0.2).speeds_km_per_h([20.0, 90.0]));
        study = study.exposure(Exposure::new([(reference.clone(), 1.0)]).unwrap());
    }
    if rng.random_range(0..2) == 0 {
        study = study.reference_cloth(campaign.materials()[0].name.clone());
    }
    if rng.random_range(0..2) == 0 {
        let depths = campaign.surfaces().iter().map(|s| s.name.clone()).chain(["elsewhere".to_owned()]);
        study = study.texture(depths.enumerate().map(|(i, s)| (s, 0.3 + 0.4 * i as f64)).collect::<Vec<_>>());
    }
    if rng.random_range(0..2) == 0 {
        // Another campaign, if it has the same reference.
        let other = self::campaign(seed + 1_000_000).and_then(|c| Severity::new(reference).fit(&c).ok());
        study = other.into_iter().fold(study, |study, fit| study.season(fit.document(None)));
    }
    study
}

/// What a study says of a campaign; `None` where it refuses.
fn attack(seed: u64) -> Option<()> {
    let campaign = campaign(seed)?;
    let reference = campaign.surfaces().iter().find(|s| s.role != Some(SurfaceRole::Laboratory))?.name.clone();
    let distribution =
        [Distribution::LogNormal, Distribution::Weibull, Distribution::LogLogistic][usize::try_from(seed % 3).unwrap()];
    let reports = reports(seed);
    let study = around(seed, &campaign, Severity::new(reference).distribution(distribution));
    let result = match study.run(&campaign, Some(&reports)) {
        Ok(result) => result,
        Err(error) => {
            let text = error.to_string();
            assert_eq!(infinite(&text), None, "seed {seed}: {text}");
            return None;
        }
    };
    let summary = result.summary();
    assert_eq!(infinite(&summary), None, "seed {seed}: {summary}");
    for missing in &result.conclusions.not_had {
        assert_eq!(infinite(&missing.reason), None, "seed {seed}: {}", missing.reason);
    }
    #[cfg(feature = "report")]
    let files = surface_severity::report::files(&result, "severity_study", &[]).unwrap();
    #[cfg(not(feature = "report"))]
    let files = result.files().unwrap();
    for name in files.names() {
        let Some(text) = files.text(name) else { continue };
        assert_eq!(infinite(text), None, "seed {seed}: {name}");
        let read = match name {
            "severity.json" => SeverityDocument::from_json(text).map(drop),
            "screening.json" => ScreeningDocument::from_json(text).map(drop),
            n if n.starts_with("equivalence") => EquivalenceDocument::from_json(text).map(drop),
            n if n.starts_with("correction") && n.ends_with(".json") => Correction::from_json(text).map(drop),
            _ => Ok(()),
        };
        assert!(read.is_ok(), "seed {seed}: {name} is written and not read: {}", read.unwrap_err());
    }
    Some(())
}

#[test]
fn studies_of_campaigns_without_sense() {
    let seeds: u64 = std::env::var("ATTACKS").ok().and_then(|n| n.parse().ok()).unwrap_or(100);
    let first: u64 = std::env::var("FIRST_ATTACK").ok().and_then(|n| n.parse().ok()).unwrap_or(0);
    let mut failed = Vec::new();
    let mut studied = 0;
    for seed in first..first + seeds {
        match std::panic::catch_unwind(|| attack(seed)) {
            Ok(found) => studied += usize::from(found.is_some()),
            Err(_) => failed.push(seed),
        }
    }
    println!("{studied} of {seeds} could be studied");
    assert!(failed.is_empty(), "seeds {failed:?}");
    assert!(studied * 4 > usize::try_from(seeds).unwrap(), "{studied} studies");
}
