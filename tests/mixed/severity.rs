//! The severity scale with random effects: published tables, consequences that must show, recovery
//! of simulated truth, refusals.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use surface_severity::campaign::{Campaign, CampaignBuilder, Outcome, SurfaceRole, Trial};
use surface_severity::severity::mixed::{CensoredMixedFit, LinearMixedFit};
use surface_severity::severity::{
    Criterion, Distribution, Grouping, Integration, Note, Severity, SeverityFit, Verdict,
};
use surface_severity::{Bound, BoundSide, ErrorKind, Estimate, IntervalMethod};

use crate::{Table, assert_digits};

fn build(trials: Vec<Trial>) -> Campaign {
    trials.into_iter().collect::<CampaignBuilder>().build().unwrap()
}

/// Box & Cox's poisons (1964) as a campaign: treatments are materials, poisons surfaces.
fn poisons() -> Campaign {
    let table = Table::read("boot_poisons.csv");
    let (time, poison, treat) = (table.numbers("time"), table.text("poison"), table.text("treat"));
    build(
        (0..time.len())
            .map(|i| Trial::perforated(format!("{i:02}"), &poison[i], &treat[i], time[i]).day(format!("d{}", i % 4)))
            .collect(),
    )
}

/// The two-way layout with random cells has a closed form in the mean squares of R `aov`.
#[test]
fn poisons_cells_random() {
    let fit = Severity::new("1").random(Grouping::MaterialBySurface).fit(&poisons()).unwrap();
    assert_eq!((fit.criterion(), fit.integration(), fit.trials()), (Criterion::Reml, Integration::Exact, 48));
    let components = fit.variance_components();
    let (ms_cell, ms_rest) = (0.395_746_675_490 / 6.0, 1.946_515_799_031 / 36.0);
    assert_digits(components[0].variance, (ms_cell - ms_rest) / 4.0, 10.0);
    assert_digits(components[1].variance, ms_rest, 11.5);
    assert_eq!((components[0].levels, fit.convergence().verdict.clone()), (12, Verdict::Converged));
    // Contrasts as in ordinary least squares, standard errors from the interaction.
    for (surface, want) in [("2", 0.186_663_017_550), ("3", 0.775_153_147_470)] {
        let c = fit.log_factor_between(surface, "1").unwrap();
        assert_digits(c.estimate, want, 11.0);
        assert_digits(c.standard_error, (2.0f64 * ms_cell / 16.0).sqrt(), 11.0);
        assert_digits(c.degrees_of_freedom.unwrap(), 6.0, 9.0);
        // R qt(0.975, 6) = 2.446911851145.
        let interval = fit.factor(surface).unwrap();
        assert_eq!(interval.method(), IntervalMethod::StudentT);
        assert_digits((interval.upper() / interval.estimate()).ln(), 2.446_911_851_145 * c.standard_error, 9.0);
    }
    // R lme4: standard error of a treatment level, here on poison 1.
    assert_digits(fit.materials()[0].log_standard_error.unwrap(), 0.090_800_454, 5.5);
    // Restricted likelihood: time scale and the sign of the surface columns leave it as in R.
    let sum: f64 = Table::read("boot_poisons.csv").numbers("time").iter().map(|t| t.ln()).sum();
    assert_digits(-2.0 * (fit.log_likelihood() + sum), 12.235_380_227_789, 12.0);
    let profile = fit.profile_interval(&Grouping::MaterialBySurface).unwrap();
    assert!(profile.lower() == 0.0 && profile.upper() > 0.1);
    assert!(fit.scatter_interval().unwrap().contains(0.0541f64.sqrt()));
    // Shrinkage of a balanced cell by hand: BLUP = departure · 1/(1 + σ²/(4τ²)) of the interaction.
    let (tau2, sigma2) = (components[0].variance, components[1].variance);
    let shrink = tau2 / (tau2 + sigma2 / 4.0);
    for row in fit.material_factors() {
        assert_digits(row.log_departure, shrink * row.raw_log_departure.unwrap(), 9.0);
        assert!(row.log_standard_error > 0.0 && row.trials == 4 && row.materials == 1);
        let common = fit.factor(&row.surface).unwrap().estimate().ln();
        assert_digits(row.factor.value().unwrap().ln(), common + row.log_departure, 10.0);
    }
    // Days made up by row number cut across everything and explain nothing.
    let days = Severity::new("1").random(Grouping::Day).fit(&poisons()).unwrap();
    assert_eq!(days.convergence().verdict, Verdict::Boundary { components: vec!["day".into()] });
    assert!(days.notes().contains(&Note::Singular { grouping: Grouping::Day }));
    assert!(days.notes().iter().any(|n| n.to_string().contains("singular fit")));
    // Singular: the fit without random effects, to the last digit but rounding.
    let plain = Severity::new("1").independent().fit(&poisons()).unwrap();
    let (a, b) = (days.factor("3").unwrap(), plain.factor("3").unwrap());
    assert_digits(a.estimate(), b.estimate(), 12.0);
    assert_digits(a.upper(), b.upper(), 9.0);
}

