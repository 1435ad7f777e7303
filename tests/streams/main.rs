//! Replicates as a function of (data, options, seed, number): schemes, parts, merging, cancelling.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::ops::ControlFlow;
use std::path::PathBuf;

use surface_severity::IntervalMethod;
use surface_severity::bootstrap::{Bootstrap, Replicates, Scheme, SeverityBootstrap};
use surface_severity::campaign::{Campaign, CampaignBuilder, Trial};
use surface_severity::severity::{ClassFactors, Severity};

const REFERENCE: &str = "dense asphalt concrete";

fn demo() -> Campaign {
    Campaign::read_path(PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("data-demo/trials.csv")).unwrap()
}

/// Uncensored: three materials, three surfaces, three specimens, two days per surface.
fn exact() -> Campaign {
    let mut trials = Vec::new();
    for (m, material) in ["x", "y", "z"].iter().enumerate() {
        for (s, surface) in ["a", "b", "c"].iter().enumerate() {
            for i in 0..4 {
                let wobble = (((m * 7 + s * 5 + i * 3) % 11) as f64 - 5.0) / 20.0;
                let t = (0.2 + 0.3 * m as f64 - 0.4 * s as f64 + wobble).exp();
                let trial = Trial::perforated(format!("{material}{surface}{i}"), *surface, *material, t);
                trials.push(trial.day(format!("{surface}-day-{}", i % 2)));
            }
        }
    }
    trials.into_iter().collect::<CampaignBuilder>().build().unwrap()
}

const SCHEMES: [Scheme; 3] = [Scheme::Stratified, Scheme::Rescaled, Scheme::Parametric];

/// Two halves merged, in either order and through JSON, are the bits of the whole; for every scheme
/// and any thread count.
#[test]
fn halves_merge_to_the_whole() {
    let campaign = exact();
    let plan = Severity::new("a").independent();
    for scheme in SCHEMES {
        let boot = Bootstrap::new(scheme, 300).seed(42);
        let part = |range| boot.severity_range(&plan, &campaign, range, &mut ()).unwrap();
        let whole = part(0..300);
        let pool = rayon::ThreadPoolBuilder::new().num_threads(7).build().unwrap();
        let (first, second) = (part(0..131), pool.install(|| part(131..300)));
        let second = Replicates::from_json(&second.to_json().unwrap()).unwrap();
        assert!(!first.is_complete() && whole.is_complete());
        let merged = Replicates::merge([second.clone(), first.clone()]).unwrap();
        assert_eq!(merged, whole, "{scheme:?}");
        assert_eq!(merged, Replicates::merge([first, second]).unwrap());
        let from_parts = SeverityBootstrap::from_replicates(merged, &plan, &campaign).unwrap();
        assert_eq!(from_parts, boot.severity(&plan, &campaign).unwrap());
    }
}

/// Parts that do not belong together are refused by name.
#[test]
fn parts_that_do_not_belong_together_are_refused() {
    let (campaign, plan) = (exact(), Severity::new("a").independent());
    let boot = Bootstrap::stratified(300);
    let part = |boot: &Bootstrap, plan: &Severity, campaign: &Campaign, range| {
        boot.severity_range(plan, campaign, range, &mut ()).unwrap()
    };
    let first = part(&boot, &plan, &campaign, 0..100);
    let other_campaign = Campaign::from_trials(campaign.trials().iter().skip(1).cloned()).unwrap();
    for (second, text) in [
        (part(&boot, &plan, &campaign, 99..200), "in two parts"),
        (part(&boot, &plan, &campaign, 150..200), "in no part"),
        (part(&boot.clone().seed(2), &plan, &campaign, 100..200), "different options or seeds"),
        (part(&Bootstrap::rescaled(300), &plan, &campaign, 100..200), "different options or seeds"),
        (part(&boot, &Severity::new("b").independent(), &campaign, 100..200), "different options"),
        (part(&boot, &plan, &other_campaign, 100..200), "different campaigns"),
    ] {
        let error = Replicates::merge([first.clone(), second]).unwrap_err();
        assert!(error.to_string().contains(text), "{error}");
    }
    assert!(Replicates::merge([]).is_err());
}

