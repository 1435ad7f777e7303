//! Recorded numbers that act on log time: against lme4 and the linear mixed model, closed forms, and simulated belt wear.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use surface_severity::ErrorKind;
use surface_severity::campaign::{Campaign, SurfaceRole, Trial};
use surface_severity::severity::mixed::{Criterion, LinearMixedModel};
use surface_severity::severity::{Covariate, Grouping, Note, Severity};

use crate::{Table, Values, assert_digits, codes};

fn build(trials: Vec<Trial>) -> Campaign {
    Campaign::from_trials(trials).unwrap()
}

/// Reaction times by days without sleep, a day of the campaign for each subject: lme4, `tests/reference/r/mixed.R`.
#[test]
fn the_slope_and_the_variances_are_those_of_lme4() {
    let (table, r) = (Table::read("lme4_sleepstudy.csv"), Values::read("mixed.csv"));
    let (reaction, days, subject) = (table.numbers("Reaction"), table.text("Days"), table.text("Subject"));
    let trials = (0..reaction.len()).map(|i| {
        let trial = Trial::perforated(i.to_string(), "s", "m", (reaction[i] / 100.0).exp());
        trial.day(&subject[i]).covariate("without sleep", &days[i])
    });
    let campaign = build(trials.collect());
    let plan = Severity::new("s").random(Grouping::Day).covariate(Covariate::linear("without sleep", 0.0));
    let fit = plan.fit(&campaign).unwrap();
    let slope = &fit.covariate_effects()[0];
    // Bates et al. 2015, random intercept: 10.4673 ± 0.8042, printed by lme4.
    assert!((slope.effect.estimate() * 100.0 - 10.4673).abs() < 5e-5, "{slope:?}");
    assert!((slope.standard_error * 100.0 - 0.8042).abs() < 5e-5, "{slope:?}");
    assert!(slope.p_value.unwrap() < 1e-15 && slope.range == (0.0, 9.0) && slope.trials == 180);
    r.check("sleepstudy", "reml variance Subject", fit.variance_components()[0].variance * 1e4);
    r.check("sleepstudy", "reml variance residual", fit.log_scatter().powi(2) * 1e4);
    // 251.4051 on day 0.
    assert!((fit.median("m", "s").unwrap().estimate().ln() * 100.0 - 251.4051).abs() < 5e-4);
}

/// Three roads and a belt of given wear, materials in turn; standard deviations of day, belt and specimens.
fn worn(seed: u64, wear: f64, scatter: [f64; 3]) -> Vec<Trial> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = |sd: f64| sd * rng.sample::<f64, _>(StandardNormal);
    let day: Vec<f64> = (0..6).map(|_| normal(scatter[0])).collect();
    let belt: Vec<f64> = (0..2).map(|_| normal(scatter[1])).collect();
    let mut trials = Vec::new();
    for d in 0..6_u32 {
        for m in 0..6_u32 {
            for s in 0..4_u32 {
                if s < 3 && d % 3 != s && (d + m) % 2 == 0 {
                    continue;
                }
                let (b, drop) = (d % 2, f64::from(d / 2 * 8 + m));
                let mut y = 1.0 + 0.3 * f64::from(m) - 0.4 * f64::from(s) + day[d as usize] + normal(scatter[2]);
                let id = format!("{d} {m} {s}");
                if s == 3 {
                    y -= wear * drop;
                    y += belt[b as usize];
                }
                let trial = Trial::perforated(id, format!("s{s}"), format!("m{m}"), y.exp()).day(format!("day {d}"));
                let trial = trial.surface_role(if s == 3 { SurfaceRole::Laboratory } else { SurfaceRole::Road });
                trials.push(if s == 3 { trial.belt(format!("belt {b}")).belt_drop(drop) } else { trial });
            }
        }
    }
    trials
}