/// Draws of one simulated campaign.
struct Plan {
    materials: usize,
    surfaces: usize,
    days: usize,
    repeats: usize,
    tau_day: f64,
    tau_cell: f64,
    sigma: f64,
    run_length: f64,
}

const LOG_K: [f64; 4] = [0.0, 0.6, 1.1, -0.4];

fn simulate(plan: &Plan, seed: u64) -> Campaign {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = |sd: f64| -> f64 { sd * rng.sample::<f64, _>(StandardNormal) };
    let days: Vec<f64> = (0..plan.days).map(|_| normal(plan.tau_day)).collect();
    let mut trials = Vec::new();
    for m in 0..plan.materials {
        for s in 0..plan.surfaces {
            let cell = normal(plan.tau_cell);
            for r in 0..plan.repeats {
                let n = trials.len();
                let day = (n * 7 + r) % plan.days;
                let log_t = 1.0 + 0.1 * m as f64 - LOG_K[s] + cell + days[day] + normal(plan.sigma);
                let (id, surface, material) = (format!("{n:04}"), format!("s{s}"), format!("m{m:02}"));
                let t = log_t.exp();
                let trial = if t > plan.run_length {
                    Trial::run_out(id, surface, material, plan.run_length)
                } else {
                    Trial::perforated(id, surface, material, t)
                };
                trials.push(trial.day(format!("d{day:02}")).material_class(if m % 2 == 0 { "even" } else { "odd" }));
            }
        }
    }
    build(trials)
}

fn mean(v: &[f64]) -> f64 {
    v.iter().sum::<f64>() / v.len() as f64
}

/// REML variances are unbiased in this layout and Satterthwaite intervals cover: 300 seeded campaigns,
/// each comparison within four Monte Carlo standard errors.
#[test]
fn recovers_simulated_truth() {
    let plan = Plan {
        materials: 6,
        surfaces: 3,
        days: 8,
        repeats: 3,
        tau_day: 0.2,
        tau_cell: 0.15,
        sigma: 0.18,
        run_length: f64::INFINITY,
    };
    let (mut day, mut cell, mut rest, mut covered, mut ignored, mut profiled) = (vec![], vec![], vec![], 0, 0, 0);
    let runs = 300;
    for seed in 0..runs {
        let campaign = simulate(&plan, seed);
        let fit = Severity::new("s0").random(Grouping::Day).random(Grouping::MaterialBySurface).fit(&campaign).unwrap();
        let v = fit.variance_components();
        day.push(v[0].variance);
        cell.push(v[1].variance);
        rest.push(v[2].variance);
        covered += usize::from(fit.factor("s1").unwrap().contains(LOG_K[1].exp()));
        ignored += usize::from(
            Severity::new("s0").independent().fit(&campaign).unwrap().factor("s1").unwrap().contains(LOG_K[1].exp()),
        );
        if seed < 60 {
            profiled += usize::from(fit.profile_interval(&Grouping::Day).unwrap().contains(0.2));
        }
    }
    for (draws, truth) in [(&day, 0.04), (&cell, 0.0225), (&rest, 0.0324)] {
        let m = mean(draws);
        let sd = (draws.iter().map(|v| (v - m).powi(2)).sum::<f64>() / (draws.len() - 1) as f64).sqrt();
        // Truncation at zero lifts the mean of a variance a little; it is rare here.
        assert!((m - truth).abs() < 4.0 * sd / (draws.len() as f64).sqrt() + 0.02 * truth, "{m} {truth}");
    }
    // 95 % of 300: 285 ± 3.8.
    assert!((270..=298).contains(&covered), "{covered}");
    // Leaving the effects out is not honest: this is what the model is for.
    assert!(ignored + 15 < covered, "{ignored} {covered}");
    assert!(profiled >= 52, "{profiled} of 60");
}

