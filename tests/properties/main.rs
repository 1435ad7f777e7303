//! What must hold for any campaign: invariances of the scale, and refusals that explain themselves.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use proptest::prelude::*;
use surface_severity::campaign::{Campaign, CampaignBuilder, Outcome, SurfaceRole, Trial};
use surface_severity::equivalence::{Equivalence, SurfaceEquivalence};
use surface_severity::screening::{LeftOut, Screening};
use surface_severity::severity::{Distribution, Severity, SeverityFit};
use surface_severity::{BoundSide, ErrorKind, Estimate};

const SURFACES: [&str; 4] = ["asphalt", "belt", "concrete", "dressing"];

/// Log times of 5 materials on 4 surfaces, 2 to 4 specimens a cell, some cells empty; the first
/// material and the first surface are tried with everything, so the table hangs together.
fn trials() -> impl Strategy<Value = Vec<Trial>> {
    (
        proptest::collection::vec(-1.5f64..1.5, 5),
        proptest::collection::vec(-1.0f64..1.0, 4),
        proptest::collection::vec(-0.5f64..0.5, 5 * 4 * 4),
        proptest::collection::vec(0usize..6, 5 * 4),
        prop_oneof![Just(None), (1.5f64..4.0).prop_map(Some)],
    )
        .prop_map(|(material, surface, noise, count, limit)| {
            let mut trials = Vec::new();
            for m in 0..5 {
                for s in 0..4 {
                    let drawn = count[m * 4 + s].saturating_sub(1);
                    let n = if m == 0 || s == 0 { drawn.max(2) } else { drawn };
                    for i in 0..n.min(4) {
                        let t = (material[m] + surface[s] + noise[(m * 4 + s) * 4 + i]).exp();
                        let id = format!("m{m}s{s}r{i}");
                        let name = format!("material {m}");
                        trials.push(match limit {
                            // The first row and column stay exact: every estimate stays finite.
                            Some(limit) if t > limit && m != 0 && s != 0 => {
                                Trial::run_out(id, SURFACES[s], name, limit)
                            }
                            _ => Trial::perforated(id, SURFACES[s], name, t),
                        });
                    }
                }
            }
            trials
        })
}

fn distributions() -> impl Strategy<Value = Distribution> {
    prop_oneof![Just(Distribution::LogNormal), Just(Distribution::Weibull), Just(Distribution::LogLogistic)]
}

fn build(trials: impl IntoIterator<Item = Trial>) -> Campaign {
    trials.into_iter().collect::<CampaignBuilder>().build().unwrap()
}

fn fit(trials: impl IntoIterator<Item = Trial>, distribution: Distribution) -> SeverityFit {
    Severity::new("asphalt").independent().distribution(distribution).fit(&build(trials)).unwrap()
}

fn rescaled(trials: &[Trial], by: impl Fn(&Trial) -> f64) -> Vec<Trial> {
    trials
        .iter()
        .cloned()
        .map(|mut t| {
            t.abrasion_time_s = t.abrasion_time_s.map(|s| s * by(&t));
            t
        })
        .collect()
}

