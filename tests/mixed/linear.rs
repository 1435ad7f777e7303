//! Linear mixed models: closed forms of balanced layouts, R lme4 and lmerTest.

use surface_severity::ErrorKind;
use surface_severity::severity::{
    Criterion, Verdict,
    mixed::{LinearMixedFit, LinearMixedModel},
};

use crate::{Table, Values, assert_digits, codes};

const BOTH: [Criterion; 2] = [Criterion::Reml, Criterion::Ml];

fn tag(criterion: Criterion) -> &'static str {
    match criterion {
        Criterion::Reml => "reml",
        Criterion::Ml => "ml",
    }
}

fn dyestuff(file: &str) -> LinearMixedModel {
    let table = Table::read(file);
    LinearMixedModel::new(table.numbers("Yield")).intercept().group("Batch", &table.levels("Batch"))
}

fn penicillin() -> LinearMixedModel {
    let t = Table::read("lme4_penicillin.csv");
    LinearMixedModel::new(t.numbers("diameter"))
        .intercept()
        .group("plate", &t.levels("plate"))
        .group("sample", &t.levels("sample"))
}

fn pastes() -> LinearMixedModel {
    let t = Table::read("lme4_pastes.csv");
    let casks: Vec<(String, String)> = t.text("batch").into_iter().zip(t.text("cask")).collect();
    LinearMixedModel::new(t.numbers("strength"))
        .intercept()
        .group("bc", &codes(&casks))
        .group("batch", &t.levels("batch"))
}

fn sleepstudy() -> LinearMixedModel {
    let t = Table::read("lme4_sleepstudy.csv");
    LinearMixedModel::new(t.numbers("Reaction"))
        .intercept()
        .fixed("Days", t.numbers("Days"))
        .group("Subject", &t.levels("Subject"))
}

fn latin_square() -> LinearMixedModel {
    let t = Table::read("abrasion_latin_square.csv");
    LinearMixedModel::new(t.numbers("wear"))
        .fixed_factor("material", &t.levels("material"))
        .group("run", &t.levels("run"))
        .group("position", &t.levels("position"))
}

/// Log time on treatment and poison, cells random; `drop` leaves rows out, days are made up for them.
fn poisons(drop: bool) -> LinearMixedModel {
    let t = Table::read("boot_poisons.csv");
    let keep: Vec<usize> = (0..48).filter(|i| !(drop && i % 3 == 0 && *i < 24)).collect();
    let pick = |v: &[usize]| keep.iter().map(|&i| v[i]).collect::<Vec<usize>>();
    let (time, poison, treat) = (t.numbers("time"), pick(&t.levels("poison")), pick(&t.levels("treat")));
    let y = keep.iter().map(|&i| time[i].ln()).collect();
    let indicator = |level: usize| poison.iter().map(|&p| f64::from(u8::from(p == level))).collect::<Vec<f64>>();
    let cell: Vec<usize> = treat.iter().zip(&poison).map(|(a, b)| 3 * a + b).collect();
    let model = LinearMixedModel::new(y)
        .fixed_factor("treat", &treat)
        .fixed("poison2", indicator(1))
        .fixed("poison3", indicator(2))
        .group("cell", &cell);
    if !drop {
        return model;
    }
    let day: Vec<usize> = (1..=keep.len()).map(|i| (i * 5) % 7).collect();
    model.group("day", &day)
}

/// Name of the set, model, groups, coefficients as R names them.
type Case<'a> = (&'a str, LinearMixedModel, &'a [&'a str], &'a [&'a str]);

fn fit(model: &LinearMixedModel, criterion: Criterion) -> LinearMixedFit {
    model.fit(criterion).unwrap()
}