/// Under run-outs: marginal likelihood recovers the truth, ignoring nothing.
#[test]
fn recovers_truth_under_run_outs() {
    let plan = Plan {
        materials: 5,
        surfaces: 3,
        days: 12,
        repeats: 6,
        tau_day: 0.25,
        tau_cell: 0.0,
        sigma: 0.2,
        run_length: 3.4,
    };
    let (mut day, mut factor, mut covered) = (vec![], vec![], 0);
    let runs = 60;
    for seed in 1000..1000 + runs {
        let campaign = simulate(&plan, seed);
        let run_outs = campaign.trials().iter().filter(|t| t.outcome == Outcome::RunOut).count();
        assert!(run_outs > 5);
        let fit = Severity::new("s0").random(Grouping::Day).fit(&campaign).unwrap();
        assert_eq!(fit.integration(), Integration::AdaptiveGaussHermite { nodes: 15 });
        day.push(fit.variance_components()[0].standard_deviation);
        let k = fit.factor("s1").unwrap();
        assert_eq!((k.method(), fit.criterion()), (IntervalMethod::StudentT, Criterion::Reml));
        factor.push(k.estimate().ln());
        covered += usize::from(k.contains(LOG_K[1].exp()));
        if seed == 1000 {
            let full = Severity::new("s0").random(Grouping::Day).criterion(Criterion::Ml).fit(&campaign).unwrap();
            let narrow = full.factor("s1").unwrap();
            assert_eq!((narrow.method(), full.criterion()), (IntervalMethod::Normal, Criterion::Ml));
            assert!(full.variance_components()[0].variance < fit.variance_components()[0].variance);
            assert!(narrow.upper() / narrow.lower() < k.upper() / k.lower());
            let interval = fit.profile_interval(&Grouping::Day).unwrap();
            assert!(interval.lower() > 0.0 && interval.contains(0.25), "{interval}");
            assert!(fit.scatter_interval().unwrap().contains(0.2));
            let both =
                Severity::new("s0").random(Grouping::Day).random(Grouping::MaterialBySurface).fit(&campaign).unwrap();
            assert_eq!(both.integration(), Integration::Laplace);
            assert!(
                both.log_likelihood() > fit.log_likelihood() - 0.05,
                "but for the approximation a larger model cannot fit worse"
            );
            for d in fit.predictions(&Grouping::Day).unwrap() {
                assert!(d.standard_error > 0.0 && d.standard_error < 0.25 && d.value.abs() < 1.0);
            }
        }
    }
    // The square root of an unbiased variance from 12 days is low by about 1/44.
    assert!((mean(&day) - 0.25 * (1.0 - 1.0 / 44.0)).abs() < 0.025, "{}", mean(&day));
    assert!((mean(&factor) - LOG_K[1]).abs() < 0.02, "{}", mean(&factor));
    assert!(covered >= 51, "{covered} of 60");
}

/// One surface tried on a single day: its factor carries the day, and its interval says so.
#[test]
fn a_day_confounded_with_a_surface_shows() {
    let mut trials = Vec::new();
    for i in 0..60usize {
        let (m, day) = (i % 3, (i / 3) % 5);
        // s0 and s1 on days 0 to 3, s2 on day 4 only; every other surface has several days.
        let surface = if day == 4 { 2 } else { (i / 15) % 2 };
        let log_t = 1.0 + 0.2 * m as f64 - LOG_K[surface]
            + 0.25 * ((day * day) as f64 * 1.3).sin()
            + 0.1 * ((i * i) as f64 * 0.7).sin();
        trials.push(
            Trial::perforated(format!("{i:02}"), format!("s{surface}"), format!("m{m}"), log_t.exp())
                .day(format!("d{day}")),
        );
    }
    let campaign = build(trials);
    let fit = Severity::new("s0").random(Grouping::Day).fit(&campaign).unwrap();
    let se = |s: &str| fit.log_factor_between(s, "s0").unwrap().standard_error;
    let tau = fit.variance_components()[0].standard_deviation;
    assert!(tau > 0.1, "{tau}");
    assert!(se("s2") > tau && se("s2") > 4.0 * se("s1"), "{} {} {tau}", se("s2"), se("s1"));
    let df = |s: &str| fit.log_factor_between(s, "s0").unwrap().degrees_of_freedom.unwrap();
    assert!(df("s2") < 5.0 && df("s1") > 20.0, "{} {}", df("s2"), df("s1"));
    assert!(fit.notes().contains(&Note::Confounded { surface: "s2".into(), grouping: Grouping::Day }));
    assert!(!fit.notes().contains(&Note::Confounded { surface: "s1".into(), grouping: Grouping::Day }));
    // Every surface on its own day: nothing can tell the two apart.
    let each: Vec<Trial> = campaign.trials().iter().map(|t| t.clone().day(t.surface.clone())).collect();
    let error = Severity::new("s0").random(Grouping::Day).fit(&build(each)).unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::NotEstimable { .. }), "{error}");
}