/// Belt wear in the default plan: the same linear mixed model written out.
#[test]
fn belt_wear_is_a_column_of_the_mixed_model() {
    let trials = worn(3, 0.02, [0.05, 0.05, 0.1]);
    let y: Vec<f64> = trials.iter().map(|t| t.abrasion_time_s.unwrap().ln()).collect();
    let of = |f: &dyn Fn(&Trial) -> String| codes(&trials.iter().map(f).collect::<Vec<_>>());
    let surface = of(&|t| t.surface.clone());
    let belts: Vec<Option<usize>> =
        trials.iter().map(|t| t.belt.as_ref().map(|b| usize::from(b == "belt 1"))).collect();
    let mut model = LinearMixedModel::new(y)
        .fixed_factor("material", &of(&|t| t.material.clone()))
        .fixed("wear", trials.iter().map(|t| t.belt_drop.unwrap_or(0.0)).collect());
    for s in 1..4 {
        let on = surface.iter().map(|&at| f64::from(u8::from(at == s))).collect();
        model = model.fixed(format!("s{s}"), on);
    }
    let model = model
        .group("day", &of(&|t| t.day.clone().unwrap()))
        .group_where("belt", &belts)
        .group("cell", &of(&|t| format!("{} {}", t.material, t.surface)));
    let want = model.fit(Criterion::Reml).unwrap();
    let campaign = build(trials);
    let fit = Severity::new("s0").fit(&campaign).unwrap();
    assert_eq!(fit.groupings(), [Grouping::Day, Grouping::Belt, Grouping::MaterialBySurface]);
    let at = |name: &str| want.names().iter().position(|n| n == name).unwrap();
    let wear = &fit.covariate_effects()[0];
    assert_digits(wear.effect.estimate(), want.coefficients()[at("wear")], 9.0);
    assert_digits(wear.standard_error, want.standard_errors()[at("wear")], 7.0);
    let belt = fit.log_factor_between("s3", "s0").unwrap();
    assert_digits(belt.estimate, -want.coefficients()[at("s3")], 9.0);
    assert_digits(belt.standard_error, want.standard_errors()[at("s3")], 7.0);
    // A worn belt: the contrast of the same model further along.
    let worn = Severity::new("s0").covariate(Covariate::belt_wear().at(12.0)).fit(&campaign).unwrap();
    let mut weights = vec![0.0; want.names().len()];
    (weights[at("s3")], weights[at("wear")]) = (-1.0, -12.0);
    let contrast = want.contrast(&weights).unwrap();
    let of_worn = worn.log_factor_between("s3", "s0").unwrap();
    assert_digits(of_worn.estimate, contrast.estimate, 9.0);
    assert_digits(of_worn.standard_error, contrast.standard_error, 7.0);
    assert_digits(of_worn.multiplier(0.95), contrast.multiplier(0.95), 6.0);
    // The likelihood does not depend on where the nominal value is.
    assert_digits(worn.log_likelihood(), fit.log_likelihood(), 10.0);
    // Cell medians move with it, and only those of the belt.
    let (fresh_cells, worn_cells) = (fit.cell_means(&campaign).unwrap(), worn.cell_means(&campaign).unwrap());
    for (a, b) in fresh_cells.cells().iter().zip(worn_cells.cells()) {
        let moved = if a.surface == "s3" { 12.0 * wear.effect.estimate() } else { 0.0 };
        assert!((b.log_median.unwrap() - a.log_median.unwrap() - moved).abs() < 0.01, "{} {}", a.material, a.surface);
    }
}

/// A given effect is taken off, and its error carried: in closed form where every drop has the same speed.
#[test]
fn a_given_exponent_carries_its_error() {
    let trial =
        |id: &str, surface: &str, t: f64, speed: f64| Trial::perforated(id, surface, "m", t).speed_m_per_s(speed);
    let campaign = build(vec![
        trial("1", "road", 8.0, 10.0),
        trial("2", "road", 10.0, 10.0),
        trial("3", "belt", 4.0, 5.0),
        trial("4", "belt", 5.0, 5.0),
    ]);
    let plain = Severity::new("road").fit(&campaign).unwrap().log_factor_between("belt", "road").unwrap();
    let plan = |se: f64| Severity::new("road").covariate(Covariate::power_law("speed_m_per_s", 5.0).given(-1.5, se));
    let fit = plan(0.2).fit(&campaign).unwrap();
    let got = fit.log_factor_between("belt", "road").unwrap();
    // On the road at 5 m/s times would be 2^1.5 times as long, and so the factor.
    assert_digits(got.estimate, plain.estimate + 1.5 * 2_f64.ln(), 12.0);
    let own = plain.standard_error;
    assert_digits(got.standard_error, own.hypot(0.2 * 2_f64.ln()), 10.0);
    let half = got.multiplier(0.95) * got.standard_error;
    let want = (plain.multiplier(0.95) * own).hypot(1.959_963_984_540_054 * 0.2 * 2_f64.ln());
    assert_digits(half, want, 9.0);
    assert_digits(fit.document(None).log_covariance.rows[0][0].sqrt(), got.standard_error, 9.0);
    assert_eq!(fit.covariate_effects()[0].p_value, None);
    // Known exactly, it moves the factor and nothing else.
    let exact = plan(0.0).fit(&campaign).unwrap();
    assert_digits(exact.log_factor_between("belt", "road").unwrap().standard_error, own, 12.0);
    let raw = Severity::new("road").fit(&campaign).unwrap();
    assert_digits(exact.log_likelihood(), raw.log_likelihood(), 12.0);
}