/// Balanced sets of Davies & Goldsmith 1972, Davies 1954 and Box & Cox 1964, where analysis of
/// variance and REML coincide: closed forms, to 10 digits and more.
#[test]
fn closed_forms() {
    let reml = fit(&dyestuff("lme4_dyestuff.csv"), Criterion::Reml);
    assert_digits(reml.variance("Batch").unwrap(), 1764.05, 11.0);
    assert_digits(reml.variance("residual").unwrap(), 2451.25, 12.0);
    assert_digits(reml.coefficients()[0], 1527.5, 13.0);
    // √(MSB/30), MSB = 56357.5/5.
    assert_digits(reml.standard_errors()[0], (56357.5f64 / 5.0 / 30.0).sqrt(), 12.0);
    assert_digits(reml.criterion_value(), 319.654_276_842_257, 13.0);
    assert_digits(reml.degrees_of_freedom()[0].unwrap(), 5.0, 10.0);
    let ml = fit(&dyestuff("lme4_dyestuff.csv"), Criterion::Ml);
    // (SSB/6 − MSE)/5.
    assert_digits(ml.variance("Batch").unwrap(), (56357.5 / 6.0 - 2451.25) / 5.0, 11.0);
    assert_digits(ml.variance("residual").unwrap(), 2451.25, 12.0);
    assert_digits(ml.criterion_value(), 327.327_059_881_135, 13.0);
    assert_digits(ml.standard_errors()[0], 17.694_553_462_07, 12.0);

    let pastes = fit(&pastes(), Criterion::Reml);
    assert_digits(pastes.variance("residual").unwrap(), 0.678, 12.0);
    assert_digits(pastes.variance("bc").unwrap(), 8.433_666_666_667, 11.0);
    assert_digits(pastes.variance("batch").unwrap(), 1.657_308_641_975, 11.0);
    assert_digits(pastes.standard_errors()[0], 0.676_870_066_127_7, 11.0);
    // The mean of a balanced nested layout has the degrees of freedom of its batches.
    assert_digits(pastes.degrees_of_freedom()[0].unwrap(), 9.0, 9.0);

    let penicillin = fit(&penicillin(), Criterion::Reml);
    for (name, want) in
        [("plate", 0.716_908_212_560_4), ("sample", 3.730_917_874_396), ("residual", 0.302_415_458_937_2)]
    {
        assert_digits(penicillin.variance(name).unwrap(), want, 11.0);
    }
    assert_digits(penicillin.standard_errors()[0], 0.808_573_390_985_5, 11.0);

    let latin = fit(&latin_square(), Criterion::Reml);
    for (name, want) in [("run", 66.895_833_333_333_3), ("position", 107.0625), ("residual", 61.25)] {
        assert_digits(latin.variance(name).unwrap(), want, 11.0);
    }
    for (got, want) in latin.coefficients().iter().zip([265.75, 220.0, 241.75, 230.5]) {
        assert_digits(*got, want, 13.0);
    }
    // Differences of materials see neither runs nor positions: residual error on 6 degrees of freedom.
    let contrast = latin.contrast(&[1.0, -1.0, 0.0, 0.0]).unwrap();
    assert_digits(contrast.standard_error, (2.0f64 * 61.25 / 4.0).sqrt(), 12.0);
    assert_digits(contrast.degrees_of_freedom.unwrap(), 6.0, 10.0);

    let cells = fit(&poisons(false), Criterion::Reml);
    // Mean squares of Box & Cox's table, log time (R `aov`): interaction on 6, residual on 36 degrees of freedom, n = 4.
    let (ms_cell, ms_rest) = (0.395_746_675_490 / 6.0, 1.946_515_799_031 / 36.0);
    assert_digits(cells.variance("cell").unwrap(), (ms_cell - ms_rest) / 4.0, 10.0);
    assert_digits(cells.variance("residual").unwrap(), ms_rest, 11.5);
    let poison3 = cells.contrast(&[0.0, 0.0, 0.0, 0.0, 0.0, 1.0]).unwrap();
    assert_digits(poison3.estimate, -0.775_153_147_470, 12.0);
    assert_digits(poison3.standard_error, (2.0 * ms_cell / 16.0f64).sqrt(), 11.0);
    assert_digits(poison3.degrees_of_freedom.unwrap(), 6.0, 9.0);
}

