//! Random effects under censoring: adaptive Gauss–Hermite quadrature and Laplace's approximation
//! against published data worked elsewhere, brute-force integration, and the linear model.

use surface_severity::ErrorKind;
use surface_severity::severity::{
    Criterion, Verdict,
    mixed::{CensoredMixedModel, LinearMixedModel},
};
use surface_severity::severity::{Distribution, Observation};

use crate::{Table, Values, assert_digits};

const ALL: [Distribution; 3] = [Distribution::LogNormal, Distribution::Weibull, Distribution::LogLogistic];

fn rats() -> CensoredMixedModel {
    let table = Table::read("survival_rats_female.csv");
    let (time, status, rx) = (table.numbers("time"), table.numbers("status"), table.numbers("rx"));
    let observations = time
        .iter()
        .zip(&status)
        .map(|(t, s)| if *s > 0.5 { Observation::Exact(t.ln()) } else { Observation::AtLeast(t.ln()) })
        .collect();
    CensoredMixedModel::new(Distribution::LogNormal, observations, rx.iter().map(|r| vec![1.0, *r]).collect())
        .group("litter", &table.text("litter").iter().map(|l| l.parse().unwrap()).collect::<Vec<usize>>())
}

/// Mantel, Bohidar & Ciminera 1977, litter-matched rats: the likelihood node by node, against 60-node
/// quadrature and dense grids in Python and R.
#[test]
fn rats_node_by_node() {
    let at = |nodes: usize| {
        rats().nodes(nodes).log_likelihood(&[4.965_140_46, -0.236_393_30], -0.898_618_48, &[-1.337_831_63]).unwrap()
    };
    for (nodes, want) in [(1, -242.480_389_79), (5, -242.424_153_12), (9, -242.423_730_86)] {
        assert!((at(nodes) - want).abs() < 6e-9, "{nodes}: {:.10}", at(nodes));
    }
    for nodes in [15, 25, 40, 60, 100] {
        // To 15 nodes the table gives eight decimals; beyond, the limit to eleven.
        let slack = if nodes == 15 { 1e-8 } else { 2e-11 };
        assert!((at(nodes) + 242.423_731_244_39).abs() < slack, "{nodes}: {:.12}", at(nodes));
    }
}

/// The same data: estimates and standard errors, dense-grid quadrature maximised in Python and in R.
#[test]
fn rats_estimates() {
    let fit = rats().nodes(30).fit().unwrap();
    assert_digits(fit.coefficients()[0], 4.965_140_46, 8.5);
    assert_digits(fit.coefficients()[1], -0.236_393_30, 7.3);
    assert_digits(fit.log_sigma(), -0.898_618_48, 7.5);
    assert_digits(fit.standard_deviation("litter").unwrap(), 0.262_414_06, 7.3);
    assert_digits(fit.standard_deviation("residual").unwrap(), 0.407_131_73, 7.5);
    assert_digits(fit.log_likelihood(), -242.423_731_244_39, 12.5);
    for (got, want) in fit.standard_errors().iter().zip([0.095_947, 0.097_207]) {
        assert!((got - want).abs() < 6e-7, "{got} {want}");
    }
    let log_se = |name| fit.log_standard_error(name).unwrap().unwrap();
    assert!((log_se("residual") - 0.146_536).abs() < 6e-7 && (log_se("litter") - 0.315_022).abs() < 6e-7);
    assert!(fit.convergence().gradient_norm < 1e-6);
    assert_eq!(fit.convergence().verdict, Verdict::Converged);
    // Profile limits: root finding on a dense-grid likelihood in R (tests/reference/r/censored_mixed.R).
    let values = Values::read("censored_mixed.csv");
    for name in ["litter", "residual"] {
        let interval = fit.profile_interval(name, 0.95).unwrap();
        values.check("rats", &format!("profile lower {name}"), interval.lower());
        values.check("rats", &format!("profile upper {name}"), interval.upper());
    }
    // Conditional modes and their spread, same script.
    let predictions = fit.predictions("litter").unwrap();
    assert_eq!((predictions.len(), predictions[0].trials), (50, 3));
    for at in [1, 2, 20, 50] {
        values.check("rats", &format!("mode {at}"), predictions[at - 1].value);
    }
}

