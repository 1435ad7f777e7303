//! Times in another unit are asked about, by what they have in common, and nobody else is accused.

use surface_severity::campaign::{Campaign, Trial, UnitSlip, unit_slips};

const SURFACES: [(&str, f64); 4] = [("asphalt", 1.0), ("concrete", 1.7), ("chip seal", 3.0), ("belt", 2.4)];
const MATERIALS: [(&str, f64); 5] =
    [("hide", 9.0), ("denim", 0.6), ("knit", 2.4), ("felt", 0.3), ("double hide", 21.0)];

/// Four drops in each cell, on two days and by two persons, with the time of each as `time` makes it of the true one.
fn campaign(surfaces: &[(&str, f64)], mut time: impl FnMut(&Trial, f64) -> f64) -> Campaign {
    let mut trials = Vec::new();
    for (s, (surface, k)) in surfaces.iter().enumerate() {
        for (m, (material, durability)) in MATERIALS.iter().enumerate() {
            for i in 0..4 {
                // Scatter of about a quarter.
                let scatter = [0.8, 1.3, 1.0, 1.1][(i + s + 2 * m) % 4];
                let trial = Trial::perforated(format!("{surface}-{material}-{i}"), *surface, *material, 1.0)
                    .day(format!("d{}", i % 2))
                    .covariate("operator", ["Ann", "Bo"][(i / 2 + s + m) % 2]);
                let t = time(&trial, durability / k * scatter);
                trials.push(trial.abrasion_time_s(t));
            }
        }
    }
    Campaign::from_trials(trials).unwrap()
}

fn one(campaign: &Campaign) -> UnitSlip {
    let slips = unit_slips(campaign);
    assert_eq!(slips.len(), 1, "{slips:?}");
    slips[0].clone()
}

fn group(slip: &UnitSlip) -> Vec<(&str, &str)> {
    slip.group.iter().map(|(column, label)| (column.as_str(), label.as_str())).collect()
}

#[test]
fn a_sound_table_is_not_asked() {
    assert!(unit_slips(&campaign(&SURFACES, |_, t| t)).is_empty());
    // Surfaces that differ eightfold, and a material that lasts a hundred times as long.
    let wide = [("glass", 0.4), ("asphalt", 1.0), ("sandpaper", 8.0)];
    let wide = campaign(&wide, |trial, t| if trial.material == "double hide" { t * 5.0 } else { t });
    assert!(unit_slips(&wide).is_empty());
    // Bounds are no measurements: a run that was ended early, a clock's resolution.
    let mut trials = campaign(&SURFACES, |_, t| t).trials().to_vec();
    trials[0] = Trial::run_out("r", "asphalt", "double hide", 0.3);
    trials[5] = Trial::opened_at_contact("o", "asphalt", "hide", 0.01);
    assert!(unit_slips(&Campaign::from_trials(trials).unwrap()).is_empty());
}

#[test]
fn three_of_four_in_milliseconds_do_not_accuse_the_fourth() {
    let odd = |t: &Trial| t.surface == "belt" && t.material == "denim" && !t.trial_id.ends_with('2');
    let slip = one(&campaign(&SURFACES, |trial, t| if odd(trial) { t * 1000.0 } else { t }));
    assert_eq!(slip.trials, ["belt-denim-0", "belt-denim-1", "belt-denim-3"]);
    assert_eq!((slip.of, slip.unit_ratio, slip.suggestion()), (4, 1000.0, "milliseconds"));
    assert_eq!(group(&slip), [("material", "denim"), ("surface", "belt")]);
    // Three of four in every cell: the typical time tells that the many are the odd ones.
    let slip = one(&campaign(&SURFACES, |trial, t| if trial.trial_id.ends_with('2') { t } else { t * 1000.0 }));
    assert_eq!((slip.trials.len(), slip.of, slip.unit_ratio), (60, 80, 1000.0));
    assert!(slip.group.is_empty() && slip.trials.iter().all(|id| !id.ends_with('2')));
}