/// Box & Tiao 1973, simulated without batch effect: a component estimated as zero is zero, and the fit says so.
#[test]
fn boundary_is_exactly_zero() {
    for (criterion, residual, value) in [
        (Criterion::Reml, 13.806_309_627_59, 161.828_277_812_288),
        (Criterion::Ml, 13.346_099_306_67, 162.873_036_653_826),
    ] {
        let fit = fit(&dyestuff("lme4_dyestuff2.csv"), criterion);
        assert!(fit.variance("Batch").unwrap().to_bits() == 0.0f64.to_bits());
        assert_eq!(fit.convergence().verdict, Verdict::Boundary { components: vec!["Batch".into()] });
        assert!(fit.variance_components()[0].at_boundary);
        assert_digits(fit.variance("residual").unwrap(), residual, 12.0);
        assert_digits(fit.criterion_value(), value, 13.0);
        assert_digits(fit.coefficients()[0], 5.6656, 13.0);
        // Left with one sample: mean ± s/√30 (ML: with its own s), 29 degrees of freedom.
        assert_digits(fit.standard_errors()[0], (residual / 30.0).sqrt(), 11.0);
        let df = fit.degrees_of_freedom()[0].unwrap();
        assert_digits(df, if criterion == Criterion::Reml { 29.0 } else { 30.0 }, 10.0);
        let interval = fit.profile_interval("Batch", 0.95).unwrap();
        assert!(interval.lower() == 0.0 && interval.estimate() == 0.0 && interval.upper() > 0.5);
        for p in fit.predictions("Batch").unwrap() {
            assert!(p.value == 0.0 && p.standard_error == 0.0 && p.trials == 5);
        }
    }
    let values = Values::read("mixed.csv");
    let ml = fit(&dyestuff("lme4_dyestuff2.csv"), Criterion::Ml);
    for (name, label) in [("Batch", "Batch"), ("residual", "residual")] {
        let interval = ml.profile_interval(name, 0.95).unwrap();
        values.check("dyestuff2", &format!("profile lower {label}"), interval.lower());
        values.check("dyestuff2", &format!("profile upper {label}"), interval.upper());
    }
}

/// Every set against R: polished lme4 variances and criteria, lmerTest degrees of freedom, profile
/// limits by root finding on lme4's deviance and by `confint`, predictions by dense algebra.
#[test]
fn agrees_with_r() {
    let values = Values::read("mixed.csv");
    let treats: &[&str] = &["treatA", "treatB", "treatC", "treatD", "poison2", "poison3"];
    let cases: [Case<'_>; 7] = [
        ("dyestuff", dyestuff("lme4_dyestuff.csv"), &["Batch"], &["(Intercept)"]),
        ("penicillin", penicillin(), &["plate", "sample"], &["(Intercept)"]),
        ("pastes", pastes(), &["bc", "batch"], &["(Intercept)"]),
        ("sleepstudy", sleepstudy(), &["Subject"], &["(Intercept)", "Days"]),
        ("latin", latin_square(), &["run", "position"], &["materialA", "materialB", "materialC", "materialD"]),
        ("poisons", poisons(false), &["cell"], treats),
        ("unbalanced", poisons(true), &["cell", "day"], treats),
    ];
    for (set, model, groups, coefficients) in cases {
        for criterion in BOTH {
            let fit = fit(&model, criterion);
            for name in groups.iter().chain(&["residual"]) {
                values.check(set, &format!("{} variance {name}", tag(criterion)), fit.variance(name).unwrap());
            }
            values.check(set, &format!("{} criterion", tag(criterion)), fit.criterion_value());
            // Nothing is above lme4's own optimum.
            let theirs = values.get(set, &format!("{} criterion lme4", tag(criterion)));
            assert!(fit.criterion_value() <= theirs + 1e-10 * theirs.abs(), "{set}");
            if criterion == Criterion::Ml {
                for name in groups.iter().chain(&["residual"]) {
                    let interval = fit.profile_interval(name, 0.95).unwrap();
                    for (end, got) in [("lower", interval.lower()), ("upper", interval.upper())] {
                        values.check(set, &format!("profile {end} {name}"), got);
                        values.check(set, &format!("confint {end} {name}"), got);
                    }
                }
            } else {
                for (a, name) in coefficients.iter().enumerate() {
                    values.check(set, &format!("df {name}"), fit.degrees_of_freedom()[a].unwrap());
                    values.check(set, &format!("se {name}"), fit.standard_errors()[a]);
                    values.check(set, &format!("coef {name}"), fit.coefficients()[a]);
                    let row = fit.covariance_row(a);
                    assert_digits(row[a].sqrt(), fit.standard_errors()[a], 10.0);
                }
                let predictions: Vec<_> = groups.iter().flat_map(|g| fit.predictions(g).unwrap()).collect();
                assert_eq!(
                    predictions.len(),
                    fit.variance_components().iter().rev().skip(1).map(|c| c.levels).sum::<usize>()
                );
                for (i, p) in predictions.iter().enumerate() {
                    values.check(set, &format!("effect se {}", i + 1), p.standard_error);
                    let want = values.get(set, &format!("effect {}", i + 1));
                    assert!((p.value - want).abs() <= 1e-7 * p.standard_error, "{set} effect {i}: {} {want}", p.value);
                }
            }
        }
    }
}

