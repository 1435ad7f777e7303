//! Counts, levels and columns at the ends of their types: refused with a typed error, or a finite result.

use surface_severity::bootstrap::Bootstrap;
use surface_severity::campaign::Campaign;
use surface_severity::correction::{LabReport, Requirement};
use surface_severity::equivalence::{ScatterEstimator, class_effects, random_effects, tost, york_with_scatter};
use surface_severity::laboratory::{Agreement, Chart, Consensus};
use surface_severity::planning::{Augment, Criterion, Goal, Plan, Resource, Simulation};
use surface_severity::screening::{generalised_esd, mad, median};
use surface_severity::severity::Severity;
use surface_severity::slide::Slide;
use surface_severity::{ErrorKind, Estimate};

const ENDS: [f64; 14] =
    [0.0, -0.0, -1.0, 5e-324, 1e-308, 1e-16, 0.5, 1.0, 95.0, 1e16, f64::MAX, f64::MIN, f64::INFINITY, f64::NAN];

fn readings(times: &[f64]) -> Vec<(String, f64)> {
    times.iter().enumerate().map(|(i, t)| (format!("drop {i}"), *t)).collect()
}

fn demo() -> Campaign {
    Campaign::read_path("data-demo/trials.csv").unwrap()
}

#[test]
fn counts_of_the_whole_word() {
    let campaign = demo();
    let plan = Severity::new("dense asphalt concrete").independent();
    for n in [0, 1, usize::MAX / 2, usize::MAX] {
        assert!(generalised_esd(&[1.0, 2.0, 3.0, 9.0], n, 0.05).is_err() || n == 1, "{n}");
        assert!(Bootstrap::stratified(n).severity(&plan, &campaign).is_err(), "{n} replicates");
        assert!(Bootstrap::stratified(100).run(&[n], |_| Ok(vec![1.0])).is_err() || n == 0, "stratum {n}");
        assert!(
            Chart::new(n).of_times(&readings(&[1.0, 2.0, 3.0, 2.0, 1.0, 2.0, 3.0, 2.0])).is_err(),
            "{n} base points"
        );
    }
    let fit = plan.fit(&campaign).unwrap();
    for n in [usize::MAX / 2, usize::MAX] {
        let huge = Plan::from_fit(&fit).existing(&campaign).specimens_per_cell(n);
        assert!(huge.precision().is_err(), "{n} specimens a cell");
        let huge = Plan::from_fit(&fit).existing(&campaign).report_specimens(n);
        let _ = huge.precision();
        let planned = Plan::from_fit(&fit).existing(&campaign);
        let _ = planned.required(&Goal::correction("brushed concrete", 1.2), Resource::SpecimensPerCell, n);
        assert!(Simulation::new(n).run(&planned).is_err(), "{n} simulations");
        assert!(Augment::new(Criterion::JointFactors, n).run(&planned).is_err(), "{n} further trials");
    }
}

#[test]
fn levels_and_times_at_their_ends() {
    let campaign = demo();
    for x in ENDS {
        let fit = Severity::new("dense asphalt concrete").independent().level(x).fit(&campaign);
        match fit {
            Err(error) => assert!(matches!(error.kind(), ErrorKind::InvalidOption { .. }), "level {x}: {error}"),
            Ok(fit) => {
                for factor in fit.factors() {
                    if let Estimate::Interval(i) = &factor.factor {
                        assert!(i.lower() > 0.0 && i.upper().is_finite(), "level {x}: {i}");
                    }
                }
            }
        }
        assert!(Requirement::new("zone", x).is_err() || (x > 0.0 && x.is_finite()));
        let report = LabReport::from_mean("R", "hide", None, x, 5, 0.2);
        assert!(report.is_err() || (1e-4..=1e5).contains(&x), "time {x}");
        let report = LabReport::from_mean("R", "hide", None, 2.0, 5, x);
        assert!(report.is_err() || (x >= 0.0 && x.is_finite()), "log sd {x}");
        for y in ENDS {
            let _ = tost(x, y, Some(5.0), (0.8, 1.25), 0.05);
            let _ = tost(0.1, 0.1, Some(x), (y, 1.25), 0.05);
            if let Ok(agreement) = Agreement::of((1.0, x), (2.0, y)) {
                assert!(!agreement.to_string().contains("inf") && !agreement.to_string().contains("NaN"));
            }
        }
        let _ = Slide::new(x, 8.0).rig_time_s(60.0, 1.0);
        let _ = Slide::new(0.6, x).rig_time_s(60.0, 1.0);
    }
}

#[test]
fn columns_of_ends() {
    for x in ENDS {
        for y in ENDS {
            let values = [x, 1.0, y, 2.0, 1.5, 0.7];
            let finite = |v: Option<f64>| v.is_none_or(f64::is_finite);
            if let Ok(fit) =
                random_effects(&values, &[0.1, 0.2, x.abs(), 0.1, y.abs(), 0.3], ScatterEstimator::Restricted)
            {
                assert!(fit.mean().is_finite() && fit.standard_error().is_finite(), "{values:?}");
                assert!(fit.interval(0.95).is_err() || fit.interval(0.95).unwrap().upper().is_finite());
            }
            let e = [0.1; 6];
            let errors = [0.1, x, 0.1, 0.2, 0.1, y];
            if let Ok(fit) = york_with_scatter(
                &[1.0, 2.0, 3.0, 4.0, 5.0, 6.0],
                &errors,
                &values,
                &e,
                &[0.0; 6],
                ScatterEstimator::Restricted,
            ) {
                assert!(fit.line().slope().is_finite() && fit.intrinsic_scatter().is_finite(), "{values:?} {errors:?}");
            }
            let classes = [Some("a"), Some("a"), Some("b"), Some("b"), Some("c"), None];
            let _ = class_effects(&values, &errors, &classes, ScatterEstimator::Restricted);
            if let Ok(esd) = generalised_esd(&values, 2, 0.05) {
                assert!(
                    esd.steps.iter().all(|s| s.statistic.is_finite() && s.critical_value.is_finite()),
                    "{values:?}"
                );
            }
            assert!(finite(median(&values).ok().flatten()), "{values:?}");
            assert!(finite(mad(&values).ok().flatten()), "{values:?}");
            if let Ok(consensus) = Consensus::of(&values) {
                assert!(consensus.mean.is_finite() && consensus.standard_deviation.is_finite(), "{values:?}");
            }
            if let Ok(chart) = Chart::new(6).of_times(&readings(&[values, values].concat())) {
                assert!(!chart.to_string().contains("inf") && !chart.to_string().contains("NaN"), "{values:?}");
            }
        }
    }
    // Constant values: no outlier, and no division by nothing.
    assert!(
        generalised_esd(&[2.0; 8], 3, 0.05).is_err_and(|e| !e.to_string().contains("NaN"))
            || generalised_esd(&[2.0; 8], 3, 0.05).is_ok_and(|e| e.outliers == 0)
    );
}