#[track_caller]
fn close(a: f64, b: f64) {
    assert!((a - b).abs() <= 1e-8 * (1.0 + a.abs()), "{a} {b}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Seconds or minutes: factors stay, durabilities scale.
    #[test]
    fn rescaling_all_times_leaves_factors(trials in trials(), d in distributions(), unit in 0.01f64..100.0) {
        let (before, after) = (fit(trials.clone(), d), fit(rescaled(&trials, |_| unit), d));
        close(before.log_scatter(), after.log_scatter());
        for (a, b) in before.factors().iter().zip(after.factors()) {
            close(a.log_factor.unwrap(), b.log_factor.unwrap());
            close(a.log_standard_error.unwrap(), b.log_standard_error.unwrap());
        }
        for (a, b) in before.materials().iter().zip(after.materials()) {
            close(a.log_durability.unwrap() + unit.ln(), b.log_durability.unwrap());
        }
    }

    /// Row order changes nothing, to the bit.
    #[test]
    fn permuting_rows_changes_nothing(trials in trials(), d in distributions(), by in 1usize..20) {
        let mut other = trials.clone();
        other.reverse();
        let n = other.len();
        other.rotate_left(by % n);
        prop_assert_eq!(fit(trials, d), fit(other, d));
    }

    /// Another reference divides all factors by its own; no ratio and no interval of a ratio moves.
    #[test]
    fn changing_the_reference_rescales_all_factors(trials in trials(), d in distributions(), r in 0usize..4) {
        let campaign = build(trials);
        let one = Severity::new("asphalt").independent().distribution(d).fit(&campaign).unwrap();
        let two = Severity::new(SURFACES[r]).independent().distribution(d).fit(&campaign).unwrap();
        close(one.log_likelihood(), two.log_likelihood());
        let base = one.factor(SURFACES[r]).unwrap().estimate();
        for surface in SURFACES {
            close(two.factor(surface).unwrap().estimate(), one.factor(surface).unwrap().estimate() / base);
            for other in SURFACES {
                let a = one.factor_between(surface, other).unwrap();
                let b = two.factor_between(surface, other).unwrap();
                close(a.lower(), b.lower());
                close(a.upper(), b.upper());
                close(a.estimate() * one.factor_between(other, surface).unwrap().estimate(), 1.0);
            }
        }
        let table = one.relative_to(SURFACES[r]).unwrap();
        for (row, other) in table.iter().zip(two.factors()) {
            close(row.log_factor.unwrap(), other.log_factor.unwrap());
            close(row.factor.interval().unwrap().upper(), other.factor.interval().unwrap().upper());
        }
    }

    /// A surface that wears twice as fast than before has twice the factor.
    #[test]
    fn twice_as_abrasive_is_two(trials in trials(), d in distributions(), s in 1usize..4) {
        // Uncensored, so that halving a time does not change what is known of it.
        let exact: Vec<Trial> = trials
            .iter()
            .map(|t| Trial::perforated(&t.trial_id, &t.surface, &t.material, t.abrasion_time_s.unwrap()))
            .collect();
        let before = fit(exact.clone(), d);
        let after = fit(rescaled(&exact, |t| if t.surface == SURFACES[s] { 0.5 } else { 1.0 }), d);
        let ratio = after.factor(SURFACES[s]).unwrap().estimate() / before.factor(SURFACES[s]).unwrap().estimate();
        close(ratio, 2.0);
        for other in SURFACES.iter().filter(|o| **o != SURFACES[s]) {
            close(after.factor(other).unwrap().estimate(), before.factor(other).unwrap().estimate());
        }
    }

    /// Every trial twice: the same estimates, half the variance (exactly so where information is
    /// observed; the classical σ² also changes its divisor).
    #[test]
    fn duplicating_the_data_doubles_the_information(trials in trials(), d in distributions()) {
        let twice = trials.iter().cloned().chain(trials.iter().cloned().map(|mut t| {
            t.trial_id.push_str(" again");
            t
        }));
        let (one, two) = (fit(trials.clone(), d), fit(twice, d));
        prop_assert!(two.scatter_degrees_of_freedom() > one.scatter_degrees_of_freedom());
        let ratio = if one.convergence().direct {
            two.scatter_degrees_of_freedom() / one.scatter_degrees_of_freedom()
        } else {
            2.0
        };
        for (a, b) in one.factors().iter().zip(two.factors()).filter(|(a, _)| a.surface != "asphalt") {
            close(a.log_factor.unwrap(), b.log_factor.unwrap());
            close(a.log_standard_error.unwrap().powi(2) / b.log_standard_error.unwrap().powi(2), ratio);
        }
    }

    /// Voids are kept and change no number.
    #[test]
    fn voids_are_kept_and_not_fitted(trials in trials()) {
        let void = Trial::void("v", "belt", "material 1", "clamp slipped");
        let (without, with) = (fit(trials.clone(), Distribution::LogNormal), fit(trials.into_iter().chain([void]), Distribution::LogNormal));
        prop_assert_eq!(without.factors().iter().map(|f| f.log_factor).collect::<Vec<_>>(),
            with.factors().iter().map(|f| f.log_factor).collect::<Vec<_>>());
        prop_assert!(with.notes().iter().any(|n| n.to_string().contains("1 void")));
    }

    /// Whatever the mixture of outcomes, a fit answers or explains; no number is NaN or infinite.
    #[test]
    fn any_table_is_answered_or_refused(
        cells in proptest::collection::vec((0usize..4, 0usize..4, 0usize..4, -3.0f64..3.0), 1..40),
        d in distributions(),
    ) {
        let trials = cells.into_iter().enumerate().map(|(i, (m, s, outcome, y))| {
            let (id, surface, material, t) = (format!("{i}"), SURFACES[s], format!("m{m}"), y.exp());
            match Outcome::ALL[outcome] {
                Outcome::Perforated => Trial::perforated(id, surface, material, t),
                Outcome::RunOut => Trial::run_out(id, surface, material, t),
                Outcome::OpenedAtContact => Trial::opened_at_contact(id, surface, material, t),
                Outcome::Void => Trial::void(id, surface, material, "reason"),
            }
        });
        let campaign = build(trials);
        let reference = &campaign.surfaces()[0].name;
        match Severity::new(reference).independent().distribution(d).fit(&campaign) {
            Ok(fit) => {
                prop_assert!(fit.log_scatter() > 0.0 && fit.log_scatter().is_finite());
                prop_assert!(fit.log_likelihood().is_finite());
                for row in fit.factors() {
                    prop_assert!(row.log_factor.is_none_or(f64::is_finite));
                    prop_assert!(row.log_standard_error.is_none_or(f64::is_finite));
                }
                // What was written reads back the same.
                let text = fit.document(None).to_json().unwrap();
                let read = surface_severity::severity::SeverityDocument::from_json(&text).unwrap();
                prop_assert_eq!(read.to_json().unwrap(), text);
            }
            Err(error) => prop_assert!(!error.to_string().is_empty()),
        }
    }
}

/// Two campaigns that share nothing: the error names both and a cell that would join them.
#[test]
fn disconnected_campaigns_are_refused_with_the_joining_cell() {
    let trials = [("a", "m"), ("b", "m"), ("c", "n"), ("d", "n")].into_iter().flat_map(|(surface, material)| {
        (0..2).map(move |i| Trial::perforated(format!("{surface}{i}"), surface, material, 1.0 + f64::from(i)))
    });
    let error = Severity::new("a").independent().fit(&build(trials)).unwrap_err();
    let ErrorKind::Disconnected { components, bridging_cells, .. } = error.kind() else { panic!("{error}") };
    assert_eq!(components.len(), 2);
    assert_eq!(components[1].surfaces, ["c", "d"]);
    assert_eq!(bridging_cells, &[("m".to_owned(), "c".to_owned())]);
    // The cell that the error names does join them.
    let mended = [("a", "m"), ("b", "m"), ("c", "n"), ("d", "n"), ("c", "m")]
        .into_iter()
        .flat_map(|(s, m)| (0..2).map(move |i| Trial::perforated(format!("{s}{m}{i}"), s, m, 1.0 + f64::from(i))));
    assert!(Severity::new("a").independent().fit(&build(mended)).is_ok());
}

/// A material that only ran out and a surface on which everything opened: bounds on the right side,
/// and every other number as if they had not been there.
#[test]
fn one_sided_evidence_gives_bounds() {
    let base: Vec<Trial> = [
        ("a", "m", [1.0, 1.3, 0.9]),
        ("b", "m", [0.5, 0.6, 0.55]),
        ("a", "n", [2.0, 2.5, 2.2]),
        ("b", "n", [1.2, 1.0, 1.4]),
    ]
    .into_iter()
    .flat_map(|(s, m, times)| {
        times.into_iter().enumerate().map(move |(i, t)| Trial::perforated(format!("{s}{m}{i}"), s, m, t))
    })
    .collect();
    let plain = Severity::new("a").independent().fit(&build(base.clone())).unwrap();
    let more = base.into_iter().chain([
        Trial::run_out("x1", "a", "tough", 20.0),
        Trial::run_out("x2", "b", "tough", 15.0),
        Trial::opened_at_contact("y1", "gravel", "m", 0.05),
        Trial::opened_at_contact("y2", "gravel", "n", 0.05),
    ]);
    let fit = Severity::new("a").independent().fit(&build(more)).unwrap();
    assert_eq!(fit.log_scatter().to_bits(), plain.log_scatter().to_bits());
    assert_eq!(fit.factor("b").unwrap(), plain.factor("b").unwrap());
    let tough = fit.materials().iter().find(|m| m.material == "tough").unwrap();
    let Estimate::Bound(bound) = &tough.durability_s else { panic!("{tough:?}") };
    assert_eq!(bound.side(), BoundSide::AtLeast);
    // On the reference the 15 s on b count as 15 k(b) s; the bound lies near the larger.
    let k = fit.factor("b").unwrap().estimate();
    assert!(bound.value() > 15.0 && bound.value() < 20.0f64.max(15.0 * k) * 1.2, "{bound}");
    let gravel = fit.factors().iter().find(|f| f.surface == "gravel").unwrap();
    let Estimate::Bound(bound) = &gravel.factor else { panic!("{gravel:?}") };
    assert_eq!(bound.side(), BoundSide::AtLeast);
    assert!(bound.value() > 2.0 / 0.05 / 2.0, "{bound}");
    assert!(matches!(fit.factor("gravel").unwrap_err().kind(), ErrorKind::NotEstimable { .. }));
    assert!(fit.notes().iter().any(|n| n.to_string().starts_with("tough:")));
}

/// Zero scatter, no residual degrees of freedom, one trial: refused in words, not with a NaN.
#[test]
fn degenerate_tables_are_refused_in_words() {
    let exact = |id: &str, s: &str, m: &str, t: f64| Trial::perforated(id, s, m, t);
    for (trials, text) in [
        (vec![exact("1", "a", "m", 1.0)], "leave nothing over"),
        (vec![exact("1", "a", "m", 1.0), exact("2", "b", "m", 2.0)], "leave nothing over"),
        (vec![exact("1", "a", "m", 1.0), exact("2", "a", "m", 1.0), exact("3", "b", "m", 2.0)], "agree with the fit"),
        (vec![Trial::void("1", "a", "m", "x")], "no trial that can be fitted"),
        (vec![Trial::run_out("1", "a", "m", 9.0), exact("2", "b", "m", 2.0)], "another reference"),
    ] {
        let error = Severity::new("a").independent().fit(&build(trials)).unwrap_err();
        assert!(error.to_string().contains(text), "{error}");
    }
    for level in [0.0, 1.0, 95.0, f64::NAN] {
        let error = Severity::new("a").independent().level(level).fit(&build([exact("1", "a", "m", 1.0)])).unwrap_err();
        assert!(error.to_string().contains("level"), "{error}");
    }
    let error = Severity::new("ice").independent().fit(&build([exact("1", "a", "m", 1.0)])).unwrap_err();
    assert!(error.to_string().contains("known surfaces: a"), "{error}");
}

/// Other names, in the opposite order.
fn renamed(trials: &[Trial]) -> Vec<Trial> {
    let mut trials = trials.to_vec();
    for t in &mut trials {
        t.surface = other_surface(&t.surface);
        t.material = other_material(&t.material);
        t.material_class =
            t.material_class.as_deref().map(|c| format!("{} class", if c == "knit" { "x" } else { "y" }));
    }
    trials
}

fn other_surface(name: &str) -> String {
    let at = SURFACES.iter().position(|s| *s == name).unwrap();
    ["zeolite", "yard", "weir", "verge"][at].into()
}

fn other_material(name: &str) -> String {
    format!("stuff {}", 9 - name.trim_start_matches("material ").parse::<u32>().unwrap())
}

/// As drawn, with a belt, classes, days, speeds, and a gross error.
fn dressed(trials: &[Trial], spoiled: usize, slow: usize) -> Vec<Trial> {
    let mut trials = trials.to_vec();
    let n = trials.len();
    for (i, t) in trials.iter_mut().enumerate() {
        let belt = t.surface == "belt";
        t.surface_role = Some(if belt { SurfaceRole::Laboratory } else { SurfaceRole::Road });
        t.material_class = Some(if t.material.ends_with(['0', '2']) { "weave" } else { "knit" }.into());
        t.day = Some(format!("day {}", i % 3));
        t.speed_m_per_s = Some(if belt { 8.0 } else { 12.0 } * if i == slow % n { 0.8 } else { 1.0 });
    }
    if let Some(t) = trials.iter_mut().filter(|t| t.outcome == Outcome::Perforated).nth(spoiled % (n / 2)) {
        t.abrasion_time_s = t.abrasion_time_s.map(|s| s * 30.0);
    }
    trials
}

#[track_caller]
fn alike(a: Option<f64>, b: Option<f64>) {
    match (a, b) {
        (Some(a), Some(b)) => assert!((a - b).abs() <= 1e-6 * (1.0 + a.abs()), "{a} {b}"),
        (a, b) => assert_eq!(a, b),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20))]

    /// What materials, surfaces and classes are called changes no verdict and no influence.
    #[test]
    fn renaming_changes_no_verdict(trials in trials(), spoiled in 0usize..40, slow in 0usize..40) {
        let trials = dressed(&trials, spoiled, slow);
        let screen = |trials: &[Trial], reference: &str| {
            Screening::default().screen(&build(trials.to_vec()), &Severity::new(reference).independent()).unwrap()
        };
        let (one, two) = (screen(&trials, "asphalt"), screen(&renamed(&trials), &other_surface("asphalt")));
        prop_assert!(one.flagged().count() > 0);
        for a in one.verdicts() {
            let b = two.verdict(&a.trial_id).unwrap();
            prop_assert_eq!((a.flagged, a.evidence.len()), (b.flagged, b.evidence.len()), "{:?} {:?}", a, b);
            for (a, b) in a.evidence.iter().zip(&b.evidence) {
                prop_assert_eq!((a.test, a.flags), (b.test, b.flags));
                alike(Some(a.statistic), Some(b.statistic));
                alike(Some(a.critical_value), Some(b.critical_value));
                alike(a.p_value, b.p_value);
                alike(a.adjusted_p_value, b.adjusted_p_value);
            }
            prop_assert_eq!(a.without_it.len(), b.without_it.len());
            for a in &a.without_it {
                let b = b.without_it.iter().find(|b| b.surface == other_surface(&a.surface)).unwrap();
                alike(a.change_percent, b.change_percent);
            }
        }
        for a in one.headline() {
            let b = two.headline().iter().find(|b| b.surface == other_surface(&a.surface)).unwrap();
            for (a, b) in [(&a.all_trials, &b.all_trials), (&a.robust, &b.robust), (&a.without_flagged, &b.without_flagged)] {
                alike(a.value(), b.value());
            }
        }
        prop_assert_eq!(one.influences().len(), two.influences().len());
        for (a, b) in one.influences().iter().zip(two.influences()) {
            prop_assert_eq!((a.left_out, a.rows.len()), (b.left_out, b.rows.len()));
            if matches!(a.left_out, LeftOut::Trial | LeftOut::Day) {
                for (a, b) in a.rows.iter().zip(&b.rows) {
                    prop_assert_eq!(&a.name, &b.name);
                    alike(a.largest_percent.map(f64::abs), b.largest_percent.map(f64::abs));
                }
            }
        }
        prop_assert_eq!(one.groups().len(), two.groups().len());
    }

    /// Nor does it change how belt and roads relate, or what the limits rest on.
    #[test]
    fn renaming_changes_no_relation(trials in trials()) {
        let trials = dressed(&trials, 3, 5);
        let fit = |trials: &[Trial], reference: &str, belt: &str| {
            let campaign = build(trials.to_vec());
            let severity = Severity::new(reference).fit(&campaign).unwrap();
            Equivalence::new(belt).fit(&campaign, &severity).unwrap()
        };
        let one = fit(&trials, "asphalt", "belt");
        let two = fit(&renamed(&trials), &other_surface("asphalt"), &other_surface("belt"));
        prop_assert_eq!(one.surfaces().len(), two.surfaces().len());
        for a in one.surfaces() {
            let b = two.surface(&other_surface(a.surface())).unwrap();
            prop_assert_eq!(a.pairs().len(), b.pairs().len());
            let ratio = |s: &SurfaceEquivalence| s.constant_ratio().fitted().cloned();
            prop_assert_eq!(ratio(a).is_some(), ratio(b).is_some());
            if let (Some(a), Some(b)) = (ratio(a), ratio(b)) {
                alike(Some(a.log_ratio()), Some(b.log_ratio()));
                alike(Some(a.log_standard_error()), Some(b.log_standard_error()));
                alike(Some(a.ratio().upper().ln()), Some(b.ratio().upper().ln()));
                alike(Some(a.observed_log_variance()), Some(b.observed_log_variance()));
            }
            let line = |s: &SurfaceEquivalence| s.power_law().fitted().cloned();
            prop_assert_eq!(line(a).is_some(), line(b).is_some());
            if let (Some(a), Some(b)) = (line(a), line(b)) {
                alike(Some(a.slope().estimate()), Some(b.slope().estimate()));
                alike(Some(a.slope().upper()), Some(b.slope().upper()));
                alike(a.adjusted_slope_one_p_value(), b.adjusted_slope_one_p_value());
            }
            alike(a.adjusted_p_value(), b.adjusted_p_value());
        }
    }
}