/// A single badly replicated cell must not shout.
#[test]
fn a_lonely_extreme_cell_is_shrunk() {
    let plan = Plan {
        materials: 8,
        surfaces: 3,
        days: 4,
        repeats: 5,
        tau_day: 0.0,
        tau_cell: 0.1,
        sigma: 0.2,
        run_length: f64::INFINITY,
    };
    let base = simulate(&plan, 7);
    // Material m03 on s2: one trial only, wearing three times too fast.
    let mut trials: Vec<Trial> =
        base.trials().iter().filter(|t| !(t.material == "m03" && t.surface == "s2")).cloned().collect();
    let medians: Vec<f64> = base
        .trials()
        .iter()
        .filter(|t| t.material == "m03" && t.surface == "s2")
        .map(|t| t.abrasion_time_s.unwrap())
        .collect();
    trials.push(Trial::perforated("lonely", "s2", "m03", medians[0] / 3.0).material_class("odd").day("d00"));
    let campaign = build(trials);
    let fit = Severity::new("s0").random(Grouping::MaterialBySurface).fit(&campaign).unwrap();
    let rows = fit.material_factors();
    let lonely = rows.iter().find(|r| r.name == "m03" && r.surface == "s2").unwrap();
    let raw = lonely.raw_log_departure.unwrap();
    assert_eq!(lonely.trials, 1);
    assert!(raw > 0.6, "{raw}");
    assert!(lonely.log_departure > 0.0 && lonely.log_departure < 0.55 * raw, "{} {raw}", lonely.log_departure);
    // Its neighbour with five trials keeps more of its departure and is surer of it.
    let full = rows.iter().find(|r| r.name == "m03" && r.surface == "s1").unwrap();
    assert!(full.log_standard_error < lonely.log_standard_error);
    // Its class hardly hears it.
    let classes = fit.class_factors();
    assert_eq!(classes.len(), 4);
    let odd = classes.iter().find(|r| r.name == "odd" && r.surface == "s2").unwrap();
    assert_eq!((odd.trials, odd.materials), (16, 4));
    assert!(odd.log_departure < 0.3 * raw && odd.log_departure.abs() < odd.raw_log_departure.unwrap().abs());
    assert!(odd.factor.interval().unwrap().lower() > 0.0);
    // With a class effect as well: estimable, and the class factor stays between raw and common.
    let both = Severity::new("s0")
        .random(Grouping::MaterialBySurface)
        .random(Grouping::ClassBySurface)
        .fit(&campaign)
        .unwrap();
    let odd = both.class_factors().into_iter().find(|r| r.name == "odd" && r.surface == "s2").unwrap();
    assert!(odd.log_departure.abs() <= odd.raw_log_departure.unwrap().abs() + 1e-9);
    // A plan without such effects has nothing to shrink.
    let days = Severity::new("s0").random(Grouping::Day).fit(&campaign).unwrap();
    assert!(days.class_factors().is_empty());
}

/// Change of reference, unit of time, order and names of rows.
#[test]
fn invariances() {
    let plan = Plan {
        materials: 4,
        surfaces: 3,
        days: 5,
        repeats: 4,
        tau_day: 0.3,
        tau_cell: 0.1,
        sigma: 0.2,
        run_length: f64::INFINITY,
    };
    for run_length in [f64::INFINITY, 4.0] {
        let campaign = simulate(&Plan { run_length, ..plan }, 11);
        let fit_on = |c: &Campaign, reference: &str| {
            Severity::new(reference).random(Grouping::Day).random(Grouping::MaterialBySurface).fit(c).unwrap()
        };
        let fit = fit_on(&campaign, "s0");
        let digits = if run_length.is_infinite() { 9.0 } else { 6.0 };
        let other = fit_on(&campaign, "s2");
        let (a, b) = (fit.factor_between("s1", "s2").unwrap(), other.factor("s1").unwrap());
        assert_digits(a.estimate(), b.estimate(), digits);
        assert_digits(a.upper(), b.upper(), digits.min(5.0));
        let minutes: Vec<Trial> = campaign
            .trials()
            .iter()
            .map(|t| {
                let mut t = t.clone();
                t.abrasion_time_s = t.abrasion_time_s.map(|s| s / 60.0);
                t
            })
            .collect();
        let minutes = fit_on(&build(minutes), "s0");
        assert_digits(minutes.factor("s1").unwrap().upper(), fit.factor("s1").unwrap().upper(), digits.min(5.0));
        let ratio = fit.median("m01", "s1").unwrap().estimate() / minutes.median("m01", "s1").unwrap().estimate();
        assert_digits(ratio, 60.0, digits);
        // The order of the rows changes no bit.
        let mut reversed = campaign.trials().to_vec();
        reversed.reverse();
        let reversed = fit_on(&build(reversed), "s0");
        assert_eq!(fit.factors(), reversed.factors());
        assert_eq!(fit.variance_components(), reversed.variance_components());
        assert_eq!(fit.predictions(&Grouping::Day).unwrap(), reversed.predictions(&Grouping::Day).unwrap());
    }
}