#[test]
fn what_cannot_be_told_apart_is_said() {
    // One drop number for the whole belt: nothing to learn of wear.
    let same: Vec<Trial> = worn(5, 0.0, [0.05, 0.0, 0.1])
        .into_iter()
        .map(|t| if t.belt.is_some() { t.belt_drop(4.0) } else { t })
        .collect();
    let fit = Severity::new("s0").fit(&build(same.clone())).unwrap();
    assert!(fit.covariate_effects().is_empty());
    assert!(fit.notes().iter().any(|n| matches!(n, Note::CovariateNotFitted { column, .. } if column == "belt_drop")));
    let error = Severity::new("s0").covariate(Covariate::belt_wear()).fit(&build(same)).unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::NotEstimable { .. }), "{error}");
    // A blank cell switches nothing off: the trial has a shift of its own.
    let mut trials = worn(5, 0.02, [0.05, 0.0, 0.1]);
    let at = trials.iter().position(|t| t.belt.is_some()).unwrap();
    let whole = Severity::new("s0").fit(&build(trials.clone())).unwrap();
    trials[at].belt_drop = None;
    let blank = Severity::new("s0").fit(&build(trials.clone())).unwrap();
    assert!(blank.notes().iter().any(|n| matches!(n, Note::WithoutValue { trials: 1, apart: true, .. })));
    let (a, b) = (&whole.covariate_effects()[0], &blank.covariate_effects()[0]);
    assert!((a.effect.estimate() - b.effect.estimate()).abs() < a.standard_error);
    trials.remove(at);
    let without = Severity::new("s0").fit(&build(trials)).unwrap();
    assert_digits(b.effect.estimate(), without.covariate_effects()[0].effect.estimate(), 7.0);
    // Words where a number belongs, a logarithm of nothing, a column twice, a column that is not there.
    let odd = build(vec![
        Trial::perforated("1", "a", "m", 1.0).covariate("load", "heavy"),
        Trial::perforated("2", "a", "m", 1.1).covariate("load", "2"),
    ]);
    let refused = |c: Covariate| Severity::new("a").covariate(c).fit(&odd).unwrap_err();
    assert!(refused(Covariate::linear("load", 1.0)).to_string().contains("heavy"));
    assert!(refused(Covariate::power_law("load", 0.0)).to_string().contains("positive"));
    assert!(refused(Covariate::linear("weight", 0.0)).to_string().contains("no trial"));
    let twice = Severity::new("a").covariate(Covariate::linear("layers", 1.0).given(0.0, 0.0));
    assert!(twice.covariate(Covariate::linear("layers", 2.0)).fit(&odd).is_err());
}

/// Censored times, independent trials and the other distributions take the column as exact times do.
#[test]
fn every_path_takes_the_column() {
    let trials = worn(7, 0.03, [0.0, 0.0, 0.1]);
    let exact = Severity::new("s0").independent().fit(&build(trials.clone())).unwrap();
    assert!((exact.covariate_effects()[0].effect.estimate() + 0.03).abs() < 0.01);
    let mut censored = trials;
    for t in censored.iter_mut().filter(|t| t.abrasion_time_s.unwrap() > 12.0) {
        (t.outcome, t.abrasion_time_s) = (surface_severity::campaign::Outcome::RunOut, Some(12.0));
    }
    let campaign = build(censored);
    for plan in [Severity::new("s0"), Severity::new("s0").independent()] {
        for distribution in
            [surface_severity::severity::Distribution::LogNormal, surface_severity::severity::Distribution::Weibull]
        {
            let fit = plan.clone().distribution(distribution).fit(&campaign).unwrap();
            let wear = fit.covariate_effects()[0].effect.estimate();
            assert!((wear + 0.03).abs() < 0.012, "{distribution:?} {wear}");
            assert!(fit.cell_means(&campaign).is_ok());
            assert!((fit.factor("s3").unwrap().estimate().ln() - 1.2).abs() < 0.25);
        }
    }
}