/// The same data without the effect (R survival `survreg`): the limit of a vanishing variance.
#[test]
fn rats_at_the_boundary_of_no_effect() {
    let tiny = rats().log_likelihood(&[4.968_688_554_8, -0.246_099_875_6], -0.728_497_282_8, &[-18.0]).unwrap();
    assert_digits(tiny, -244.323_994_740_2, 12.5);
}

/// Exact log-normal times: Laplace's approximation is exact there, so the marginal maximum is the
/// ML fit of the linear model, by wholly different code; crossed, nested and single factors.
#[test]
fn laplace_is_exact_for_the_linear_model() {
    let pen = Table::read("lme4_penicillin.csv");
    let y = pen.numbers("diameter");
    let ones = vec![vec![1.0]; y.len()];
    let exact = || y.iter().map(|v| Observation::Exact(*v)).collect::<Vec<_>>();
    let (plate, sample) = (pen.levels("plate"), pen.levels("sample"));
    let censored = CensoredMixedModel::new(Distribution::LogNormal, exact(), ones.clone())
        .group("plate", &plate)
        .group("sample", &sample)
        .fit()
        .unwrap();
    let linear = LinearMixedModel::new(y.clone())
        .intercept()
        .group("plate", &plate)
        .group("sample", &sample)
        .fit(Criterion::Ml)
        .unwrap();
    assert_digits(censored.log_likelihood() + y.iter().sum::<f64>(), linear.log_likelihood(), 12.0);
    for name in ["plate", "sample", "residual"] {
        assert_digits(censored.standard_deviation(name).unwrap(), linear.variance(name).unwrap().sqrt(), 8.0);
        let (a, b) = (censored.profile_interval(name, 0.9).unwrap(), linear.profile_interval(name, 0.9).unwrap());
        assert_digits(a.lower(), b.lower(), 8.0);
        assert_digits(a.upper(), b.upper(), 8.0);
    }
    for (a, b) in censored.predictions("plate").unwrap().iter().zip(linear.predictions("plate").unwrap()) {
        assert!((a.value - b.value).abs() < 1e-8);
        assert_digits(a.standard_error, b.standard_error, 6.0);
    }
    assert_digits(censored.standard_errors()[0], linear.standard_errors()[0], 6.0);
    // One factor: any number of nodes integrates a Gaussian exactly.
    for nodes in [1, 7] {
        let one = CensoredMixedModel::new(Distribution::LogNormal, exact(), ones.clone())
            .group("sample", &sample)
            .nodes(nodes)
            .fit()
            .unwrap();
        let linear = LinearMixedModel::new(y.clone()).intercept().group("sample", &sample).fit(Criterion::Ml).unwrap();
        assert_digits(one.log_likelihood() + y.iter().sum::<f64>(), linear.log_likelihood(), 12.0);
    }
    // Simulated data without batch effect: zero, as in the linear model.
    let dye = Table::read("lme4_dyestuff2.csv");
    let y = dye.numbers("Yield");
    let zero = CensoredMixedModel::new(
        Distribution::LogNormal,
        y.iter().map(|v| Observation::Exact(*v)).collect(),
        vec![vec![1.0]; 30],
    )
    .group("Batch", &dye.levels("Batch"))
    .fit()
    .unwrap();
    assert!(zero.standard_deviation("Batch").unwrap() == 0.0);
    assert_eq!(zero.convergence().verdict, Verdict::Boundary { components: vec!["Batch".into()] });
    assert_digits(zero.standard_deviation("residual").unwrap().powi(2), 13.346_099_306_67, 8.0);
    assert_eq!(zero.log_standard_error("Batch").unwrap(), None);
    assert!(zero.profile_interval("Batch", 0.95).unwrap().lower() == 0.0);
}

/// A made-up table of 16 log times of all four kinds, two days crossed with two runs.
fn sixteen() -> (Vec<Observation>, Vec<usize>, Vec<usize>) {
    let mut observations = Vec::new();
    for i in 0..16u32 {
        let y = 0.5 * (f64::from(i) * 1.7).sin() + 0.25 * f64::from(i % 2) - 0.2 * f64::from(i / 8);
        observations.push(match i % 5 {
            1 => Observation::AtLeast(y),
            3 => Observation::AtMost(y + 0.1),
            4 => Observation::Between(y - 0.3, y + 0.2),
            _ => Observation::Exact(y),
        });
    }
    (observations, (0..16).map(|i| i % 2).collect(), (0..16).map(|i| (i / 4) % 2).collect())
}