/// Unlimited estimates stay bounds, looser than without the shared effect.
#[test]
fn censored_campaigns_keep_their_bounds() {
    let plan = Plan {
        materials: 4,
        surfaces: 3,
        days: 6,
        repeats: 6,
        tau_day: 0.3,
        tau_cell: 0.0,
        sigma: 0.2,
        run_length: 5.0,
    };
    let mut trials = simulate(&plan, 5).trials().to_vec();
    for i in 0..4 {
        trials.push(Trial::run_out(format!("x{i}"), "s1", "tough", 9.0).day("d01"));
        trials.push(Trial::opened_at_contact(format!("y{i}"), "rasp", format!("m0{i}"), 0.05).day("d02"));
    }
    let campaign = build(trials);
    for distribution in [Distribution::LogNormal, Distribution::Weibull, Distribution::LogLogistic] {
        let mixed = Severity::new("s0").distribution(distribution).random(Grouping::Day).fit(&campaign).unwrap();
        let plain = Severity::new("s0").independent().distribution(distribution).fit(&campaign).unwrap();
        let bound = |e: &Estimate| -> Bound {
            let Estimate::Bound(bound) = e else { panic!("{e:?}") };
            bound.clone()
        };
        let of = |rows: &[surface_severity::severity::MaterialDurability]| {
            bound(&rows.iter().find(|m| m.material == "tough").unwrap().durability_s)
        };
        let (a, b) = (of(mixed.materials()), of(plain.materials()));
        assert_eq!((a.side(), b.side()), (BoundSide::AtLeast, BoundSide::AtLeast));
        assert!(a.value() < b.value() && a.value() > 1.0, "{distribution}: {} {}", a.value(), b.value());
        let of = |rows: &[surface_severity::severity::SurfaceFactor]| {
            bound(&rows.iter().find(|s| s.surface == "rasp").unwrap().factor)
        };
        let (a, b) = (of(mixed.factors()), of(plain.factors()));
        assert_eq!((a.side(), b.side()), (BoundSide::AtLeast, BoundSide::AtLeast));
        assert!(a.value() < b.value() && a.value() > 2.0, "{distribution}: {} {}", a.value(), b.value());
        assert!(matches!(mixed.factor("rasp").unwrap_err().kind(), ErrorKind::NotEstimable { .. }));
        assert!(mixed.notes().iter().any(|n| matches!(n, _)));
        // Times are medians whatever the distribution: near the truth of the simulation.
        assert!((mixed.factor("s1").unwrap().estimate().ln() - LOG_K[1]).abs() < 0.2);
    }
}

