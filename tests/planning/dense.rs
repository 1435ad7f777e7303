//! Expected covariance and degrees of freedom against closed forms and dense matrices.

use nalgebra::{DMatrix, DVector};
use surface_severity::ErrorKind;
use surface_severity::planning::{DaySpread, Plan, PlanNote, PlannedSurface};

use crate::{balanced, close, with_surfaces};

/// Balanced, complete, nothing run out: variance 2 (σ²/(Mn) + τ²/D + ω²/M) of every log factor; the strata of the analysis of
/// variance have N − M − S + 1, S(D − 1) and (M − 1)(S − 1) degrees of freedom.
#[test]
fn balanced_designs_have_their_closed_forms() {
    let (m, s, n, d, sigma, tau, omega) = (5.0, 3.0, 6.0, 3.0, 0.2_f64, 0.07_f64, 0.09_f64);
    let base = balanced(5, 3, 6);
    let of = |plan: &Plan| {
        let p = plan.precision().unwrap();
        let f = p.factor("surface 2").unwrap().clone();
        (f.log_standard_error().powi(2), f.degrees_of_freedom(), f)
    };
    let noise = sigma * sigma / (m * n);
    let (variance, df, row) = of(&base);
    close(variance, 2.0 * noise, 1e-12);
    close(df, m * s * n - m - s + 1.0, 1e-10);
    close(row.factor().estimate(), 2.0, 1e-14);
    // R 4.2.2: qt(0.975, 83) = 1.98895978.
    close(row.width_ratio(), (2.0 * 1.988_959_78 * variance.sqrt()).exp(), 1e-8);
    let by_days = with_surfaces(&base, |s| s.days(3)).day_log_scatter(tau);
    let (variance, df, _) = of(&by_days);
    close(variance, 2.0 * (noise + tau * tau / d), 1e-12);
    close(df, s * (d - 1.0), 1e-8);
    let departing = base.clone().departure_log_scatter(omega);
    let (variance, df, _) = of(&departing);
    close(variance, 2.0 * (noise + omega * omega / m), 1e-12);
    close(df, (m - 1.0) * (s - 1.0), 1e-8);
    let both = by_days.clone().departure_log_scatter(omega);
    close(of(&both).0, 2.0 * (noise + omega * omega / m + tau * tau / d), 1e-12);
    // Days that all surfaces share cancel.
    let shared = with_surfaces(&base, |s| s.on_days(["Monday", "Tuesday"])).day_log_scatter(tau);
    close(of(&shared).0, 2.0 * noise, 1e-12);
    // One day a surface: nothing to estimate the scatter of days from, and the reader is told.
    let confounded = base.clone().day_log_scatter(tau);
    let (variance, df, _) = of(&confounded);
    close(variance, 2.0 * (noise + tau * tau), 1e-12);
    assert!(df > 80.0);
    let notes = confounded.precision().unwrap().notes().to_vec();
    assert!(
        notes.contains(&PlanNote::DaysSupposed) && notes.contains(&PlanNote::OneDay { surface: "surface 1".into() })
    );
    assert!(by_days.precision().unwrap().notes().is_empty());
}

