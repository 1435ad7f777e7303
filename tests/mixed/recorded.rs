//! What a table records is in the fit, named where it is not, and taken off the cell medians.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use surface_severity::campaign::{Campaign, SurfaceRole, Trial};
use surface_severity::equivalence::Equivalence;
use surface_severity::severity::{Grouping, Note, Severity, SeverityFit};

use crate::{Values, assert_digits};

fn build(trials: Vec<Trial>) -> Campaign {
    Campaign::from_trials(trials).unwrap()
}

fn variance(fit: &SeverityFit, grouping: &Grouping) -> f64 {
    let at = fit.groupings().iter().position(|g| g == grouping).unwrap();
    fit.variance_components()[at].variance
}

/// Days that surfaces share in part, belts on one of them, cells of two to four: lme4, and generalised least squares with
/// the covariance of all trials inverted whole (`tests/reference/r/adjusted_cells.R`).
#[test]
fn recorded_conditions_and_adjusted_medians_agree_with_r() {
    let r = Values::read("adjusted_cells.csv");
    let mut trials = Vec::new();
    for m in 0..6_u32 {
        for s in 0..3_u32 {
            for i in 0..2 + (m + s) % 3 {
                let n = f64::from(u32::try_from(trials.len()).unwrap());
                let (day, belt) = ((2 * s + (i + m) % 4) % 7, (m + i) % 3);
                let of_belt = if s == 2 { 0.2 * (5.1 * f64::from(belt) + 2.0).sin() } else { 0.0 };
                let y = 0.4 * f64::from(m) - 0.5 * f64::from(s)
                    + 0.15 * (13.7 * f64::from(day) + 1.0).sin()
                    + of_belt
                    + 0.15 * (1.7 * f64::from((3 * m + s) * (3 * m + s)) + 0.5).sin()
                    + 0.1 * (91.7 * n + 0.3).sin();
                let trial = Trial::perforated(format!("{n}"), s.to_string(), m.to_string(), y.exp());
                let trial = trial.day(format!("day {day}"));
                let role = if s == 2 { SurfaceRole::Laboratory } else { SurfaceRole::Road };
                trials.push(if s == 2 { trial.belt(format!("belt {belt}")) } else { trial }.surface_role(role));
            }
        }
    }
    let campaign = build(trials);
    let fit = Severity::new("0").fit(&campaign).unwrap();
    assert_eq!(fit.groupings(), [Grouping::Day, Grouping::Belt, Grouping::MaterialBySurface]);
    r.check("adjusted", "variance day", variance(&fit, &Grouping::Day));
    r.check("adjusted", "variance belt", variance(&fit, &Grouping::Belt));
    r.check("adjusted", "variance cell", variance(&fit, &Grouping::MaterialBySurface));
    r.check("adjusted", "variance Residual", fit.log_scatter().powi(2));
    for s in ["1", "2"] {
        let contrast = fit.log_factor_between(s, "0").unwrap();
        r.check("adjusted", &format!("contrast {s}"), contrast.estimate);
        r.check("adjusted", &format!("error {s}"), contrast.standard_error);
    }
    let cells = fit.cell_means(&campaign).unwrap();
    assert_eq!(cells.cells().len(), 18);
    for cell in cells.cells() {
        let name = format!("{} {}", cell.material, cell.surface);
        r.check("adjusted", &format!("median {name}"), cell.log_median.unwrap());
        r.check("adjusted", &format!("median error {name}"), cell.log_standard_error.unwrap());
    }
}