/// Labels that are missing are listed; what does not fit together is refused.
#[test]
fn refusals() {
    let trial = |i: usize| {
        Trial::perforated(
            format!("t{i}"),
            format!("s{}", i % 2),
            format!("m{}", (i / 2) % 3),
            1.0 + 0.1 * ((i * i) % 7) as f64,
        )
    };
    let labelled = |i: usize| trial(i).day(format!("d{}", i % 5));
    let mut trials: Vec<Trial> = (0..24).map(labelled).collect();
    // A trial without a day is a day of its own, and listed.
    trials[9].day = None;
    let fit = Severity::new("s0").random(Grouping::Day).fit(&build(trials.clone())).unwrap();
    assert!(fit.notes().contains(&Note::Unlabelled { grouping: Grouping::Day, trials: 1, first: "t9".into() }));
    let days = fit.predictions(&Grouping::Day).unwrap();
    assert!(days.len() == 6 && days.iter().any(|d| d.level == "trial t9" && d.trials == 1));
    // Without classes every material is a class of its own: its departures are those of the cells.
    let plan = Severity::new("s0").random(Grouping::MaterialBySurface).random(Grouping::ClassBySurface);
    let error = plan.fit(&build(trials.clone())).unwrap_err();
    assert!(error.to_string().contains("exactly as material_by_surface"), "{error}");
    let unlabelled: Vec<Trial> = (0..24).map(trial).collect();
    let error = Severity::new("s0").random(Grouping::Day).fit(&build(unlabelled)).unwrap_err();
    assert!(error.to_string().contains("no trial names its day"), "{error}");
    trials[9].day = Some("d4".into());
    let campaign = build(trials.clone());
    let option = |plan: Severity| {
        let error = plan.fit(&campaign).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::InvalidOption { .. }), "{error}");
    };
    option(Severity::new("s0").random(Grouping::Day).level(95.0));
    option(Severity::new("s0").random(Grouping::Day).random(Grouping::Day));
    assert!(matches!(
        Severity::new("s7").random(Grouping::Day).fit(&campaign).unwrap_err().kind(),
        ErrorKind::UnknownSurface { .. }
    ));
    let fit = Severity::new("s0").random(Grouping::Day).criterion(Criterion::Ml).fit(&campaign).unwrap();
    assert_eq!(fit.criterion(), Criterion::Ml);
    assert!(fit.predictions(&Grouping::Run).is_err() && fit.profile_interval(&Grouping::Belt).is_err());
    assert!(matches!(fit.median("m9", "s0").unwrap_err().kind(), ErrorKind::UnknownMaterial { .. }));
    // One trial per cell: cells cannot be told from scatter.
    let single: Vec<Trial> = (0..6).map(labelled).collect();
    let error = Severity::new("s0").random(Grouping::MaterialBySurface).fit(&build(single)).unwrap_err();
    assert!(error.to_string().contains("level of its own"), "{error}");
    // A plan is plain data.
    let plan = Severity::new("s0").random(Grouping::Day).random(Grouping::MaterialBySurface).level(0.9);
    let text = serde_json::to_string(&plan).unwrap();
    assert_eq!(serde_json::from_str::<Severity>(&text).unwrap(), plan);
    assert!(serde_json::from_str::<Severity>(&text.replace("level", "levle")).is_err());
}

/// A belt acts on the laboratory surface only; runs of one name on two days are two runs.
#[test]
fn belts_and_runs() {
    let mut trials = Vec::new();
    for i in 0..48usize {
        let (m, road, belt) = (i % 3, i % 2 == 0, (i / 12) % 4);
        let effect = if road { 0.0 } else { [0.25, -0.2, 0.1, -0.15][belt] };
        let log_t = 1.0 + 0.3 * m as f64 + effect + 0.05 * ((i * i) as f64 * 0.9).sin();
        let surface = if road { "road" } else { "lab" };
        let mut t = Trial::perforated(format!("{i:02}"), surface, format!("m{m}"), log_t.exp())
            .day(format!("d{}", i / 16))
            .run(format!("r{}", (i / 8) % 2))
            .surface_role(if road { SurfaceRole::Road } else { SurfaceRole::Laboratory });
        if !road {
            t = t.belt(format!("b{belt}"));
        }
        trials.push(t);
    }
    let fit = Severity::new("road").random(Grouping::Belt).fit(&build(trials.clone())).unwrap();
    let belts = fit.predictions(&Grouping::Belt).unwrap();
    assert_eq!(belts.iter().map(|b| b.trials).collect::<Vec<_>>(), [6, 6, 6, 6]);
    for (belt, want) in belts.iter().zip([0.25, -0.2, 0.1, -0.15]) {
        assert!((belt.value - want).abs() < 0.06, "{belt:?}");
    }
    // The interval of the belt's factor knows that only four belts were seen.
    let c = fit.log_factor_between("lab", "road").unwrap();
    assert!(c.standard_error > 0.08 && c.degrees_of_freedom.unwrap() < 5.0, "{c:?}");
    let runs = Severity::new("road").random(Grouping::Run).fit(&build(trials.clone())).unwrap();
    let names: Vec<String> = runs.predictions(&Grouping::Run).unwrap().into_iter().map(|r| r.level).collect();
    assert_eq!(names, ["d0 / r0", "d0 / r1", "d1 / r0", "d1 / r1", "d2 / r0", "d2 / r1"]);
    // A trial on the belt's surface that names none is one of its own; one on the road still has none.
    trials[5].belt = None;
    let fit = Severity::new("road").random(Grouping::Belt).fit(&build(trials)).unwrap();
    let belts = fit.predictions(&Grouping::Belt).unwrap();
    let found: Vec<_> = belts.iter().map(|b| (b.level.as_str(), b.trials)).collect();
    assert_eq!(found, [("b0", 5), ("b1", 6), ("b2", 6), ("b3", 6), ("trial 05", 1)]);
    assert!(fit.notes().contains(&Note::Unlabelled { grouping: Grouping::Belt, trials: 1, first: "05".into() }));
}