/// A rescaled resample has exactly the classical variance of a cell mean, the others theirs (closed forms within four
/// Monte Carlo errors).
#[test]
fn schemes_have_their_exact_variances() {
    let times = [("a", [1.0, 1.3, 0.8, 1.9, 1.1].as_slice()), ("b", [2.0, 2.2, 3.1].as_slice())];
    let mut trials = Vec::new();
    let (mut classical, mut plain) = (0.0, 0.0);
    let (mut pooled, mut df, mut harmonic) = (0.0, 0.0, 0.0);
    for (surface, times) in times {
        let logs: Vec<f64> = times.iter().map(|t: &f64| t.ln()).collect();
        let n = logs.len() as f64;
        let mean = logs.iter().sum::<f64>() / n;
        let ss = logs.iter().map(|y| (y - mean) * (y - mean)).sum::<f64>();
        classical += ss / (n - 1.0) / n;
        (pooled, df, harmonic) = (pooled + ss, df + n - 1.0, harmonic + 1.0 / n);
        for (i, t) in times.iter().enumerate() {
            trials.push(Trial::perforated(format!("{surface}{i}"), surface, "m", *t));
        }
        plain += ss / n / n;
    }
    let campaign = trials.into_iter().collect::<CampaignBuilder>().build().unwrap();
    let plan = Severity::new("a").independent();
    let n = 100_000;
    let variance = |scheme| {
        let boot = Bootstrap::new(scheme, n).severity(&plan, &campaign).unwrap();
        boot.replicates().standard_error(0).powi(2)
    };
    let near = |scheme, want: f64| {
        let got = variance(scheme);
        assert!((got / want - 1.0).abs() < 4.0 * (2.0 / n as f64).sqrt() * 1.5, "{scheme:?}: {got} {want}");
    };
    near(Scheme::Stratified, plain);
    near(Scheme::Rescaled, classical);
    near(Scheme::Parametric, pooled / df * harmonic);
}

/// Every scheme that weights trials serves any statistic: the class factors of the demo, and the
/// same numbers as the severity engine where the statistic is a severity fit.
#[test]
fn any_statistic_of_a_campaign() {
    let campaign = demo();
    let plan = Severity::new(REFERENCE).independent();
    for scheme in [Scheme::Rescaled, Scheme::Parametric] {
        let boot = Bootstrap::new(scheme, 100).max_failures(0.2);
        let general = boot
            .statistic(&plan, &campaign, &["log belt"], |c| {
                Ok(vec![plan.fit(c)?.log_factor_between("laboratory belt", REFERENCE)?.estimate])
            })
            .unwrap();
        let engine = boot.severity(&plan, &campaign).unwrap();
        let j = engine.replicates().names().iter().position(|n| n == "log factor of laboratory belt").unwrap();
        // A replicate may lose a material that the belt's factor can do without: compare the rest.
        if engine.replicates().failed() == 0 {
            for (a, b) in engine.replicates().values(j).iter().zip(general.values(0)) {
                assert!((a - b).abs() < 1e-7, "{scheme:?}: {a} {b}");
            }
        }
    }
    let classes = Bootstrap::rescaled(100)
        .statistic(&plan, &campaign, &["lined on polished"], |c| {
            let table = ClassFactors::fit(&plan, c)?;
            let row = table
                .rows
                .iter()
                .find(|r| r.class == "multi-layer lined textile" && r.surface == "polished fine asphalt")
                .unwrap();
            Ok(vec![row.ratio_to_common.value().unwrap().ln()])
        })
        .unwrap();
    assert!(classes.interval(0, IntervalMethod::Percentile).unwrap().interval.upper() < 0.0);
    let error = classes.interval(0, IntervalMethod::Bca).unwrap_err();
    assert!(error.to_string().contains("use the percentile"), "{error}");
}