/// Every cell spread evenly over the three days of its surface: by hand, the mean of its log times with variance
/// σ²/6 + τ²/3, of which τ²/3 moves all cells of the surface. A cell that missed one of three days (two trials each on the
/// others) is read against the days that the others tell.
#[test]
fn medians_of_balanced_days_by_hand() {
    let mut rng = ChaCha8Rng::seed_from_u64(21);
    let mut normal = |sd: f64| -> f64 { sd * rng.sample::<f64, _>(StandardNormal) };
    let days: Vec<f64> = (0..6).map(|_| normal(0.2)).collect();
    let (mut trials, mut sums) = (Vec::new(), vec![0.0; 16]);
    for c in 0..16_usize {
        let (m, s) = (c / 2, c % 2);
        for i in 0..6 {
            // The cell that is thinned out below shows its days and nothing else.
            let noise = if (m, s) == (3, 0) { 0.0 } else { normal(0.15) };
            let y = 0.3 * m as f64 - 0.7 * s as f64 + days[3 * s + i % 3] + noise;
            sums[c] += y;
            let trial = Trial::perforated(format!("{c:02}{i}"), format!("s{s}"), format!("m{m}"), y.exp());
            trials.push(trial.day(format!("d{}", 3 * s + i % 3)));
        }
    }
    let campaign = build(trials.clone());
    let fit = Severity::new("s0").fit(&campaign).unwrap();
    let (sigma2, tau2) = (fit.log_scatter().powi(2), variance(&fit, &Grouping::Day));
    assert!(tau2 > 0.0);
    let cells = fit.cell_means(&campaign).unwrap();
    for (c, sum) in sums.iter().enumerate() {
        let cell = cells.cell(&format!("m{}", c / 2), &format!("s{}", c % 2)).unwrap();
        assert_digits(cell.log_median.unwrap(), sum / 6.0, 11.0);
        assert_digits(cell.log_standard_error.unwrap(), (sigma2 / 6.0 + tau2 / 3.0).sqrt(), 11.0);
    }
    // The lucky cell: with its slowest day gone its mean is off, its adjusted median is not.
    let slowest = (0..3).max_by(|a, b| days[*a].total_cmp(&days[*b])).unwrap();
    trials.retain(|t| !(t.material == "m3" && t.surface == "s0" && t.day == Some(format!("d{slowest}"))));
    let fewer = build(trials);
    let adjusted = Severity::new("s0").fit(&fewer).unwrap().cell_means(&fewer).unwrap();
    let raw = Severity::new("s0").independent().fit(&fewer).unwrap().cell_means(&fewer).unwrap();
    let off = |cells: &surface_severity::severity::CellMeans| {
        let at = |cells: &surface_severity::severity::CellMeans| cells.cell("m3", "s0").unwrap().log_median.unwrap();
        (at(cells) - sums[6] / 6.0).abs()
    };
    assert!(off(&adjusted) < 0.5 * off(&raw), "{} {}", off(&adjusted), off(&raw));
}

/// One blank day among 403 trials is a day of its own, is named, and moves nothing that a reader could see.
#[test]
fn one_blank_day_adds_a_level_and_a_note() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/trials.csv");
    let all = Campaign::read_path(path).unwrap();
    let mut trials = all.trials().to_vec();
    let at = trials.iter().position(|t| t.trial_id == "R-0011").unwrap();
    assert!(trials[at].day.take().is_some());
    let blank = build(trials);
    let plan = Severity::new("dense asphalt concrete");
    let (before, after) = (plan.fit(&all).unwrap(), plan.fit(&blank).unwrap());
    assert_eq!(before.groupings(), after.groupings());
    assert!(before.groupings().contains(&Grouping::Day));
    let levels = |fit: &SeverityFit| fit.predictions(&Grouping::Day).unwrap().len();
    assert_eq!(levels(&after), levels(&before) + 1);
    assert!(!before.notes().iter().any(|n| matches!(n, Note::Unlabelled { .. })));
    let named = Note::Unlabelled { grouping: Grouping::Day, trials: 1, first: "R-0011".into() };
    assert!(after.notes().contains(&named), "{:?}", after.notes());
    assert_eq!(after.notes().len(), before.notes().len() + 1, "{:?}", after.notes());
    for row in before.factors().iter().filter(|r| r.surface != "dense asphalt concrete") {
        let [a, b] = [&before, &after].map(|fit| fit.log_factor_between(&row.surface, before.reference()).unwrap());
        // By a twentieth of its standard error; the error itself by 3 %.
        assert!((a.estimate - b.estimate).abs() < 0.05 * a.standard_error, "{}: {a:?} {b:?}", row.surface);
        assert!((a.standard_error / b.standard_error - 1.0).abs() < 0.03, "{}: {a:?} {b:?}", row.surface);
        assert!((a.multiplier(0.95) / b.multiplier(0.95) - 1.0).abs() < 0.03, "{}: {a:?} {b:?}", row.surface);
    }
}

/// Two roads, and a laboratory with two belts, on one of which everything lasts `times` as long.
fn two_belts(times: f64) -> Campaign {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let mut trials = Vec::new();
    for m in 0..8_usize {
        for (s, surface) in ["road A", "road B", "laboratory"].into_iter().enumerate() {
            for i in 0..4_usize {
                let belt = i % 2;
                let slow = if s == 2 && belt == 1 { times.ln() } else { 0.0 };
                let y = 0.3 * m as f64 - [0.0, 0.5, 0.8][s] + slow + 0.15 * rng.sample::<f64, _>(StandardNormal);
                let id = format!("{m}{s}{i}");
                let trial = Trial::perforated(id, surface, format!("m{m}"), y.exp()).day(format!("d{}", (m + i) % 4));
                trials.push(if s == 2 {
                    trial.surface_role(SurfaceRole::Laboratory).belt(format!("belt {belt}"))
                } else {
                    trial.surface_role(SurfaceRole::Road)
                });
            }
        }
    }
    build(trials)
}