/// The invented demo campaign: run-outs, contact openings, belts on the laboratory surface only.
fn demo() -> Campaign {
    Campaign::read_path(std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo/trials.csv")).unwrap()
}

/// Results can be shared between threads and compared.
#[test]
fn results_travel() {
    fn travels<T: Send + Sync + Clone + std::fmt::Debug>() {}
    travels::<SeverityFit>();
    travels::<LinearMixedFit>();
    travels::<CensoredMixedFit>();
}

/// Everything at once on the demo campaign, its gross errors and wrong speeds left out: every number
/// finite, the truth of `data-demo/truth.json` within reach.
#[test]
fn the_demo_campaign() {
    let truth: serde_json::Value = serde_json::from_str(include_str!("../../data-demo/truth.json")).unwrap();
    let named = |list: &str| -> Vec<String> {
        truth[list].as_array().unwrap().iter().map(|e| e["trial_id"].as_str().unwrap().to_owned()).collect()
    };
    let bad = [named("gross_errors"), named("off_nominal_speeds")].concat();
    let campaign = build(demo().trials().iter().filter(|t| !bad.contains(&t.trial_id)).cloned().collect());
    let fit = Severity::new(truth["reference"].as_str().unwrap())
        .random(Grouping::Day)
        .random(Grouping::Belt)
        .random(Grouping::MaterialBySurface)
        .random(Grouping::ClassBySurface)
        .fit(&campaign)
        .unwrap();
    assert_eq!(fit.integration(), Integration::Laplace);
    assert!(fit.convergence().decrement < 1e-6);
    let departing = truth["class_departures"][0]["surface"].as_str().unwrap();
    for row in truth["surfaces"].as_array().unwrap() {
        let (surface, k) = (row["surface"].as_str().unwrap(), row["factor"].as_f64().unwrap());
        if surface != fit.reference() && surface != departing {
            let c = fit.log_factor_between(surface, fit.reference()).unwrap();
            assert!((c.estimate - k.ln()).abs() < 3.0 * c.standard_error, "{surface}: {c:?} {k}");
            assert!(c.standard_error > 0.03 && c.standard_error < 0.1, "{surface}: {c:?}");
        }
    }
    for (grouping, sd) in [
        (Grouping::Day, "day_log_sd"),
        (Grouping::Belt, "belt_log_sd"),
        (Grouping::MaterialBySurface, "between_material_log_sd"),
    ] {
        let interval = fit.profile_interval(&grouping).unwrap();
        assert!(interval.contains(truth[sd].as_f64().unwrap()), "{grouping}: {interval}");
        for p in fit.predictions(&grouping).unwrap() {
            assert!(p.value.is_finite() && p.standard_error.is_finite(), "{p:?}");
        }
    }
    assert!(fit.scatter_interval().unwrap().contains(truth["log_scatter"].as_f64().unwrap()));
    for row in fit.class_factors().iter().chain(&fit.material_factors()) {
        assert!(row.factor.interval().is_some() && row.log_standard_error.is_finite(), "{row:?}");
    }
    // On its surface, the class that departs stands out, shrunk though it is.
    let classes = fit.class_factors();
    let there = classes.iter().filter(|r| r.surface == departing);
    let most = there.max_by(|a, b| a.log_departure.total_cmp(&b.log_departure)).unwrap();
    assert_eq!(most.name, truth["class_departures"][0]["material_class"].as_str().unwrap());
    assert!(most.log_departure > 0.0);
}

/// Small random campaigns of every kind, many of them hopeless: an error of a known kind or numbers, never NaN.
#[test]
fn no_campaign_gives_a_number_that_is_none() {
    let (mut fits, mut refusals, mut stuck) = (0, 0, 0);
    for seed in 0..150u64 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let n = rng.random_range(3..40usize);
        let kinds = rng.random_range(1..5usize);
        let trials = (0..n)
            .map(|i| {
                let (m, s, d) = (rng.random_range(0..4u8), rng.random_range(0..3u8), rng.random_range(0..4u8));
                // Some tables take few distinct values, some spread over the nine decades that a table may hold.
                let t: f64 = match seed % 3 {
                    0 => [1.0, 1.0, 2.0][rng.random_range(0..3usize)],
                    1 => rng.random_range(0.5..2.0),
                    _ => 10f64.powf(rng.random_range(-4.0..5.0)),
                };
                let (id, s, m) = (format!("{i:02}"), format!("s{s}"), format!("m{m}"));
                let trial = match rng.random_range(0..kinds) {
                    0 | 3 => Trial::perforated(id, s, m, t),
                    1 => Trial::run_out(id, s, m, t),
                    _ => Trial::opened_at_contact(id, s, m, t),
                };
                trial.day(format!("d{d}"))
            })
            .collect();
        let campaign = build(trials);
        let mut plan = Severity::new("s0").random(Grouping::Day);
        if seed % 2 == 0 {
            plan = plan.random(Grouping::MaterialBySurface);
        }
        if seed % 5 == 0 {
            plan = plan.distribution(Distribution::Weibull);
        }
        let fit = match plan.fit(&campaign) {
            Err(error) => {
                let known = matches!(
                    error.kind(),
                    ErrorKind::Disconnected { .. }
                        | ErrorKind::UnknownSurface { .. }
                        | ErrorKind::NotEstimable { .. }
                        | ErrorKind::ScatterNotEstimable { .. }
                        | ErrorKind::NotConverged { .. }
                );
                assert!(known, "seed {seed}: {error}");
                if matches!(error.kind(), ErrorKind::NotConverged { .. }) {
                    println!("seed {seed}: {error}");
                    stuck += 1;
                }
                refusals += 1;
                continue;
            }
            Ok(fit) => fit,
        };
        fits += 1;
        let mut numbers = vec![fit.log_likelihood(), fit.log_scatter(), fit.convergence().decrement];
        for c in fit.variance_components() {
            numbers.extend([c.variance, c.standard_deviation]);
        }
        for p in fit.predictions(&Grouping::Day).unwrap() {
            numbers.extend([p.value, p.standard_error]);
        }
        for f in fit.factors() {
            numbers.extend(f.log_factor.into_iter().chain(f.log_standard_error).chain(f.factor.value()));
        }
        for m in fit.materials() {
            numbers.extend(m.log_durability.into_iter().chain(m.log_standard_error).chain(m.durability_s.value()));
        }
        for r in fit.material_factors() {
            numbers.extend([r.log_departure, r.log_standard_error]);
        }
        if let Ok(interval) = fit.profile_interval(&Grouping::Day) {
            numbers.extend([interval.lower(), interval.upper()]);
        }
        assert!(numbers.iter().all(|v| v.is_finite()), "seed {seed}: {numbers:?}");
    }
    assert!(fits > 50 && refusals > 10 && stuck < 4, "{fits} {refusals} {stuck}");
}

