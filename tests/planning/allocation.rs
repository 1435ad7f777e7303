//! How many, and where.

use surface_severity::ErrorKind;
use surface_severity::planning::{Augment, AugmentStep, Criterion, Goal, Plan, PlannedSurface, Resource};

use crate::{balanced, close, with_surfaces};

#[test]
fn the_smallest_number_is_found() {
    let plan = balanced(4, 3, 1).laboratory("surface 2").departure_log_scatter(0.02);
    let plan = with_surfaces(&plan, |s| s.run_length_s(7.0));
    for (goal, resource) in [
        (Goal::factor("surface 1", "surface 0", 1.3), Resource::SpecimensPerCell),
        (Goal::correction("surface 1", 1.4), Resource::SpecimensPerCell),
        (Goal::correction("surface 1", 1.25), Resource::Materials),
    ] {
        let plan = plan.clone().specimens_per_cell(3);
        let found = plan.required(&goal, resource, 200).unwrap();
        let ratio = |p: &Plan| match &goal {
            Goal::Correction { surface, .. } => p.precision().unwrap().correction(surface).unwrap().width_ratio(),
            _ => p.factor_between("surface 1", "surface 0").unwrap().width_ratio(),
        };
        let (Goal::Factor { ratio: wanted, .. } | Goal::Correction { ratio: wanted, .. }) = goal.clone() else {
            unreachable!()
        };
        close(found.achieved(), ratio(found.plan()), 1e-12);
        assert!(found.achieved() <= wanted);
        let less = plan.required(&goal, resource, found.count() - 1).unwrap_err();
        assert!(matches!(less.kind(), ErrorKind::OutOfReach { .. }), "{less}");
        assert_eq!(found.trials(), found.plan().trials());
    }
    // By hand: 2 t √(2σ²/(Mn)) ≤ log 1.3 with M = 4, σ = 0.2, two surfaces, nothing else: n = 6 gives exp(2 · 2.0181 · 0.057735)
    // = 1.2624, n = 5 exp(2 · 2.0301 · 0.063246) = 1.2928, n = 4 exp(2 · 2.0518 · 0.070711) = 1.3367 (R 4.2.2 qt).
    let simple =
        balanced(4, 2, 1).required(&Goal::factor("surface 1", "surface 0", 1.3), Resource::SpecimensPerCell, 50);
    let simple = simple.unwrap();
    assert_eq!((simple.count(), simple.trials()), (5, 40));
    assert!((simple.achieved() - 1.2928).abs() < 5e-4, "{}", simple.achieved());
}

#[test]
fn days_reach_what_specimens_do_not() {
    let plan = with_surfaces(&balanced(4, 2, 6), |s| s.days(2)).day_log_scatter(0.1);
    let goal = Goal::factor("surface 1", "surface 0", 1.6);
    let specimens = plan.required(&goal, Resource::SpecimensPerCell, 500).unwrap_err();
    assert!(specimens.to_string().contains("500 specimens per cell reach"), "{specimens}");
    let days = plan.required(&goal, Resource::DaysPerSurface, 20).unwrap();
    assert!(days.count() > 2 && days.count() <= 20 && days.trials() == plan.trials());
    let power = balanced(4, 2, 2).surface(PlannedSurface::new("surface 1", 1.05)).laboratory("surface 1");
    let goal = Goal::equivalence("surface 0", 0.8);
    let found = power.required(&goal, Resource::SpecimensPerCell, 100).unwrap();
    assert!(found.achieved() >= 0.8);
    assert!(power.required(&goal, Resource::SpecimensPerCell, found.count() - 1).is_err());
    assert!(power.required(&Goal::equivalence("surface 0", 1.5), Resource::Materials, 10).is_err());
    assert!(power.required(&Goal::factor("surface 0", "surface 1", 0.9), Resource::Materials, 10).is_err());
    assert!(balanced(4, 2, 2).required(&goal, Resource::Materials, 10).is_err());
}