/// Generalised least squares with dense matrices on an unbalanced plan, and Satterthwaite's degrees of freedom from the dense
/// expected REML information ½ tr(P Vᵢ P Vⱼ).
#[test]
fn unbalanced_designs_agree_with_dense_matrices() {
    for (tau, omega) in [(0.08, 0.0), (0.0, 0.1), (0.08, 0.1), (0.02, 0.3)] {
        let mut plan =
            with_surfaces(&balanced(4, 3, 2), |s| if s.name() == "surface 1" { s.days(3) } else { s.days(2) })
                .day_log_scatter(tau)
                .departure_log_scatter(omega)
                .cell("material 0", "surface 1", 5)
                .cell("material 1", "surface 2", 0)
                .cell("material 3", "surface 0", 7)
                .cell_on("material 2", "surface 2", "surface 0, day 1", 3);
        if omega > 0.2 {
            plan = plan.surface(PlannedSurface::new("surface 2", 2.0).days(2).departure_log_scatter(0.05));
        }
        let campaign = plan.simulate(1, 0).unwrap();
        let trials = campaign.trials();
        let names = |f: &dyn Fn(&surface_severity::campaign::Trial) -> String| {
            let mut v: Vec<String> = trials.iter().map(f).collect();
            v.sort();
            v.dedup();
            v
        };
        let (materials, surfaces) = (names(&|t| t.material.clone()), names(&|t| t.surface.clone()));
        let days = names(&|t| t.day.clone().unwrap());
        let cells = names(&|t| format!("{}/{}", t.material, t.surface));
        let n = trials.len();
        let x = DMatrix::from_fn(n, materials.len() + 2, |i, j| {
            if j < materials.len() {
                f64::from(u8::from(trials[i].material == materials[j]))
            } else {
                -f64::from(u8::from(trials[i].surface == surfaces[j - materials.len() + 1]))
            }
        });
        let z_days =
            DMatrix::from_fn(n, days.len(), |i, j| tau * f64::from(u8::from(trials[i].day.as_ref() == Some(&days[j]))));
        let z_cells = DMatrix::from_fn(n, cells.len(), |i, j| {
            let scatter = if omega > 0.2 && trials[i].surface == "surface 2" { 0.05 } else { omega };
            scatter * f64::from(u8::from(format!("{}/{}", trials[i].material, trials[i].surface) == cells[j]))
        });
        let parts = [DMatrix::identity(n, n) * 0.04, &z_days * z_days.transpose(), &z_cells * z_cells.transpose()];
        let v = &parts[0] + &parts[1] + &parts[2];
        let inverse = v.clone().try_inverse().unwrap();
        let c = (x.transpose() * &inverse * &x).try_inverse().unwrap();
        let p = &inverse - &inverse * &x * &c * x.transpose() * &inverse;
        let used: Vec<usize> = (0..3).filter(|i| parts[*i].norm() > 0.0).collect();
        let information = DMatrix::from_fn(used.len(), used.len(), |a, b| {
            0.5 * (&p * &parts[used[a]] * &p * &parts[used[b]]).trace()
        });
        let precision = plan.precision().unwrap();
        for (j, surface) in surfaces.iter().enumerate().skip(1) {
            let mut l = DVector::zeros(x.ncols());
            l[materials.len() + j - 1] = 1.0;
            let variance = (l.transpose() * &c * &l)[0];
            let row = precision.factor(surface).unwrap();
            close(row.log_standard_error(), variance.sqrt(), 1e-11);
            let a = &inverse * &x * &c * &l;
            let g = DVector::from_iterator(used.len(), used.iter().map(|&i| (a.transpose() * &parts[i] * &a)[0]));
            let spread = (g.transpose() * information.clone().try_inverse().unwrap() * &g)[0];
            let df = (2.0 * variance * variance / spread).clamp(1.0, precision.scatter_degrees_of_freedom());
            close(row.degrees_of_freedom(), df, 1e-7);
        }
        close(precision.scatter_degrees_of_freedom(), f64::from(u32::try_from(n - x.ncols()).unwrap()), 1e-10);
        let between = plan.factor_between("surface 2", "surface 1").unwrap();
        let mut l = DVector::zeros(x.ncols());
        l[materials.len()] = -1.0;
        l[materials.len() + 1] = 1.0;
        close(between.log_standard_error(), (l.transpose() * &c * &l)[0].sqrt(), 1e-11);
    }
}

/// Correction with equal cells: τ²/M + 2σ²/(Mn) and what days add; its interval is t with M − 1.
#[test]
fn the_correction_has_its_closed_form() {
    let (m, n, sigma) = (6.0, 5.0, 0.2_f64);
    let plan = balanced(6, 3, 5).laboratory("surface 2").departure_log_scatter(0.06).report_specimens(4);
    let plan = plan.surface(PlannedSurface::new("surface 2", 2.0).departure_log_scatter(0.0));
    let row = plan.precision().unwrap().correction("surface 1").unwrap().clone();
    close(row.log_standard_error().powi(2), (0.06_f64 * 0.06 + 2.0 * sigma * sigma / n) / m, 1e-10);
    close(row.intrinsic_log_scatter(), 0.06, 1e-14);
    close(row.pair_log_variance(), 2.0 * sigma * sigma / n, 1e-10);
    close(row.factor().estimate(), 2.0 / 1.5, 1e-14);
    close(row.degrees_of_freedom(), 5.0, 1e-14);
    // R 4.2.2: qt(0.975, 5) = 2.570581836.
    close(row.width_ratio(), (2.0 * 2.570_581_836 * row.log_standard_error()).exp(), 1e-8);
    let wider = [row.factor(), row.material(), row.specimen()].map(|i| i.upper() / i.lower());
    assert!(wider[0] < wider[1] && wider[1] < wider[2], "{wider:?}");
    // A specimen is at least as uncertain as σ alone makes it.
    assert!(wider[2] > (2.0 * 1.96 * sigma).exp());
    let days = with_surfaces(&plan, |s| s.days(5)).day_log_scatter(0.1);
    let by_days = days.precision().unwrap().correction("surface 1").unwrap().clone();
    close(by_days.day_log_standard_error().powi(2), 2.0 * 0.01 / 5.0, 1e-10);
    let whole = days.day_spread(DaySpread::WholeCells);
    let whole = whole.precision().unwrap().correction("surface 1").unwrap().clone();
    // Six materials on five days: one day has two.
    close(whole.day_log_standard_error().powi(2), 2.0 * 0.01 * (4.0 + 4.0) / 36.0, 1e-10);
}