/// A statistic of the caller's has a BCa interval too: on the same replicates of the same factor its limits are those
/// of the scale, whose influence is analytic (leaving one of four out is not the derivative, hence the tolerance).
#[test]
fn a_callers_statistic_has_bca_limits() {
    let campaign = exact();
    let plan = Severity::new("a").independent();
    let boot = Bootstrap::stratified(1000).seed(3);
    let general = boot
        .statistic(&plan, &campaign, &["c"], |s| Ok(vec![plan.fit(s)?.log_factor_between("c", "a")?.estimate]))
        .unwrap();
    let engine = boot.severity(&plan, &campaign).unwrap();
    let j = engine.replicates().names().iter().position(|n| n == "log factor of c").unwrap();
    assert!((general.acceleration(0) - engine.replicates().acceleration(j)).abs() < 0.01);
    assert!(general.acceleration(0) != 0.0);
    let of_scale = engine.replicates().interval(j, IntervalMethod::Bca).unwrap().interval;
    let of_caller = general.interval(0, IntervalMethod::Bca).unwrap().interval;
    assert!((of_scale.lower() - of_caller.lower()).abs() < 0.01 && (of_scale.upper() - of_caller.upper()).abs() < 0.01);
    // More trials than replicates: leaving each out would cost more than the bootstrap.
    let campaign = demo();
    let boot = Bootstrap::rescaled(100);
    let plan = Severity::new(REFERENCE).independent();
    let few = boot.statistic(&plan, &campaign, &["c"], |s| Ok(vec![plan.fit(s)?.log_scatter()])).unwrap();
    assert!(few.interval(0, IntervalMethod::Bca).is_err());
}

/// Quantiles and probabilities of a cell from the replicates of the scale are those of refits, draw by draw.
#[test]
fn cell_predictions_are_those_of_refits() {
    let campaign = exact();
    let plan = Severity::new("a").independent();
    let boot = Bootstrap::stratified(500).seed(5);
    let refits = boot
        .statistic(&plan, &campaign, &["log early", "survival"], |s| {
            let fit = plan.fit(s)?;
            let early = fit.quantile("y", "c", 0.1)?.estimate().ln();
            Ok(vec![early, fit.survival_probability("y", "c", 1.1)?.estimate()])
        })
        .unwrap();
    let engine = boot.severity(&plan, &campaign).unwrap();
    for (method, tolerance) in [(IntervalMethod::Percentile, 1e-7), (IntervalMethod::Bca, 0.02)] {
        let early = engine.quantile("y", "c", 0.1, method).unwrap().interval;
        let of_refits = refits.interval(0, method).unwrap().interval;
        assert!((early.lower().ln() - of_refits.lower()).abs() < tolerance, "{method:?}");
        assert!((early.upper().ln() - of_refits.upper()).abs() < tolerance, "{method:?}");
        let lasts = engine.survival_probability("y", "c", 1.1, method).unwrap().interval;
        let of_refits = refits.interval(1, method).unwrap().interval;
        // Interpolated between order statistics on another scale.
        let tolerance = tolerance.max(1e-3);
        assert!((lasts.lower() - of_refits.lower()).abs() < tolerance, "{method:?}");
        assert!((lasts.upper() - of_refits.upper()).abs() < tolerance, "{method:?}");
    }
    assert!(engine.quantile("y", "c", 0.1, IntervalMethod::Studentised).is_err());
    assert!(engine.quantile("y", "nowhere", 0.1, IntervalMethod::Percentile).is_err());
}

/// All interval methods agree on a large, nearly normal problem; each has a Monte Carlo error that
/// shrinks with the number of replicates.
#[test]
fn methods_agree_where_they_should() {
    let campaign = demo();
    let plan = Severity::new(REFERENCE).independent();
    let methods = [
        IntervalMethod::Normal,
        IntervalMethod::Basic,
        IntervalMethod::Percentile,
        IntervalMethod::Studentised,
        IntervalMethod::Bca,
    ];
    let small = Bootstrap::rescaled(1000).severity(&plan, &campaign).unwrap();
    let large = Bootstrap::rescaled(16_000).severity(&plan, &campaign).unwrap();
    for method in methods {
        let model = large.fit().factor("laboratory belt").unwrap();
        let (a, b) =
            (small.factor("laboratory belt", method).unwrap(), large.factor("laboratory belt", method).unwrap());
        let width = |i: surface_severity::Interval| (i.upper() / i.lower()).ln();
        assert!((width(b.interval) / width(model) - 1.0).abs() < 0.15, "{method:?}: {} {model}", b.interval);
        // Four times the error of a sixteenth of the replicates, to within its own noise.
        let ratio = a.lower_error / b.lower_error;
        assert!((2.0..8.0).contains(&ratio), "{method:?}: {ratio}");
        // The error is honest: the small run's limit lies within five of them.
        let gap = (a.interval.lower() / b.interval.lower()).ln().abs();
        assert!(gap < 5.0 * a.lower_error, "{method:?}: {gap} {}", a.lower_error);
    }
}