/// A column of the table's own as a grouping: the same linear mixed model written out.
#[test]
fn any_column_can_be_a_grouping() {
    let people = ["A. N.", "B. O.", "C. P."];
    let trials: Vec<Trial> = worn(11, 0.0, [0.0, 0.0, 0.1])
        .into_iter()
        .enumerate()
        .map(|(i, mut t)| {
            let person = i * 5 % 7 % 3;
            t.belt_drop = None;
            t.abrasion_time_s = t.abrasion_time_s.map(|s| s * [1.0, 1.3, 0.9][person]);
            t.covariate("operator", people[person])
        })
        .collect();
    let of = |f: &dyn Fn(&Trial) -> String| codes(&trials.iter().map(f).collect::<Vec<_>>());
    let surface = of(&|t| t.surface.clone());
    let mut model = LinearMixedModel::new(trials.iter().map(|t| t.abrasion_time_s.unwrap().ln()).collect())
        .fixed_factor("material", &of(&|t| t.material.clone()))
        .group("operator", &of(&|t| t.covariates["operator"].clone()));
    for s in 1..4 {
        model = model.fixed(format!("s{s}"), surface.iter().map(|&at| f64::from(u8::from(at == s))).collect());
    }
    let want = model.fit(Criterion::Reml).unwrap();
    let campaign = build(trials);
    let plan = Severity::new("s0").random(Grouping::Column("operator".into()));
    let fit = plan.fit(&campaign).unwrap();
    assert_digits(fit.variance_components()[0].variance, want.variance("operator").unwrap(), 6.0);
    let at = want.names().iter().position(|n| n == "s3").unwrap();
    assert_digits(fit.log_factor_between("s3", "s0").unwrap().standard_error, want.standard_errors()[at], 7.0);
    let levels = fit.predictions(&Grouping::Column("operator".into())).unwrap();
    assert_eq!(levels.iter().map(|l| l.level.as_str()).collect::<Vec<_>>(), people);
    assert!(Severity::new("s0").random(Grouping::Column("shift".into())).fit(&campaign).is_err());
}