/// Density, survival and distribution function of W by their textbook formulas.
fn likelihood(distribution: Distribution, observation: &Observation, location: f64, sigma: f64) -> f64 {
    let survival = |y: f64| {
        let z = (y - location) / sigma;
        match distribution {
            Distribution::LogNormal => 0.5 * libm::erfc(z / std::f64::consts::SQRT_2),
            Distribution::Weibull => (-z.exp()).exp(),
            _ => 1.0 / (1.0 + z.exp()),
        }
    };
    match *observation {
        Observation::Exact(y) => {
            let z = (y - location) / sigma;
            let density = match distribution {
                Distribution::LogNormal => (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt(),
                Distribution::Weibull => (z - z.exp()).exp(),
                _ => z.exp() / (1.0 + z.exp()).powi(2),
            };
            density / (sigma * y.exp())
        }
        Observation::AtLeast(y) => survival(y),
        Observation::AtMost(y) => 1.0 - survival(y),
        Observation::Between(a, b) => survival(a) - survival(b),
    }
}

/// Trapezium rule on a wide fine grid: for a smooth integrand that dies out at both ends its error
/// falls faster than any power of the step.
fn grid() -> Vec<(f64, f64)> {
    let h = 0.08;
    (-75..=75)
        .map(|i| {
            let u = h * f64::from(i);
            (u, h * (-0.5 * u * u).exp() / (2.0 * std::f64::consts::PI).sqrt())
        })
        .collect()
}

/// One factor: quadrature against the trapezium rule, all distributions, all kinds of censoring.
#[test]
fn quadrature_against_brute_force() {
    let (observations, day, _) = sixteen();
    for distribution in ALL {
        for (sigma, tau) in [(0.4f64, 0.3f64), (0.25, 0.9)] {
            let mut brute = 0.0;
            for level in 0..2 {
                let mut sum = 0.0;
                // A finer grid than for four dimensions: the integrand is narrow.
                for i in -3600..=3600 {
                    let u = 0.0025 * f64::from(i);
                    let weight = 0.0025 * (-0.5 * u * u).exp() / (2.0 * std::f64::consts::PI).sqrt();
                    let product: f64 = (0..16)
                        .filter(|&i| day[i] == level)
                        .map(|i| likelihood(distribution, &observations[i], 0.1 + tau * u, sigma))
                        .product();
                    sum += weight * product;
                }
                brute += sum.ln();
            }
            let model = CensoredMixedModel::new(distribution, observations.clone(), vec![vec![1.0]; 16])
                .group("day", &day)
                .nodes(40);
            let got = model.log_likelihood(&[0.1], sigma.ln(), &[tau.ln()]).unwrap();
            assert!((got - brute).abs() < 1e-9, "{distribution} {sigma} {tau}: {got:.12} {brute:.12}");
            // Laplace is near, but not the same: the comparison can tell.
            let laplace = model.nodes(1).log_likelihood(&[0.1], sigma.ln(), &[tau.ln()]).unwrap();
            assert!((laplace - brute).abs() < 0.05 && (laplace - brute).abs() > 1e-6, "{laplace} {brute}");
        }
    }
}

/// Two crossed factors of two levels each: Laplace against four-dimensional brute force. Its error
/// must be that of the method, small and falling with the number of trials per level.
#[test]
fn laplace_against_brute_force_in_four_dimensions() {
    let (observations, day, run) = sixteen();
    for distribution in ALL {
        let (sigma, tau_day, tau_run) = (0.5f64, 0.35, 0.25);
        let error_of = |copies: usize| {
            // The likelihood of (day, run) depends on the sum of two effects: tabulate by cell.
            let grid = grid();
            let n = grid.len();
            let mut table = vec![0.0; 4 * n * n];
            for (a, (u, _)) in grid.iter().enumerate() {
                for (b, (v, _)) in grid.iter().enumerate() {
                    for i in 0..16 {
                        let location = 0.05 + tau_day * u + tau_run * v;
                        table[((day[i] * 2 + run[i]) * n + a) * n + b] +=
                            copies as f64 * likelihood(distribution, &observations[i], location, sigma).ln();
                    }
                }
            }
            // Sum over both days inside the sum over both runs: given the runs, days are independent.
            let mut terms = Vec::with_capacity(n * n);
            for (r0, (_, w0)) in grid.iter().enumerate() {
                for (r1, (_, w1)) in grid.iter().enumerate() {
                    let mut total = w0.ln() + w1.ln();
                    for d in 0..2 {
                        let logs: Vec<f64> = (0..n)
                            .map(|a| {
                                grid[a].1.ln()
                                    + table[((d * 2) * n + a) * n + r0]
                                    + table[((d * 2 + 1) * n + a) * n + r1]
                            })
                            .collect();
                        total += log_sum(&logs);
                    }
                    terms.push(total);
                }
            }
            let brute = log_sum(&terms);
            let repeat = |v: &[usize]| -> Vec<usize> { (0..copies).flat_map(|_| v.to_vec()).collect() };
            let model = CensoredMixedModel::new(
                distribution,
                (0..copies).flat_map(|_| observations.clone()).collect(),
                vec![vec![1.0]; 16 * copies],
            )
            .group("day", &repeat(&day))
            .group("run", &repeat(&run));
            let laplace = model.log_likelihood(&[0.05], sigma.ln(), &[tau_day.ln(), tau_run.ln()]).unwrap();
            (laplace - brute).abs()
        };
        let (few, many) = (error_of(1), error_of(8));
        assert!(few < 0.03, "{distribution}: {few}");
        assert!(many < 0.5 * few, "{distribution}: {few} {many}");
    }
}

fn log_sum(logs: &[f64]) -> f64 {
    let top = logs.iter().fold(f64::NEG_INFINITY, |a, b| a.max(*b));
    top + logs.iter().map(|l| (l - top).exp()).sum::<f64>().ln()
}

/// What cannot be fitted is refused by name.
#[test]
fn refusals() {
    let (observations, day, run) = sixteen();
    let base = || CensoredMixedModel::new(Distribution::Weibull, observations.clone(), vec![vec![1.0]; 16]);
    let option = |model: CensoredMixedModel| {
        let error = model.fit().unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::InvalidOption { .. }), "{error}");
    };
    option(base().group("day", &day).group("run", &run).nodes(5));
    option(base().group("day", &day).nodes(0));
    option(base().group("day", &day).nodes(101));
    option(base().group("day", &day[..7]));
    option(
        CensoredMixedModel::new(Distribution::Weibull, vec![Observation::Exact(f64::NAN)], vec![vec![1.0]])
            .group("day", &[0]),
    );
    assert!(matches!(base().fit().unwrap_err().kind(), ErrorKind::NothingToFit { .. }));
    assert!(matches!(
        base().group("day", &(0..16).collect::<Vec<_>>()).fit().unwrap_err().kind(),
        ErrorKind::NotEstimable { .. }
    ));
    let model = base().group("day", &day);
    assert!(model.log_likelihood(&[0.0, 1.0], 0.0, &[0.0]).is_err());
    assert!(model.log_likelihood(&[f64::INFINITY], 0.0, &[0.0]).is_err());
    // Nothing but run-outs: no finite estimate, no number.
    let all_right = CensoredMixedModel::new(
        Distribution::LogNormal,
        (0..16).map(|i| Observation::AtLeast(f64::from(i) * 0.1)).collect(),
        vec![vec![1.0]; 16],
    )
    .group("day", &day);
    assert!(matches!(all_right.fit().unwrap_err().kind(), ErrorKind::NotEstimable { .. }));
    // A covariate whose every row ran out: unlimited upwards.
    let separated = CensoredMixedModel::new(
        Distribution::LogNormal,
        (0..16)
            .map(|i| {
                let y = f64::from(i % 5) * 0.3;
                if i % 2 == 0 { Observation::AtLeast(y) } else { Observation::Exact(y) }
            })
            .collect(),
        (0..16).map(|i| vec![1.0, f64::from(u8::from(i % 2 == 0))]).collect(),
    )
    .group("day", &run);
    let error = separated.fit().unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::NotEstimable { .. } | ErrorKind::NotConverged { .. }), "{error}");
}