/// Durabilities carry what days share. Every cell once on each of D days, m materials, s surfaces: the variance of a fitted
/// cell is σ_d²/D + σ² (1/m + 1/s − 1/(m s))/D (Searle, Casella & McCulloch 1992, balanced two-way layout).
#[test]
fn durabilities_carry_the_days() {
    let (materials, surfaces, days) = (4_usize, 3_usize, 6_usize);
    let mut trials = Vec::new();
    for d in 0..days {
        for m in 0..materials {
            for s in 0..surfaces {
                let of_day = [0.2, -0.1, 0.15, -0.25, 0.05, -0.05][d];
                let wobble = (((d * 7 + m * 5 + s * 3) % 11) as f64 - 5.0) / 40.0;
                let log = 1.0 + 0.4 * m as f64 - 0.5 * s as f64 + of_day + wobble;
                let trial = Trial::perforated(format!("{d}{m}{s}"), format!("s{s}"), format!("m{m}"), log.exp());
                trials.push(trial.day(format!("day {d}")));
            }
        }
    }
    let campaign = Campaign::from_trials(trials).unwrap();
    let fit = Severity::new("s0").random(Grouping::Day).fit(&campaign).unwrap();
    let day = fit.variance_components().iter().find(|c| c.name == "day").unwrap().standard_deviation;
    let (m, s, d) = (materials as f64, surfaces as f64, days as f64);
    let want = (day * day + fit.log_scatter().powi(2) * (1.0 / m + 1.0 / s - 1.0 / (m * s))) / d;
    let independent = Severity::new("s0").independent().fit(&campaign).unwrap();
    for (row, alone) in fit.materials().iter().zip(independent.materials()) {
        let se = row.log_standard_error.unwrap();
        assert!((se / want.sqrt() - 1.0).abs() < 1e-6, "{}: {se} {}", row.material, want.sqrt());
        let width = |e: &surface_severity::Estimate| e.interval().map(|i| (i.upper() / i.lower()).ln()).unwrap();
        assert!(width(&row.durability_s) > width(&alone.durability_s), "days that differ make the limits wider");
    }
}