/// Texts and steps are columns of 0 and 1, a slope for each belt one of the numbers of its drops.
#[test]
fn parts_are_the_columns_written_out() {
    let wet = |i: usize| ["dry", "wet", "icy"][i * 7 % 5 % 3];
    let trials: Vec<Trial> = worn(13, 0.02, [0.05, 0.05, 0.1])
        .into_iter()
        .enumerate()
        .map(|(i, t)| t.covariate("wetness", wet(i)))
        .collect();
    let model = |columns: Vec<(String, Vec<f64>)>| {
        let of = |f: &dyn Fn(&Trial) -> String| codes(&trials.iter().map(f).collect::<Vec<_>>());
        let surface = of(&|t| t.surface.clone());
        let belts: Vec<Option<usize>> =
            trials.iter().map(|t| t.belt.as_ref().map(|b| usize::from(b == "belt 1"))).collect();
        let mut model = LinearMixedModel::new(trials.iter().map(|t| t.abrasion_time_s.unwrap().ln()).collect())
            .fixed_factor("material", &of(&|t| t.material.clone()));
        for (name, column) in columns {
            model = model.fixed(name, column);
        }
        for s in 1..4 {
            model = model.fixed(format!("s{s}"), surface.iter().map(|&at| f64::from(u8::from(at == s))).collect());
        }
        let model = model
            .group("day", &of(&|t| t.day.clone().unwrap()))
            .group_where("belt", &belts)
            .group("cell", &of(&|t| format!("{} {}", t.material, t.surface)));
        model.fit(Criterion::Reml).unwrap()
    };
    let whether = |found: bool| f64::from(u8::from(found));
    let column = |f: &dyn Fn(usize, &Trial) -> f64| trials.iter().enumerate().map(|(i, t)| f(i, t)).collect::<Vec<_>>();
    let on = |t: &Trial, belt: &str| t.belt.as_deref() == Some(belt);
    let drops = |t: &Trial| t.belt_drop.unwrap_or(0.0);
    let stepped = |t: &Trial, from: f64, to: f64| t.belt_drop.is_some_and(|d| d >= from && d < to);
    let cases = [
        (
            Severity::new("s0").covariate(Covariate::categories("wetness", "dry")),
            vec![
                ("icy".to_owned(), column(&|i, _| whether(wet(i) == "icy"))),
                ("wet".to_owned(), column(&|i, _| whether(wet(i) == "wet"))),
                ("wear".to_owned(), column(&|_, t| drops(t))),
            ],
            ["wetness icy", "wetness wet", "belt_drop"].as_slice(),
        ),
        (
            Severity::new("s0").covariate(Covariate::belt_wear().by_belt()),
            vec![
                ("belt 0".to_owned(), column(&|_, t| whether(on(t, "belt 0")) * drops(t))),
                ("belt 1".to_owned(), column(&|_, t| whether(on(t, "belt 1")) * drops(t))),
            ],
            &["belt_drop on belt 0", "belt_drop on belt 1"],
        ),
        (
            Severity::new("s0").covariate(Covariate::steps("belt_drop", 0.0, [6.0, 14.0])),
            vec![
                ("middle".to_owned(), column(&|_, t| whether(stepped(t, 6.0, 14.0)))),
                ("late".to_owned(), column(&|_, t| whether(stepped(t, 14.0, 1e9)))),
            ],
            &["belt_drop from 6 to below 14", "belt_drop from 14 on"],
        ),
    ];
    let campaign = build(trials.clone());
    for (plan, columns, names) in cases {
        let labels: Vec<String> = columns.iter().map(|(name, _)| name.clone()).collect();
        let want = model(columns);
        let fit = plan.fit(&campaign).unwrap();
        for (label, name) in labels.iter().zip(names) {
            let at = want.names().iter().position(|n| n == label).unwrap();
            let effect = fit.covariate_effects().iter().find(|e| e.covariate.to_string() == **name).unwrap();
            assert_digits(effect.effect.estimate(), want.coefficients()[at], 7.0);
            assert_digits(effect.standard_error, want.standard_errors()[at], 6.0);
        }
        let at = want.names().iter().position(|n| n == "s3").unwrap();
        assert_digits(fit.log_factor_between("s3", "s0").unwrap().estimate, -want.coefficients()[at], 7.0);
        assert_eq!(fit.covariate_effects().len(), names.len());
    }
    let refused = |c: Covariate| Severity::new("s0").covariate(c).fit(&campaign).unwrap_err().to_string();
    assert!(refused(Covariate::categories("wetness", "damp")).contains("dry, icy, wet"));
    assert!(refused(Covariate::categories("cloudiness", "none")).contains("no trial"));
    assert!(refused(Covariate::steps("belt_drop", 0.0, [5.0, 2.0])).contains("rising"));
    assert!(refused(Covariate::belt_wear().by_belt().given(-0.1, 0.0)).contains("several effects"));
}

/// Tests of the line and of the belts: rare where belts wear alike along a line, common where they do not.
#[test]
fn wear_that_is_no_line_or_not_alike_is_found() {
    let departing = |bend: f64, apart: f64| {
        let mut found = 0;
        for seed in 0..60 {
            let trials: Vec<Trial> = worn(100 + seed, 0.02, [0.05, 0.05, 0.1])
                .into_iter()
                .map(|mut t| {
                    if let (Some(drop), Some(belt)) = (t.belt_drop, t.belt.as_deref()) {
                        let of_belt = if belt == "belt 1" { apart * drop } else { 0.0 };
                        t.abrasion_time_s = t.abrasion_time_s.map(|s| s * (-bend * drop * drop - of_belt).exp());
                    }
                    t
                })
                .collect();
            let campaign = build(trials);
            let fit = Severity::new("s0").fit(&campaign).unwrap();
            let checks = fit.covariate_checks(&campaign).unwrap();
            assert_eq!(checks.len(), 2, "{checks:?}");
            found += usize::from(checks.iter().any(surface_severity::severity::CovariateCheck::departs));
        }
        found
    };
    // 5 % of 60, binomial: more than 8 once in a hundred.
    let alike = departing(0.0, 0.0);
    assert!(alike <= 8, "{alike}");
    let (bent, apart) = (departing(0.003, 0.0), departing(0.0, 0.04));
    assert!(bent > 45 && apart > 45, "{bent} {apart}");
}
