//! Expected standard errors and power against campaigns drawn from the plan and fitted.

use surface_severity::campaign::Campaign;
use surface_severity::planning::{Plan, PlannedSurface, Simulation};
use surface_severity::severity::{Distribution, Grouping, Severity};

use crate::{balanced, close, with_surfaces};

/// Three distributions, a quarter run out: the standard deviation of log k̂ and the standard errors of the fits agree with the
/// expected one, and the intervals cover.
#[test]
fn fits_are_as_precise_as_expected_under_censoring() {
    for (i, distribution) in
        [Distribution::LogNormal, Distribution::Weibull, Distribution::LogLogistic].into_iter().enumerate()
    {
        let plan = with_surfaces(&balanced(6, 3, 6).distribution(distribution), |s| s.run_length_s(6.0));
        let expected = plan.precision().unwrap();
        let simulated = Simulation::new(700).seed(40 + i as u64).run(&plan).unwrap();
        assert!(simulated.failures().is_empty(), "{:?}", simulated.failures());
        close(simulated.run_outs(), expected.expected_run_outs(), 0.03);
        assert!((0.1..0.5).contains(&(expected.expected_run_outs() / 108.0)));
        for row in simulated.factors() {
            let want = expected.factor(row.surface()).unwrap();
            // 700 standard deviations: relative standard error 2.7 %.
            close(row.log_standard_deviation(), want.log_standard_error(), 0.09);
            close(row.log_standard_error(), want.log_standard_error(), 0.04);
            close(row.width_ratio().ln(), want.width_ratio().ln(), 0.04);
            assert!((row.coverage() - 0.95).abs() < 0.03, "{distribution}: {}", row.coverage());
            assert!(row.log_bias().abs() < 4.0 * want.log_standard_error() / 700_f64.sqrt());
        }
    }
}

/// The correction, with departures of the materials.
#[test]
fn the_correction_is_as_precise_as_expected() {
    let plan = balanced(8, 2, 5)
        .surface(PlannedSurface::new("surface 1", 1.0).run_length_s(30.0))
        .laboratory("surface 1")
        .departure_log_scatter(0.08);
    let expected = plan.precision().unwrap();
    let want = expected.correction("surface 0").unwrap();
    let simulated = Simulation::new(1000).seed(3).run(&plan).unwrap();
    let row = &simulated.equivalence()[0];
    close(row.log_standard_deviation(), want.log_standard_error(), 0.08);
    close(row.log_standard_error(), want.log_standard_error(), 0.04);
    assert!((row.coverage() - 0.95).abs() < 0.025, "{}", row.coverage());
    // Power for further materials, by formula, within four Monte Carlo errors and what REML at the boundary costs.
    let power = &plan.equivalence_power((0.8, 1.25), 0.05).unwrap()[0];
    let error = row.monte_carlo_error();
    let gap = (power.further_materials() - row.further_materials()).abs();
    assert!(gap < 4.0 * error + 0.01, "{} {}", power.further_materials(), row.further_materials());
}

/// Power for the materials tested: exact where nothing is censored.
#[test]
fn power_agrees_with_simulation() {
    for (factor, specimens) in [(1.0, 4), (1.08, 6), (1.25, 4)] {
        let plan = balanced(4, 2, specimens).surface(PlannedSurface::new("surface 1", factor)).laboratory("surface 1");
        let power = plan.equivalence_power((0.8, 1.25), 0.05).unwrap()[0].tested_materials();
        let simulated = Simulation::new(2000).seed(9).run(&plan).unwrap();
        let row = &simulated.equivalence()[0];
        let error = (power * (1.0 - power) / 2000.0).sqrt();
        assert!((row.tested_materials() - power).abs() < 4.0 * error, "{factor}: {} {power}", row.tested_materials());
    }
}

/// Days: the mixed fit of the plan's campaigns has, on average, the standard error of generalised least squares.
#[test]
fn mixed_fits_are_as_precise_as_expected() {
    let plan = with_surfaces(&balanced(5, 3, 4), |s| s.days(4)).day_log_scatter(0.15);
    let want = plan.precision().unwrap().factor("surface 2").unwrap().clone();
    let (mut squares, mut estimates) = (0.0, Vec::new());
    let n = 150;
    for r in 0..n {
        let campaign = plan.simulate(5, r).unwrap();
        let fit = Severity::new("surface 0").random(Grouping::Day).fit(&campaign).unwrap();
        let contrast = fit.log_factor_between("surface 2", "surface 0").unwrap();
        squares += contrast.standard_error * contrast.standard_error / 150.0;
        estimates.push(contrast.estimate);
    }
    close(squares.sqrt(), want.log_standard_error(), 0.08);
    let mean = estimates.iter().sum::<f64>() / 150.0;
    let sd = (estimates.iter().map(|e| (e - mean) * (e - mean)).sum::<f64>() / 149.0).sqrt();
    close(sd, want.log_standard_error(), 0.2);
}