/// One material serves: the scale is the ratio of geometric means.
#[test]
fn one_material_by_hand() {
    let trials = [
        Trial::perforated("1", "a", "m", 1.0),
        Trial::perforated("2", "a", "m", 4.0),
        Trial::perforated("3", "b", "m", 0.5),
        Trial::perforated("4", "b", "m", 0.5),
        Trial::perforated("5", "b", "m", 2.0),
    ];
    let fit = Severity::new("a").independent().fit(&build(trials)).unwrap();
    // Geometric means 2 and 0.5^(1/3); SS within: (ln 4)²/2 and (ln 4)²·2/3 on 3 degrees of freedom.
    close(fit.factor("b").unwrap().estimate(), 2.0 / 0.5f64.powf(1.0 / 3.0));
    let l2 = 4.0f64.ln().powi(2);
    let s2 = (l2 / 2.0 + l2 * 2.0 / 3.0) / 3.0;
    close(fit.log_factor_between("b", "a").unwrap().standard_error, (s2 * (1.0 / 2.0 + 1.0 / 3.0)).sqrt());
    close(fit.log_scatter(), s2.sqrt());
    // t quantile 0.975 with 3 df, any table: 3.182446.
    let interval = fit.factor("b").unwrap();
    close((interval.upper() / interval.lower()).ln() / 2.0 / (s2 * 5.0 / 6.0).sqrt(), 3.182_446_305_284_263);
}