#[test]
fn a_belt_a_day_a_person_and_the_table() {
    let belt = one(&campaign(&SURFACES, |t, time| if t.surface == "belt" { time * 1000.0 } else { time }));
    assert_eq!((group(&belt), belt.trials.len(), belt.of), (vec![("surface", "belt")], 20, 20));
    // Also where there is one road only, and in either direction.
    for (ratio, unit) in [(1000.0, "milliseconds"), (1.0 / 60.0, "minutes")] {
        let two = campaign(&SURFACES[2..], |t, time| if t.surface == "belt" { time * ratio } else { time });
        let slip = one(&two);
        assert_eq!((group(&slip), slip.suggestion()), (vec![("surface", "belt")], unit));
        let two = campaign(&SURFACES[2..], |t, time| if t.surface == "belt" { time } else { time * ratio });
        assert_eq!(group(&one(&two)), [("surface", "chip seal")], "{ratio}");
    }
    let day = one(&campaign(&SURFACES, |t, time| if t.day.as_deref() == Some("d1") { time * 1000.0 } else { time }));
    assert_eq!((group(&day), day.trials.len()), (vec![("day", "d1")], 40));
    let by = |t: &Trial| t.covariates["operator"] == "Bo";
    let person = one(&campaign(&SURFACES, |t, time| if by(t) && t.surface != "belt" { time / 60.0 } else { time }));
    assert_eq!((group(&person), person.trials.len(), person.of), (vec![("operator", "Bo")], 30, 40));
    assert!((person.ratio * 60.0).ln().abs() < 0.5 && (person.unit_ratio * 60.0 - 1.0).abs() < 1e-12);
    let table = one(&campaign(&SURFACES, |_, time| time * 1000.0));
    assert_eq!((table.group.len(), table.trials.len(), table.unit_ratio), (0, 80, 1000.0));
    assert!(table.to_string().ends_with("as such trials usually are; are they milliseconds?"), "{table}");
}

/// Whatever one of the demo's groups is multiplied by, just that group is named.
#[test]
fn groups_of_the_demo_campaign() {
    let demo = Campaign::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/trials.csv")).unwrap();
    assert!(unit_slips(&demo).is_empty());
    let days: std::collections::BTreeSet<String> = demo.trials().iter().filter_map(|t| t.day.clone()).collect();
    let slipped = |of: &dyn Fn(&Trial) -> bool, ratio: f64| {
        let mut trials = demo.trials().to_vec();
        for trial in trials.iter_mut().filter(|t| of(t)) {
            trial.abrasion_time_s = trial.abrasion_time_s.map(|t| t * ratio);
        }
        let members = trials.iter().filter(|t| of(t) && t.outcome == surface_severity::campaign::Outcome::Perforated);
        let members: Vec<String> = members.map(|t| t.trial_id.clone()).collect();
        (unit_slips(&Campaign::from_trials(trials).unwrap()), members)
    };
    let surfaces = demo.surfaces();
    let groups = surfaces.iter().map(|s| (s.name.as_str(), true)).chain(days.iter().map(|d| (d.as_str(), false)));
    for (name, is_surface) in groups {
        let of = |t: &Trial| if is_surface { t.surface == name } else { t.day.as_deref() == Some(name) };
        for ratio in [1000.0, 60.0, 1.0 / 60.0] {
            let (slips, members) = slipped(&of, ratio);
            let named: std::collections::BTreeSet<&String> = slips.iter().flat_map(|s| &s.trials).collect();
            // Run-outs may be named too where they became longer; nobody outside the group is.
            let of_group = |id: &&String| demo.trials().iter().any(|t| t.trial_id == ***id && of(t));
            assert!(named.iter().all(of_group), "{name} {ratio}: {slips:?}");
            let found = members.iter().filter(|id| named.contains(id)).count();
            assert!(found * 100 >= members.len() * 95, "{name} {ratio}: {found} of {}", members.len());
            assert!(slips[0].trials.len() * 10 >= members.len() * 9, "{name} {ratio}: {slips:?}");
        }
    }
}