/// Replicates are added until the limits are known well enough; an early stop returns what is done.
#[test]
fn adding_and_cancelling() {
    let (campaign, plan) = (exact(), Severity::new("a").independent());
    let boot = Bootstrap::stratified(100).until(0.01, 20_000).severity(&plan, &campaign).unwrap();
    let n = boot.replicates().range().end;
    assert!(n > 400 && n < 20_000, "{n}");
    for surface in ["b", "c"] {
        let interval = boot.factor(surface, IntervalMethod::Percentile).unwrap();
        assert!(interval.lower_error <= 0.01 && interval.upper_error <= 0.01);
    }
    // The same bits as asking for that many at once.
    let at_once = Bootstrap::stratified(n).severity(&plan, &campaign).unwrap();
    assert_eq!(boot.replicates().values(0), at_once.replicates().values(0));
    // Statistics of the caller's own are added to likewise.
    let factor = |c: &Campaign| Ok(vec![plan.fit(c)?.log_factor_between("b", "a")?.estimate]);
    let run = |boot: Bootstrap| boot.statistic(&plan, &campaign, &["log factor"], factor).unwrap();
    let added = run(Bootstrap::stratified(100).until(0.02, 20_000));
    let interval = added.interval(0, IntervalMethod::Percentile).unwrap();
    assert!(added.is_complete() && added.len() > 100 && interval.lower_error <= 0.02 && interval.upper_error <= 0.02);
    assert_eq!(added.values(0), run(Bootstrap::stratified(added.range().end)).values(0));
    let capped = run(Bootstrap::stratified(100).until(1e-9, 150));
    assert_eq!((capped.range(), capped.plan().replicates()), (0..150, 150));

    let mut seen = Vec::new();
    let stopped = Bootstrap::stratified(10_000)
        .severity_observed(&plan, &campaign, &mut |done, total| {
            seen.push((done, total));
            if done >= 3000 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        })
        .unwrap();
    let done = stopped.replicates().range().end;
    assert_eq!(seen.last(), Some(&(done, 10_000)));
    assert!((3000..10_000).contains(&done) && !stopped.replicates().is_complete());
    assert_eq!(
        stopped.replicates().values(0),
        Bootstrap::stratified(done).severity(&plan, &campaign).unwrap().replicates().values(0)
    );
}

/// Schemes that do not suit the data say what would.
#[test]
fn unsuitable_schemes_are_refused_in_words() {
    let (campaign, plan) = (demo(), Severity::new(REFERENCE).independent());
    for (boot, text) in [
        (Bootstrap::stratified(99), "at least 100"),
        (Bootstrap::stratified(100).level(95.0), "0.95"),
        (Bootstrap::stratified(100).run_length_s("laboratory belt", 25.0), "the parametric scheme"),
        (Bootstrap::parametric(100).run_length_s("ice", 25.0), "no surface \"ice\""),
        (Bootstrap::parametric(100).time_resolution_s(-1.0), "positive"),
    ] {
        let error = boot.severity(&plan, &campaign).unwrap_err();
        assert!(error.to_string().contains(text), "{error}");
        assert!(error.is_input());
    }
    let error = Bootstrap::stratified(100).severity_range(&plan, &campaign, 50..200, &mut ()).unwrap_err();
    assert!(error.to_string().contains("part of 0..100"), "{error}");
}