/// Near separation and a surface that one material decides: answered, and said.
#[test]
fn fragile_estimates_are_named() {
    let trials = [
        Trial::perforated("1", "a", "m", 1.0),
        Trial::perforated("2", "a", "m", 1.3),
        Trial::perforated("3", "a", "n", 2.0),
        Trial::perforated("4", "a", "n", 2.4),
        Trial::perforated("5", "b", "m", 0.5),
        Trial::perforated("6", "b", "m", 0.6),
        Trial::perforated("7", "b", "m", 0.55),
        Trial::perforated("8", "b", "m", 0.57),
        Trial::perforated("9", "b", "n", 1.0),
        Trial::perforated("x1", "a", "tough", 19.0),
        Trial::run_out("x2", "a", "tough", 20.0),
        Trial::run_out("x3", "b", "tough", 15.0),
    ];
    let fit = Severity::new("a").independent().fit(&build(trials)).unwrap();
    let notes: Vec<String> = fit.notes().iter().map(ToString::to_string).collect();
    assert!(notes.iter().any(|n| n.starts_with("tough: of 3 trials only x1 was worn through")), "{notes:?}");
    // 4 of 6 trials of b are of m: below the share that is worth a note.
    assert!(!notes.iter().any(|n| n.starts_with("b:")), "{notes:?}");
    let without = build(trials_of(&fit_trials(), |t| t.material != "n" || t.surface != "b"));
    let fit = Severity::new("a").independent().fit(&without).unwrap();
    let notes: Vec<String> = fit.notes().iter().map(ToString::to_string).collect();
    assert!(notes.iter().any(|n| n.starts_with("b: m gives 100 % of its trials")), "{notes:?}");
}

fn fit_trials() -> Vec<Trial> {
    vec![
        Trial::perforated("1", "a", "m", 1.0),
        Trial::perforated("2", "a", "m", 1.3),
        Trial::perforated("3", "a", "n", 2.0),
        Trial::perforated("5", "b", "m", 0.5),
        Trial::perforated("6", "b", "m", 0.6),
        Trial::perforated("9", "b", "n", 1.0),
    ]
}

fn trials_of(trials: &[Trial], keep: impl Fn(&Trial) -> bool) -> Vec<Trial> {
    trials.iter().filter(|t| keep(t)).cloned().collect()
}