/// Student's sleep data: Welch's test as a mixed model in which the rows of group 2 carry an effect
/// of their own on top of the residual. REML gives the two sample variances, and the Satterthwaite
/// degrees of freedom are Welch's (R `t.test`: t = −1.860813467, df = 17.77647352).
#[test]
fn welch_is_a_special_case() {
    let table = Table::read("r_sleep.csv");
    let (extra, group) = (table.numbers("extra"), table.text("group"));
    let second: Vec<bool> = group.iter().map(|g| g == "2").collect();
    let own: Vec<Option<usize>> = second.iter().enumerate().map(|(i, &two)| two.then_some(i)).collect();
    let model = LinearMixedModel::new(extra.clone())
        .intercept()
        .fixed("second", second.iter().map(|&two| f64::from(u8::from(two))).collect())
        .group_where("own", &own);
    let fit = fit(&model, Criterion::Reml);
    let sample_variance = |two: bool| {
        let y: Vec<f64> = (0..20).filter(|&i| second[i] == two).map(|i| extra[i]).collect();
        let mean = y.iter().sum::<f64>() / 10.0;
        y.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 9.0
    };
    assert_digits(fit.variance("residual").unwrap(), sample_variance(false), 12.0);
    assert_digits(fit.variance("own").unwrap(), sample_variance(true) - sample_variance(false), 10.0);
    let second = fit.contrast(&[0.0, 1.0]).unwrap();
    assert_digits(-second.estimate / second.standard_error, -1.860_813_467, 9.5);
    assert_digits(second.degrees_of_freedom.unwrap(), 17.776_473_52, 9.5);
    // Without random effects the degrees of freedom are the classical ones.
    let plain = LinearMixedModel::new(extra).intercept().fit(Criterion::Reml).unwrap();
    assert_digits(plain.degrees_of_freedom()[0].unwrap(), 19.0, 12.0);
    assert_eq!(plain.convergence().verdict, Verdict::Converged);
}

/// An invariance: unit and origin of the response.
#[test]
fn unit_and_origin_of_the_response() {
    let table = Table::read("lme4_penicillin.csv");
    let y = table.numbers("diameter");
    let with = |y: Vec<f64>| {
        fit(
            &LinearMixedModel::new(y)
                .intercept()
                .group("plate", &table.levels("plate"))
                .group("sample", &table.levels("sample")),
            Criterion::Reml,
        )
    };
    let (plain, moved) = (with(y.clone()), with(y.iter().map(|v| 60.0 * v + 1e6).collect()));
    for name in ["plate", "sample", "residual"] {
        assert_digits(moved.variance(name).unwrap(), 3600.0 * plain.variance(name).unwrap(), 10.0);
    }
    assert_digits(moved.degrees_of_freedom()[0].unwrap(), plain.degrees_of_freedom()[0].unwrap(), 9.0);
    // Order of the rows.
    let mut order: Vec<usize> = (0..y.len()).collect();
    order.sort_by_key(|i| (i * 37) % 101);
    let pick = |v: &[usize]| order.iter().map(|&i| v[i]).collect::<Vec<usize>>();
    let model = LinearMixedModel::new(order.iter().map(|&i| y[i]).collect())
        .intercept()
        .group("plate", &pick(&table.levels("plate")))
        .group("sample", &pick(&table.levels("sample")));
    assert_digits(fit(&model, Criterion::Reml).variance("plate").unwrap(), plain.variance("plate").unwrap(), 11.0);
}