/// A belt three times slower than the other: their variance is that of two numbers ln 3 apart, it is said that two belts are
/// few, and nobody reads c as if the next belt were known.
#[test]
fn a_belt_three_times_slower_is_noticed() {
    let of = |times: f64| {
        let campaign = two_belts(times);
        let fit = Severity::new("road A").fit(&campaign).unwrap();
        let relation = Equivalence::new("laboratory").fit(&campaign, &fit).unwrap();
        (fit, relation)
    };
    let (fit, relation) = of(3.0);
    assert!(fit.groupings().contains(&Grouping::Belt));
    assert!(fit.notes().contains(&Note::FewLevels { grouping: Grouping::Belt, levels: 2 }), "{:?}", fit.notes());
    // (ln 3)²/2, less what eight materials twice leave of σ².
    let belts = variance(&fit, &Grouping::Belt);
    assert!((belts / (3.0_f64.ln().powi(2) / 2.0) - 1.0).abs() < 0.15, "{belts}");
    let predicted = fit.predictions(&Grouping::Belt).unwrap();
    assert!((predicted[1].value - predicted[0].value - 3.0_f64.ln()).abs() < 0.15, "{predicted:?}");
    let width = |relation: &surface_severity::equivalence::EquivalenceFit, road: &str| {
        let c = *relation.surface(road).unwrap().constant_ratio().fitted().unwrap().ratio();
        (c.upper() / c.lower(), c)
    };
    let (alike, same) = of(1.0);
    assert!(variance(&alike, &Grouping::Belt) < 0.01);
    // The belts' geometric mean is 1/√3 of the one and √3 of the other.
    for (road, c) in [("road A", 0.8_f64), ("road B", 0.3)] {
        let (wide, ratio) = width(&relation, road);
        assert!(ratio.contains(c.exp()) && ratio.contains((c - 3.0_f64.ln()).exp()), "either belt: {ratio}");
        assert!(wide > 3.0 && wide > 2.0 * width(&same, road).0, "{wide} {}", width(&same, road).0);
        assert!(width(&same, road).1.contains(c.exp()));
    }
    let condition = relation.conditions().iter().find(|c| c.grouping() == Grouping::Belt).unwrap();
    assert_eq!(condition.laboratory_levels(), 2);
    // The limits of a further belt reach either of the two that were seen. R: qt(0.975, 3) = 3.182446.
    assert!((condition.degrees_of_freedom() - 3.0).abs() < 1e-6, "{condition:?}");
    assert!(3.182_446 * condition.log_variance().sqrt() > 3.0_f64.ln() / 2.0, "{condition:?}");
}

/// Columns that cannot be told apart, or have one level, are named with the reason, and are an error where asked for.
#[test]
fn what_is_recorded_and_not_fitted_is_named() {
    let mut trials = two_belts(1.0).trials().to_vec();
    for t in &mut trials {
        t.day = Some(format!("d {}", t.surface));
        t.belt = t.belt.as_ref().map(|_| "the belt".into());
        t.run = Some("only".into());
    }
    let campaign = build(trials);
    let fit = Severity::new("road A").fit(&campaign).unwrap();
    assert_eq!(fit.groupings(), [Grouping::MaterialBySurface]);
    let left: Vec<Grouping> = fit
        .notes()
        .iter()
        .filter_map(|n| match n {
            Note::NotFitted { grouping, reason } => {
                assert!(!reason.is_empty());
                Some(grouping.clone())
            }
            _ => None,
        })
        .collect();
    for grouping in [Grouping::Day, Grouping::Run, Grouping::Belt] {
        assert!(left.contains(&grouping), "{grouping} in {:?}", fit.notes());
        assert!(Severity::new("road A").random(grouping.clone()).fit(&campaign).is_err(), "{grouping}");
    }
    let relation = Equivalence::new("laboratory").fit(&campaign, &fit).unwrap();
    // One day a surface and one belt: nothing is shown equivalent, whatever the bounds.
    assert!(!relation.undetermined().is_empty());
    let wide = Equivalence::new("laboratory").bounds(0.01, 100.0).fit(&campaign, &fit).unwrap();
    assert!(wide.equivalent_surfaces().is_empty());
}
