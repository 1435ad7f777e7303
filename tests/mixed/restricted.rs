//! The restricted likelihood under censoring: REML of linear models where nothing is censored, brute-force
//! integration over the fixed coefficients where something is.

use surface_severity::severity::{
    Criterion, Verdict,
    mixed::{CensoredMixedModel, LinearMixedModel},
};
use surface_severity::severity::{Distribution, Observation};

use crate::{Table, assert_digits};

fn exact(y: &[f64]) -> Vec<Observation> {
    y.iter().map(|v| Observation::Exact(*v)).collect()
}

/// R lme4 (values quoted in `linear.rs`, from the closed forms of balanced layouts) by the code for censored
/// times, which knows nothing of sums of squares.
#[test]
fn without_censoring_it_is_reml() {
    let dye = Table::read("lme4_dyestuff.csv");
    let y = dye.numbers("Yield");
    // Yields are hundreds: in units of 1000, so that densities of exp(y) stay in range.
    let scaled: Vec<f64> = y.iter().map(|v| v / 1000.0).collect();
    for nodes in [1, 9] {
        let fit = CensoredMixedModel::new(Distribution::LogNormal, exact(&scaled), vec![vec![1.0]; 30])
            .group("Batch", &dye.levels("Batch"))
            .nodes(nodes)
            .criterion(Criterion::Reml)
            .fit()
            .unwrap();
        assert_eq!(fit.criterion(), Criterion::Reml);
        assert_digits(fit.standard_deviation("Batch").unwrap().powi(2) * 1e6, 1764.05, 8.0);
        assert_digits(fit.standard_deviation("residual").unwrap().powi(2) * 1e6, 2451.25, 8.0);
        let mean = fit.contrast(&[1.0]).unwrap();
        assert_digits(mean.estimate, 1.5275, 10.0);
        assert_digits(mean.standard_error, (56357.5f64 / 5.0 / 30.0).sqrt() / 1000.0, 6.0);
        assert_digits(mean.degrees_of_freedom.unwrap(), 5.0, 5.0);
        // R lme4: REML criterion 319.654276842257, 29 degrees of freedom take the unit along.
        let sum: f64 = scaled.iter().sum();
        let criterion = -2.0 * (fit.log_likelihood() + sum) + 2.0 * 29.0 * 1000.0f64.ln();
        assert_digits(criterion, 319.654_276_842_257, 10.0);
    }
    // Two crossed factors: standard errors, degrees of freedom, profiles and predictions as the linear model.
    let pen = Table::read("lme4_penicillin.csv");
    let y = pen.numbers("diameter");
    let (plate, sample) = (pen.levels("plate"), pen.levels("sample"));
    let half: Vec<f64> = (0..y.len()).map(|i| f64::from(u8::from(i % 3 == 0)) + 0.01 * i as f64).collect();
    let laplace =
        CensoredMixedModel::new(Distribution::LogNormal, exact(&y), half.iter().map(|x| vec![1.0, *x]).collect())
            .group("plate", &plate)
            .group("sample", &sample)
            .criterion(Criterion::Reml)
            .fit()
            .unwrap();
    let linear = LinearMixedModel::new(y.clone())
        .intercept()
        .fixed("half", half)
        .group("plate", &plate)
        .group("sample", &sample)
        .fit(Criterion::Reml)
        .unwrap();
    assert_digits(laplace.log_likelihood() + y.iter().sum::<f64>(), linear.log_likelihood(), 10.0);
    for name in ["plate", "sample", "residual"] {
        assert_digits(laplace.standard_deviation(name).unwrap(), linear.variance(name).unwrap().sqrt(), 7.0);
        let (a, b) = (laplace.profile_interval(name, 0.9).unwrap(), linear.profile_interval(name, 0.9).unwrap());
        assert_digits(a.lower(), b.lower(), 7.0);
        assert_digits(a.upper(), b.upper(), 7.0);
    }
    for weights in [[1.0, 0.0], [0.0, 1.0], [1.0, -0.5]] {
        let (a, b) = (laplace.contrast(&weights).unwrap(), linear.contrast(&weights).unwrap());
        assert_digits(a.estimate, b.estimate, 7.0);
        // Observed information of the unbalanced layout: β̂ moves with the variances, which the linear
        // model's standard errors leave out.
        let ratio = a.standard_error / b.standard_error;
        assert!(ratio > 0.999_999 && ratio < 1.03, "{weights:?}: {ratio}");
        assert_digits(a.degrees_of_freedom.unwrap(), b.degrees_of_freedom.unwrap(), 4.5);
        assert_digits(a.multiplier(0.95), b.multiplier(0.95), 4.5);
    }
    for (a, b) in laplace.predictions("plate").unwrap().iter().zip(linear.predictions("plate").unwrap()) {
        assert!((a.value - b.value).abs() < 1e-6);
        assert_digits(a.standard_error, b.standard_error, 6.0);
    }
    // A variance of zero: the residual is that of the plain model, with all its degrees of freedom.
    let dye = Table::read("lme4_dyestuff2.csv");
    let zero = CensoredMixedModel::new(Distribution::LogNormal, exact(&dye.numbers("Yield")), vec![vec![1.0]; 30])
        .group("Batch", &dye.levels("Batch"))
        .criterion(Criterion::Reml)
        .fit()
        .unwrap();
    assert_eq!(zero.convergence().verdict, Verdict::Boundary { components: vec!["Batch".into()] });
    // R lme4: 13.8060 (REML), 30/29 of the ML variance 13.346099306667.
    assert_digits(zero.standard_deviation("residual").unwrap().powi(2), 13.346_099_306_667 * 30.0 / 29.0, 8.0);
    let mean = zero.contrast(&[1.0]).unwrap();
    assert_digits(mean.degrees_of_freedom.unwrap(), 29.0, 5.0);
    // The batches' mean square, lower than that within, decides; never narrower than without batches. R `aov`:
    // 11.51 on 5 and 14.95 on 24 degrees of freedom.
    let linear = LinearMixedModel::new(dye.numbers("Yield"))
        .intercept()
        .group("Batch", &dye.levels("Batch"))
        .fit(Criterion::Reml)
        .unwrap();
    assert_digits(mean.multiplier(0.95), linear.contrast(&[1.0]).unwrap().multiplier(0.95), 4.0);
    assert!(zero.profile_interval("Batch", 0.95).unwrap().lower() == 0.0);
}