/// The first step is the best of all single cells, by plans made by hand.
#[test]
fn the_first_step_is_the_best_cell() {
    let mut plan = with_surfaces(&balanced(4, 3, 2), |s| s.run_length_s(8.0)).day_log_scatter(0.05);
    plan = plan.cell("material 1", "surface 1", 0).cell("material 3", "surface 2", 6);
    let criterion = Criterion::Factor { surface: "surface 2".into(), relative_to: "surface 1".into() };
    let found = Augment::new(criterion, 2).step(2).run(&plan).unwrap();
    let mut best = (f64::INFINITY, String::new());
    for m in 0..4 {
        for s in 0..3 {
            let (material, surface) = (format!("material {m}"), format!("surface {s}"));
            let with = plan.clone().cell_on(&material, &surface, format!("{surface}, further day 1"), 2);
            let se = with.factor_between("surface 2", "surface 1").unwrap().log_standard_error();
            if se < best.0 {
                best = (se, format!("{material} {surface}"));
            }
        }
    }
    let step = &found.steps()[0];
    assert_eq!(format!("{} {}", step.material(), step.surface()), best.1);
    close(step.log_standard_error().unwrap(), best.0, 1e-9);
    close(
        found.log_standard_error_before().unwrap(),
        plan.factor_between("surface 2", "surface 1").unwrap().log_standard_error(),
        1e-9,
    );
}

#[test]
fn parts_are_joined_first_and_every_step_helps() {
    let plan = balanced(4, 3, 0)
        .cell("material 0", "surface 0", 4)
        .cell("material 1", "surface 0", 4)
        .cell("material 2", "surface 1", 4)
        .cell("material 3", "surface 2", 4)
        .laboratory("surface 2");
    for criterion in [
        Criterion::AllFactors,
        Criterion::JointFactors,
        Criterion::Factor { surface: "surface 2".into(), relative_to: "surface 0".into() },
        Criterion::Correction { surface: "surface 0".into() },
    ] {
        let whole = matches!(criterion, Criterion::AllFactors | Criterion::JointFactors);
        let found = Augment::new(criterion, 10).run(&plan).unwrap();
        assert_eq!(found.log_standard_error_before(), None);
        assert_eq!(found.steps().iter().map(AugmentStep::specimens).sum::<usize>(), 10);
        assert_eq!(found.plan().trials(), 26);
        if whole {
            assert!(found.steps()[0].joins() && found.steps()[1].joins() && !found.steps()[2].joins(), "{found}");
        } else {
            assert!(found.steps().iter().filter(|s| s.joins()).count() >= 1, "{found}");
        }
        let after: Vec<f64> = found.steps().iter().filter_map(AugmentStep::log_standard_error).collect();
        assert!(after.len() >= 6, "{found}");
        assert!(after.windows(2).all(|w| w[1] <= w[0] + 1e-9), "{after:?}");
        assert_eq!(found.added().iter().map(|a| a.2).sum::<usize>(), 10);
    }
}

/// Determinism, candidates, and errors.
#[test]
fn the_search_is_deterministic_and_stays_within_its_candidates() {
    let plan = balanced(4, 3, 2);
    let search =
        Augment::new(Criterion::AllFactors, 6).candidates([("material 1", "surface 2"), ("material 0", "surface 0")]);
    let found = search.run(&plan).unwrap();
    assert_eq!(found, search.run(&plan).unwrap());
    assert!(
        found
            .added()
            .iter()
            .all(|(m, s, _)| (*m, *s) == ("material 1", "surface 2") || (*m, *s) == ("material 0", "surface 0"))
    );
    assert!(Augment::new(Criterion::AllFactors, 0).run(&plan).is_err());
    assert!(Augment::new(Criterion::AllFactors, 3).step(0).run(&plan).is_err());
    assert!(Augment::new(Criterion::AllFactors, 3).candidates([("wool", "surface 0")]).run(&plan).is_err());
    assert!(Augment::new(Criterion::Correction { surface: "surface 0".into() }, 3).run(&plan).is_err());
    let text = serde_json::to_string(&found).unwrap();
    assert_eq!(serde_json::from_str::<surface_severity::planning::Augmentation>(&text).unwrap(), found);
}

/// A surface that nothing is planned on yet: the first step goes there.
#[test]
fn an_untried_surface_comes_first() {
    let plan = balanced(3, 3, 0).cell("material 0", "surface 0", 4).cell("material 1", "surface 0", 4);
    let plan = plan.cell("material 0", "surface 1", 4);
    let criterion = Criterion::Factor { surface: "surface 2".into(), relative_to: "surface 1".into() };
    let found = Augment::new(criterion, 6).step(2).run(&plan).unwrap();
    assert_eq!((found.steps()[0].surface(), found.steps()[0].material()), ("surface 2", "material 0"));
    let tells = found.plan().factor_between("surface 2", "surface 1").unwrap().log_standard_error();
    close(found.log_standard_error().unwrap(), tells, 1e-9);
    let unknown = Criterion::Factor { surface: "moor".into(), relative_to: "surface 1".into() };
    assert!(matches!(Augment::new(unknown, 1).run(&plan).unwrap_err().kind(), ErrorKind::UnknownSurface { .. }));
}