#[test]
fn more_specimens_tell_more_and_run_outs_tell_less() {
    let se = |plan: &Plan| plan.precision().unwrap().factor("surface 1").unwrap().log_standard_error();
    let censored = |plan: &Plan, t: f64| with_surfaces(plan, |s| s.run_length_s(t));
    for distribution in [
        surface_severity::severity::Distribution::LogNormal,
        surface_severity::severity::Distribution::Weibull,
        surface_severity::severity::Distribution::LogLogistic,
    ] {
        let mut last = f64::INFINITY;
        for n in 1..8 {
            let plan = balanced(4, 3, n).distribution(distribution).day_log_scatter(0.03).departure_log_scatter(0.02);
            let now = se(&censored(&plan, 5.0));
            assert!(now < last && now > se(&plan), "{distribution} {n}");
            last = now;
        }
        let mut last = f64::INFINITY;
        for t in [2.0, 3.0, 4.0, 6.0, 20.0] {
            let now = se(&censored(&balanced(4, 3, 4).distribution(distribution), t));
            assert!(now < last, "{distribution} {t}: {now} {last}");
            last = now;
        }
        close(last, se(&balanced(4, 3, 4).distribution(distribution)), 1e-3);
    }
}

#[test]
fn bad_plans_are_refused_with_the_reason() {
    let good = balanced(3, 2, 3);
    let text = |plan: Plan| plan.precision().unwrap_err().to_string();
    for (plan, words) in [
        (good.clone().level(95.0), "level"),
        (Plan::new("road", 0.2), "no surface"),
        (good.clone().day_log_scatter(-0.1), "day_log_scatter"),
        (good.clone().departure_log_scatter(f64::NAN), "departure_log_scatter"),
        (good.clone().material("material 0", 0.0), "durability_s"),
        (good.clone().surface(PlannedSurface::new("surface 0", 2.0)), "reference"),
        (good.clone().surface(PlannedSurface::new("surface 1", -1.0)), "factor"),
        (good.clone().surface(PlannedSurface::new("surface 1", 1.0).run_length_s(0.0)), "run_length_s"),
        (good.clone().surface(PlannedSurface::new("surface 1", 1.0).days(0)), "days"),
        (good.clone().surface(PlannedSurface::new("surface 1", 1.0).days(10)), "at most 9 days"),
        (good.clone().cell("wool", "surface 1", 2), "no material \"wool\""),
        (good.clone().cell("material 0", "moor", 2), "no surface \"moor\""),
        (good.clone().laboratory("belt"), "no surface \"belt\""),
        (good.clone().report_specimens(0), "report_specimens"),
        (good.clone().specimens_per_cell(0), "no specimens"),
        (balanced(1, 2, 1), "leave nothing over"),
        (with_surfaces(&good, |s| s.run_length_s(0.01)), "cannot be estimated"),
    ] {
        let message = text(plan);
        assert!(message.contains(words), "{message:?} lacks {words:?}");
    }
    assert!(Plan::new("surface 0", 0.0).precision().is_err());
    let parts =
        good.clone().specimens_per_cell(0).cell("material 0", "surface 0", 3).cell("material 1", "surface 1", 3);
    assert!(matches!(parts.precision().unwrap_err().kind(), ErrorKind::Disconnected { .. }));
}

/// What is written reads back; a hand-edited plan is refused when it is used.
#[test]
fn plans_and_results_survive_json() {
    let plan = balanced(3, 2, 3).laboratory("surface 1").departure_log_scatter(0.05);
    let text = serde_json::to_string(&plan).unwrap();
    let back: Plan = serde_json::from_str(&text).unwrap();
    assert_eq!(back, plan);
    let precision = plan.precision().unwrap();
    assert_eq!(
        serde_json::from_str::<surface_severity::planning::Precision>(&serde_json::to_string(&precision).unwrap())
            .unwrap(),
        precision
    );
    let edited: Plan = serde_json::from_str(&text.replace("\"material 2\"", "\"a\"")).unwrap();
    assert!(edited.precision().is_err());
    assert!(serde_json::from_str::<Plan>(&text.replace("\"level\"", "\"levle\"")).is_err());
}