/// Log times of 24 trials on 4 days, half of two materials; a fourth run out, a few opened at contact.
fn twenty_four() -> (Vec<Observation>, Vec<Vec<f64>>, Vec<usize>) {
    let mut observations = Vec::new();
    for i in 0..24u32 {
        let day = f64::from((i / 2) % 4);
        let y = 0.25 * (f64::from(i * i) * 0.9).sin() + 0.5 * f64::from(i % 2) + 0.25 * (day * 2.1).cos();
        observations.push(match i {
            _ if y > 0.6 => Observation::AtLeast(0.6),
            _ if y < -0.15 => Observation::AtMost(-0.15),
            5 | 14 => Observation::Between(y - 0.05, y + 0.05),
            _ => Observation::Exact(y),
        });
    }
    let rows = (0..24).map(|i| vec![1.0, f64::from(i % 2)]).collect();
    (observations, rows, (0..24).map(|i| (i / 2) % 4).collect())
}

/// `log ∫ L(β, σ, τ) dβ` over both coefficients by the trapezium rule about `centre`.
fn brute(model: &CensoredMixedModel, centre: &[f64], spread: &[f64], log_sigma: f64, log_tau: f64) -> f64 {
    let (h, reach) = (0.35, 24);
    let mut logs = Vec::new();
    for a in -reach..=reach {
        for b in -reach..=reach {
            let beta = [centre[0] + h * f64::from(a) * spread[0], centre[1] + h * f64::from(b) * spread[1]];
            logs.push(model.log_likelihood(&beta, log_sigma, &[log_tau]).unwrap());
        }
    }
    let top = logs.iter().fold(f64::NEG_INFINITY, |a, b| a.max(*b));
    top + (logs.iter().map(|l| (l - top).exp()).sum::<f64>() * h * h * spread[0] * spread[1]).ln()
}