#[test]
fn tables_show_what_the_results_hold() {
    let plan = with_surfaces(&balanced(3, 2, 4), |s| s.run_length_s(5.0)).laboratory("surface 1");
    let precision = plan.precision().unwrap();
    let factors = surface_severity::tables::planned_factors(&precision);
    let row = precision.factor("surface 1").unwrap();
    let csv = factors.to_csv();
    assert!(csv.starts_with("surface,factor,lower_0.95,upper_0.95,width_ratio,log_standard_error,"), "{csv}");
    assert!(csv.contains(&row.log_standard_error().to_string()));
    assert!(factors.to_string().contains("run-outs") && precision.to_string().contains("further specimen"));
    assert!(
        plan.to_string().contains("surface 1: supposed factor 1.5")
            || plan.to_string().contains("supposed factor 1.50")
    );
    let power = plan.equivalence_power((0.8, 1.25), 0.05).unwrap();
    let table = surface_severity::tables::equivalence_power(&power, None);
    assert_eq!((table.rows().len(), table.columns().len()), (1, 4));
    let simulated = surface_severity::planning::Simulation::new(50).run(&plan).unwrap();
    assert_eq!(surface_severity::tables::equivalence_power(&power, Some(&simulated)).columns().len(), 6);
    assert!(simulated.to_string().contains("50 campaigns"));
}

/// Costs and a budget: the first step is the best gain for its cost of all cells, found by trying each; the budget holds, and
/// equal costs change nothing.
#[test]
fn a_budget_buys_the_largest_gain_for_its_cost() {
    let plan = balanced(3, 3, 4).laboratory("surface 1");
    let cost = |surface: &str| if surface == "surface 1" { 1.0 } else { 3.5 };
    let search = |trials| {
        let search = Augment::new(Criterion::AllFactors, trials);
        ["surface 0", "surface 1", "surface 2"].into_iter().fold(search, |search, s| search.cost(s, cost(s)))
    };
    let found = search(1).run(&plan).unwrap();
    let error = |plan: &Plan| {
        let rows =
            ["surface 1", "surface 2"].map(|s| plan.factor_between(s, "surface 0").unwrap().log_standard_error());
        (rows.iter().map(|se| se * se).sum::<f64>() / 2.0).sqrt()
    };
    let start = error(&plan);
    let mut gains = Vec::new();
    for m in 0..3 {
        for surface in ["surface 0", "surface 1", "surface 2"] {
            let material = format!("material {m}");
            let day = format!("{surface}, further day 1");
            let more = plan.clone().cell_on(&material, surface, day, 1);
            gains.push(((start - error(&more)) / cost(surface), material, surface));
        }
    }
    let best = gains.iter().map(|g| g.0).fold(0.0, f64::max);
    let step = &found.steps()[0];
    let taken = gains.iter().find(|g| g.1 == step.material() && g.2 == step.surface()).unwrap();
    assert!(taken.0 > best * (1.0 - 1e-6), "{step:?} {gains:?}");
    let within = search(100).budget(20.0).run(&plan).unwrap();
    assert!(within.cost() <= 20.0 && within.cost() > 16.5, "{}", within.cost());
    assert!((within.steps().iter().map(|s| cost(s.surface())).sum::<f64>() - within.cost()).abs() < 1e-12);
    let equal = |c: f64| {
        let search = Augment::new(Criterion::AllFactors, 6);
        let search = ["surface 0", "surface 1", "surface 2"].into_iter().fold(search, |search, s| search.cost(s, c));
        search
            .run(&plan)
            .unwrap()
            .added()
            .into_iter()
            .map(|(m, s, n)| (m.to_owned(), s.to_owned(), n))
            .collect::<Vec<_>>()
    };
    let plain = Augment::new(Criterion::AllFactors, 6).run(&plan).unwrap();
    let plain: Vec<_> = plain.added().into_iter().map(|(m, s, n)| (m.to_owned(), s.to_owned(), n)).collect();
    assert_eq!(equal(2.0), plain);
    assert!(search(3).budget(-1.0).run(&plan).is_err() && search(3).cost("gravel", 1.0).run(&plan).is_err());
    // Nothing can be paid for: nothing is added.
    assert!(search(3).budget(0.5).run(&plan).unwrap().steps().is_empty());
}