#[test]
fn simulations_do_not_depend_on_threads() {
    let plan = with_surfaces(&balanced(3, 3, 3).laboratory("surface 2"), |s| s.run_length_s(6.0));
    let simulation = Simulation::new(300).seed(2);
    let on = |threads: usize| {
        rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap().install(|| simulation.run(&plan)).unwrap()
    };
    let one = on(1);
    assert_eq!(serde_json::to_string(&one).unwrap(), serde_json::to_string(&on(3)).unwrap());
    assert_ne!(one.factors(), Simulation::new(300).seed(3).run(&plan).unwrap().factors());
    let mut seen = Vec::new();
    let stopped = simulation
        .run_with(&plan, &mut |done: usize, total: usize| {
            seen.push((done, total));
            std::ops::ControlFlow::Break(())
        })
        .unwrap();
    assert_eq!((stopped.replicates(), seen), (256, vec![(256, 300)]));
    assert!(Simulation::new(0).run(&plan).is_err());
    assert!(Simulation::new(10).bounds(1.1, 1.2).run(&plan).is_err());
}

/// A plan made of the demo campaign expects about the standard errors that its fit has.
#[test]
fn a_plan_of_an_existing_campaign_expects_what_its_fit_found() {
    let campaign = Campaign::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/trials.csv")).unwrap();
    let fit = Severity::new("dense asphalt concrete").independent().fit(&campaign).unwrap();
    let plan = Plan::from_fit(&fit).existing(&campaign);
    assert_eq!(plan.laboratory_surface(), Some("laboratory belt"));
    let held = campaign.trials().iter().filter(|t| t.outcome.as_str() != "void").count();
    let named: Vec<&str> = plan.materials().iter().map(|m| m.0).collect();
    let lost = campaign
        .trials()
        .iter()
        .filter(|t| t.outcome.as_str() != "void" && !named.contains(&t.material.as_str()))
        .count();
    assert_eq!(plan.trials(), held - lost);
    let precision = plan.precision().unwrap();
    for row in fit.factors() {
        let Some(se) = row.log_standard_error.filter(|se| *se > 0.0) else { continue };
        let want = se * fit.small_sample_factor();
        close(precision.factor(&row.surface).unwrap().log_standard_error(), want, 0.05);
    }
    let mixed = Severity::new("dense asphalt concrete")
        .random(Grouping::Day)
        .random(Grouping::MaterialBySurface)
        .fit(&campaign)
        .unwrap();
    let plan = Plan::from_fit(&mixed).existing(&campaign);
    assert!(plan.log_scatter_of_departures() > 0.0);
    let precision = plan.precision().unwrap();
    for row in mixed.factors() {
        let Some(se) = row.log_standard_error.filter(|se| *se > 0.0) else { continue };
        close(precision.factor(&row.surface).unwrap().log_standard_error(), se, 0.1);
    }
}

/// Belts: the standard deviation of log k̂ of the laboratory is the expected one, for one belt and for four, and whichever
/// surface is the reference.
#[test]
fn belts_are_in_the_expected_precision() {
    for (belts, reference) in [(1, "surface 0"), (4, "surface 0"), (4, "surface 1")] {
        let (first, second) = if reference == "surface 0" { (1.0, 2.5) } else { (0.4, 1.0) };
        let mut plan = Plan::new(reference, 0.15)
            .surface(PlannedSurface::new("surface 0", first))
            .surface(PlannedSurface::new("surface 1", second));
        for m in 0..5 {
            plan = plan.material(format!("material {m}"), 4.0 + f64::from(m));
        }
        let plan = plan.laboratory("surface 1").specimens_per_cell(8).belts(belts, 0.1);
        let want = plan.factor_between("surface 1", "surface 0").unwrap();
        let mut logs = Vec::new();
        for r in 0..500 {
            let campaign = plan.simulate(9, r).unwrap();
            assert_eq!(campaign.trials().iter().filter(|t| t.belt.is_some()).count(), 40);
            let fit = Severity::new(reference).fit(&campaign).unwrap();
            logs.push(fit.log_factor_between("surface 1", "surface 0").unwrap().estimate);
        }
        let mean = logs.iter().sum::<f64>() / 500.0;
        let sd = (logs.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 499.0).sqrt();
        // Relative standard error of a standard deviation of 500: 3.2 %.
        close(sd, want.log_standard_error(), 0.1);
        assert_eq!(belts > 1, want.degrees_of_freedom() < 10.0, "{want:?}");
    }
    // A laboratory surface without specimens: its belts are in the factor of no road.
    let roads = |scatter: f64| {
        let plan = balanced(4, 2, 5).surface(PlannedSurface::new("belt", 2.5)).laboratory("belt").belts(2, scatter);
        plan.factor_between("surface 1", "surface 0").unwrap().log_standard_error()
    };
    assert!((roads(0.2) - roads(0.0)).abs() < 1e-15);
}