/// Under censoring: value and maximum against integration of the 15-node likelihood over the coefficients.
#[test]
fn under_censoring_against_brute_force() {
    let (observations, rows, day) = twenty_four();
    let censored =
        observations.iter().filter(|o| matches!(o, Observation::AtLeast(_) | Observation::AtMost(_))).count();
    assert!((6..=14).contains(&censored), "{censored}");
    for distribution in [Distribution::LogNormal, Distribution::Weibull] {
        let model = CensoredMixedModel::new(distribution, observations.clone(), rows.clone()).group("day", &day);
        let fit = model.clone().criterion(Criterion::Reml).fit().unwrap();
        let full = model.clone().fit().unwrap();
        assert_eq!((full.criterion(), fit.criterion()), (Criterion::Ml, Criterion::Reml));
        let (beta, se) = (fit.coefficients(), fit.standard_errors());
        let (s, t) = (fit.log_sigma(), fit.standard_deviation("day").unwrap().ln());
        assert!(t.is_finite());
        let at = |ds: f64, dt: f64| brute(&model, beta, &se, s + ds, t + dt);
        let top = at(0.0, 0.0);
        // Laplace's error in two coefficients, half of whose trials are exact: a few hundredths.
        assert!((fit.log_likelihood() - top).abs() < 0.05, "{distribution}: {} {top}", fit.log_likelihood());
        // The maximum of the brute one, in its own standard errors: near; that of the full likelihood is not.
        for (name, ds, dt, ml) in
            [("residual", 1.0, 0.0, full.log_sigma()), ("day", 0.0, 1.0, full.standard_deviation("day").unwrap().ln())]
        {
            let h = 0.05;
            let (up, down) = (at(h * ds, h * dt), at(-h * ds, -h * dt));
            let (slope, curvature) = ((up - down) / (2.0 * h), (up - 2.0 * top + down) / (h * h));
            let step = -slope / curvature;
            let estimate = if ds > 0.0 { s } else { t };
            assert!(curvature < 0.0 && step.abs() < 0.03, "{distribution} {name}: {step}");
            assert!(ml < estimate - 2.0 * step.abs(), "{distribution} {name}: {ml} {estimate} {step}");
        }
        let c = fit.contrast(&[0.0, 1.0]).unwrap();
        let df = c.degrees_of_freedom.unwrap();
        assert!((1.0..=22.0).contains(&df), "{df}");
        assert_digits(c.standard_error, se[1], 12.0);
        assert!(full.contrast(&[0.0, 1.0]).unwrap().degrees_of_freedom.is_none());
        assert!(fit.contrast(&[1.0]).is_err() && fit.contrast(&[f64::NAN, 1.0]).is_err());
        let profile = fit.profile_interval("day", 0.95).unwrap();
        assert!(profile.contains(t.exp()));
        assert!(profile.upper() > full.profile_interval("day", 0.95).unwrap().upper());
        // One node more or less tells little; Laplace is near.
        let laplace = model.clone().nodes(1).criterion(Criterion::Reml).fit().unwrap();
        assert!((laplace.log_likelihood() - fit.log_likelihood()).abs() < 0.05);
    }
}

/// Levels that coincide with a covariate leave no variance to estimate, censored or not.
#[test]
fn levels_that_covariates_take_up() {
    let (observations, rows, _) = twenty_four();
    let same: Vec<usize> = rows.iter().map(|r| usize::from(r[1] > 0.5)).collect();
    for criterion in [Criterion::Reml, Criterion::Ml] {
        let error = CensoredMixedModel::new(Distribution::LogNormal, observations.clone(), rows.clone())
            .group("day", &same)
            .criterion(criterion)
            .fit()
            .unwrap_err();
        assert!(error.to_string().contains("coincide with fixed effects"), "{error}");
    }
}