/// What cannot be estimated is refused by name.
#[test]
fn refusals() {
    let y: Vec<f64> = (0..12).map(|i| f64::from((i * 7) % 5) + 0.1 * f64::from(i)).collect();
    let base = || LinearMixedModel::new(y.clone()).intercept();
    let pairs: Vec<usize> = (0..12).map(|i| i / 2).collect();
    let not_estimable = |model: LinearMixedModel, words: &str| {
        let error = model.fit(Criterion::Reml).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::NotEstimable { .. }), "{error}");
        assert!(error.to_string().contains(words), "{error}");
    };
    not_estimable(base().group("day", &[0; 12]), "1 level");
    not_estimable(base().group("day", &(0..12).collect::<Vec<_>>()), "level of its own");
    let twins: Vec<usize> = pairs.iter().map(|p| 40 - p).collect();
    not_estimable(base().group("day", &pairs).group("run", &twins), "exactly as day");
    not_estimable(
        LinearMixedModel::new(y.clone()).fixed_factor("surface", &pairs).group("day", &pairs),
        "coincide with fixed effects",
    );
    not_estimable(base().fixed("twice", vec![2.0; 12]).group("day", &pairs), "combination");
    not_estimable(base().fixed("nothing", vec![0.0; 12]).group("day", &pairs), "nothing");
    let option = |model: LinearMixedModel| {
        let error = model.fit(Criterion::Ml).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::InvalidOption { .. }), "{error}");
    };
    option(base().group("day", &pairs[..11]));
    option(base().fixed("x", vec![f64::NAN; 12]));
    option(base().group("day", &pairs).group("day", &(0..12).map(|i| i % 3).collect::<Vec<_>>()));
    option(LinearMixedModel::new(vec![f64::INFINITY; 12]).intercept());
    let constant = LinearMixedModel::new(vec![3.0; 12]).intercept().group("day", &pairs);
    assert!(matches!(constant.fit(Criterion::Reml).unwrap_err().kind(), ErrorKind::ScatterNotEstimable { .. }));
    let short = LinearMixedModel::new(vec![3.0, 4.0]).fixed_factor("m", &[0, 1]);
    assert!(matches!(short.fit(Criterion::Reml).unwrap_err().kind(), ErrorKind::ScatterNotEstimable { .. }));
    assert!(matches!(
        LinearMixedModel::new(Vec::new()).intercept().fit(Criterion::Ml).unwrap_err().kind(),
        ErrorKind::NothingToFit { .. }
    ));
    let good = base().group("day", &pairs).fit(Criterion::Reml).unwrap();
    assert!(good.contrast(&[1.0, 2.0]).is_err() && good.contrast(&[f64::NAN]).is_err());
    assert!(good.variance("week").is_err() && good.predictions("residual").is_err());
    assert!(good.profile_interval("day", 95.0).is_err());
    assert!(good.covariance_row(1).is_empty());
}

/// Days that differ by less and less: limits change no more where their variance is estimated as 0 than elsewhere, and
/// are then those of the days' own mean square, `t(ν) √(MS/n)`, or those without days where these are wider.
#[test]
fn nothing_jumps_where_a_variance_becomes_zero() {
    let (days, each) = (4_usize, 6_usize);
    let scatter: Vec<f64> = (0..days * each).map(|i| 0.3 * ((i * i) as f64 * 0.7).sin()).collect();
    let day: Vec<usize> = (0..days * each).map(|i| i / each).collect();
    let mean_of = |y: &[f64], d: usize| y[d * each..(d + 1) * each].iter().sum::<f64>() / each as f64;
    // Scatter within days that has no part between them.
    let own: Vec<f64> = (0..days * each).map(|i| scatter[i] - mean_of(&scatter, day[i])).collect();
    let half_width = |size: f64| {
        let y: Vec<f64> = own.iter().zip(&day).map(|(e, d)| e + size * [0.5, -1.0, 0.8, -0.3][*d]).collect();
        let fit = LinearMixedModel::new(y).intercept().group("day", &day).fit(Criterion::Reml).unwrap();
        let c = fit.contrast(&[1.0]).unwrap();
        (c.multiplier(0.95) * c.standard_error, fit.variance("day").unwrap())
    };
    let within = own.iter().map(|e| e * e).sum::<f64>() / 20.0;
    let mut before: Option<(f64, f64)> = None;
    let mut zeros = 0;
    for step in 0..=120 {
        let size = 0.0025 * f64::from(step);
        let (width, variance) = half_width(size);
        // R qt(0.975, 3) = 3.182446305, qt(0.975, 23) = 2.068657610.
        let between = 6.0 * size * size * (0.25 + 1.0 + 0.64 + 0.09) / 3.0;
        let pooled = (within * 20.0 + between * 3.0) / 23.0;
        let want = (3.182_446_305 * (between / 24.0).sqrt()).max(if between < within {
            2.068_657_610 * (pooled / 24.0).sqrt()
        } else {
            0.0
        });
        assert!((width / want - 1.0).abs() < 1e-4, "{size}: {width} {want}");
        if let Some((last, _)) = before {
            assert!((width / last - 1.0).abs() < 0.12, "{size}: {last} {width}");
        }
        zeros += usize::from(variance == 0.0);
        before = Some((width, variance));
    }
    assert!((20..110).contains(&zeros), "{zeros}");
}
