//! Lines, means and tests of `equivalence`, against published and independently computed values.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

use surface_severity::equivalence::{
    Convention, Intercept, Scatter, ScatterEstimator, class_effects, ordinary_least_squares, random_effects, tost,
    york, york_with_scatter,
};
use surface_severity::{ErrorKind, Result, holm};

#[path = "../agreement/mod.rs"]
mod agreement;
mod rank;

/// Asserts agreement to `digits` significant digits (absolute below 1e-300).
#[track_caller]
fn assert_digits(got: f64, want: f64, digits: i32) {
    agreement::note(got, want);
    let error = if want == 0.0 { got.abs() } else { ((got - want) / want).abs() };
    assert!(error <= 10f64.powi(-digits), "got {got:.17e}, want {want:.17e}: relative error {error:.1e}");
}

/// Columns of a file of tests/data by name; `#` lines skipped.
fn table(file: &str) -> (Vec<String>, Vec<Vec<String>>) {
    let path = format!("{}/tests/data/{file}", env!("CARGO_MANIFEST_DIR"));
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(path).unwrap();
    let header = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let rows = reader.records().map(|r| r.unwrap().iter().map(str::to_owned).collect()).collect();
    (header, rows)
}

fn column(file: &str, name: &str) -> Vec<f64> {
    let (header, rows) = table(file);
    let k = header.iter().position(|h| h == name).unwrap();
    rows.iter().map(|r| r[k].parse().unwrap()).collect()
}

fn pearson_york() -> [Vec<f64>; 5] {
    let file = "pearson_york.csv";
    let error = |name| column(file, name).iter().map(|w| 1.0 / f64::sqrt(*w)).collect();
    [column(file, "x"), error("weight_x"), column(file, "y"), error("weight_y"), vec![0.0; 10]]
}

// ---------------------------------------------------------------- least squares

/// NIST StRD, linear regression: Norris, Longley, NoInt1, NoInt2, certified values.
#[test]
fn least_squares_reaches_the_certified_values() {
    let fit =
        ordinary_least_squares(&[&column("nist_norris.csv", "x")], &column("nist_norris.csv", "y"), Intercept::Fitted)
            .unwrap();
    assert_digits(fit.coefficients()[0], -0.262323073774029, 11);
    assert_digits(fit.coefficients()[1], 1.00211681802045, 13);
    assert_digits(fit.standard_errors()[0], 0.232818234301152, 11);
    assert_digits(fit.standard_errors()[1], 0.429796848199937E-03, 11);
    assert_digits(fit.residual_standard_deviation(), 0.884796396144373, 11);
    assert_digits(fit.r_squared(), 0.999993745883712, 14);
    assert_digits(fit.residual_sum_of_squares(), 26.6173985294224, 11);
    assert_eq!(fit.degrees_of_freedom(), 34);

    let (header, _) = table("nist_longley.csv");
    let y_name = &header[0];
    let columns: Vec<Vec<f64>> = header[1..].iter().map(|h| column("nist_longley.csv", h)).collect();
    let slices: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    let fit = ordinary_least_squares(&slices, &column("nist_longley.csv", y_name), Intercept::Fitted).unwrap();
    let b = [
        -3482258.63459582,
        15.0618722713733,
        -0.0358191792925910,
        -2.02022980381683,
        -1.03322686717359,
        -0.0511041056535807,
        1829.15146461355,
    ];
    let se = [
        890420.383607373,
        84.9149257747669,
        0.0334910077722432,
        0.488399681651699,
        0.214274163161675,
        0.226073200069370,
        455.478499142212,
    ];
    for i in 0..7 {
        assert_digits(fit.coefficients()[i], b[i], 11);
        assert_digits(fit.standard_errors()[i], se[i], 11);
        // The covariance agrees with the standard errors.
        assert_digits(fit.covariance_row(i)[i].sqrt(), se[i], 11);
    }
    assert_digits(fit.residual_standard_deviation(), 304.854073561965, 12);
    assert_digits(fit.r_squared(), 0.995479004577296, 13);

    let x: Vec<f64> = (60..=70).map(f64::from).collect();
    let y: Vec<f64> = (130..=140).map(f64::from).collect();
    let fit = ordinary_least_squares(&[&x], &y, Intercept::Zero).unwrap();
    assert_digits(fit.coefficients()[0], 2.07438016528926, 14);
    assert_digits(fit.standard_errors()[0], 0.0165289256198347, 13);
    assert_digits(fit.residual_standard_deviation(), 3.56753034006338, 13);
    assert_digits(fit.r_squared(), 0.999365492298663, 14);

    let fit = ordinary_least_squares(&[&[4.0, 5.0, 6.0]], &[3.0, 4.0, 4.0], Intercept::Zero).unwrap();
    assert_digits(fit.coefficients()[0], 8.0 / 11.0, 14);
    assert_digits(fit.standard_errors()[0], 0.0420827318078432, 13);
    assert_digits(fit.residual_standard_deviation(), 0.369274472937998, 13);
    assert_digits(fit.r_squared(), 0.993348115299335, 14);
}

#[test]
fn least_squares_names_what_it_cannot_do() {
    let x = [1.0, 2.0, 3.0, 4.0];
    let double = [2.0, 4.0, 6.0, 8.0];
    let error = ordinary_least_squares(&[&x, &double], &[1.0, 2.0, 4.0, 3.0], Intercept::Fitted).unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::NotEstimable { .. }), "{error}");
    let error = ordinary_least_squares(&[&x[..2]], &[1.0, 2.0], Intercept::Fitted).unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::TooFew { needed: 3, found: 2, .. }), "{error}");
    let error = ordinary_least_squares(&[&x], &[1.0, f64::NAN, 3.0, 4.0], Intercept::Zero).unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::InvalidOption { .. }), "{error}");
    // A constant column has no spread beside an intercept.
    let error = ordinary_least_squares(&[&[3.0; 4]], &[1.0, 2.0, 3.0, 5.0], Intercept::Fitted).unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::NotEstimable { .. }), "{error}");
}

// ---------------------------------------------------------------- Deming

/// Deming's line is York's with equal errors: slope and intercept with their jackknife standard errors, `ratio` =
/// Var(error of y) / Var(error of x).
fn deming(x: &[f64], y: &[f64], ratio: f64) -> [f64; 4] {
    let point = |x: &[f64], y: &[f64]| {
        let line = york(x, &vec![1.0; x.len()], y, &vec![ratio.sqrt(); x.len()], &vec![0.0; x.len()]).unwrap();
        [line.slope(), line.intercept()]
    };
    let n = x.len() as f64;
    let without = |v: &[f64], k: usize| [&v[..k], &v[k + 1..]].concat();
    let left_out: Vec<[f64; 2]> = (0..x.len()).map(|k| point(&without(x, k), &without(y, k))).collect();
    let error = |i: usize| {
        let mean = left_out.iter().map(|p| p[i]).sum::<f64>() / n;
        ((n - 1.0) / n * left_out.iter().map(|p| (p[i] - mean).powi(2)).sum::<f64>()).sqrt()
    };
    let [slope, intercept] = point(x, y);
    [slope, intercept, error(0), error(1)]
}

/// Ten-pair example: ratio 0.25 as printed in the manual of a statistics package (slope, jackknife interval);
/// jackknife standard errors and the other ratios from an independent computation.
#[test]
fn york_with_equal_errors_reaches_the_worked_example_of_deming() {
    let (x, y) = (column("deming_10.csv", "x"), column("deming_10.csv", "y"));
    let [slope, intercept, slope_error, intercept_error] = deming(&x, &y, 0.008 / 0.032);
    assert_digits(slope, 1.00119422781949, 13);
    assert_digits(intercept, -0.0897449, 6);
    assert_digits(slope_error, 0.18717705, 7);
    assert_digits(intercept_error, 1.72198741, 8);
    // t quantile of 0.975 with 8 degrees of freedom.
    assert_digits(slope - 2.306_004_135_204_166 * slope_error, 0.5695632, 6);
    let [slope, intercept, slope_error, intercept_error] = deming(&x, &y, 1.0);
    assert_digits(slope, 0.94228855671, 10);
    assert_digits(intercept, 0.39092537724, 10);
    assert_digits(slope_error, 0.202802688, 8);
    assert_digits(intercept_error, 1.846774615, 9);
    let [slope, intercept, ..] = deming(&x, &y, 4.0);
    assert_digits(slope, 0.89059950501, 10);
    assert_digits(intercept, 0.81270803912, 10);
    for ratio in [0.25, 1.0, 4.0, 37.0] {
        let (there, back) = (deming(&x, &y, ratio), deming(&y, &x, 1.0 / ratio));
        assert_digits(there[0] * back[0], 1.0, 12);
        assert_digits(back[1], -there[1] / there[0], 10);
    }
}

// ---------------------------------------------------------------- York

/// Pearson's data (1901) with York's weights (1966). Slope and intercept: York iteration and direct minimisation;
/// standard errors as quoted by York et al. 2004 (adjusted points), Kalantar 1992 (exact), Reed 1992.
#[test]
fn york_reaches_pearsons_line() {
    let [x, sx, y, sy, rho] = pearson_york();
    let line = york(&x, &sx, &y, &sy, &rho).unwrap();
    assert_digits(line.slope(), -0.48053340744620, 13);
    assert_digits(line.intercept(), 5.47991022403287, 14);
    assert_digits(line.chi_squared(), 11.866353194061, 13);
    assert_digits(line.reduced_chi_squared().unwrap(), 1.4832941493, 10);
    assert_digits(line.p_value().unwrap(), 0.157267, 5);
    assert_digits(line.slope_standard_error(), 0.0579850090, 8);
    assert_digits(line.intercept_standard_error(), 0.2949707355, 9);
    let adjusted = line.covariance(Convention::AdjustedPoints);
    assert_digits(adjusted.covariance, -0.0164725447, 8);
    let scaled = adjusted.scaled(line.scale().unwrap());
    assert_digits(scaled.slope_standard_error, 0.0706202695, 8);
    assert_digits(scaled.intercept_standard_error, 0.3592465226, 9);
    let exact = line.covariance(Convention::ExactPropagation);
    // To half a unit of the last digit quoted.
    assert!((exact.slope_standard_error - 0.057617).abs() <= 0.5e-6, "{exact:?}");
    assert!((exact.intercept_standard_error - 0.29193).abs() <= 0.5e-5, "{exact:?}");
    let observed = line.covariance(Convention::ObservedPoints);
    assert_digits(observed.slope_standard_error, 0.0583021, 6);
    assert_digits(observed.intercept_standard_error, 0.2971258, 6);
}

/// The exact propagation against numerical derivatives of the whole fit: closed form of first-order propagation.
#[test]
fn exact_propagation_is_the_derivative_of_the_fit() {
    let [x, sx, y, sy, _] = pearson_york();
    let rho = [0.3, -0.2, 0.5, 0.0, 0.1, -0.6, 0.2, 0.4, -0.1, 0.7];
    let line = york(&x, &sx, &y, &sy, &rho).unwrap();
    let (mut vb, mut va, mut vab) = (0.0, 0.0, 0.0);
    for i in 0..x.len() {
        let derivative = |in_x: bool| {
            let h = 1e-5;
            let at = |step: f64| {
                let (mut x, mut y) = (x.clone(), y.clone());
                if in_x {
                    x[i] += step;
                } else {
                    y[i] += step;
                }
                let line = york(&x, &sx, &y, &sy, &rho).unwrap();
                (line.slope(), line.intercept())
            };
            let (up, down) = (at(h), at(-h));
            ((up.0 - down.0) / (2.0 * h), (up.1 - down.1) / (2.0 * h))
        };
        let (dx, dy) = (derivative(true), derivative(false));
        let cov = rho[i] * sx[i] * sy[i];
        let form = |p: (f64, f64), q: (f64, f64)| {
            sx[i] * sx[i] * p.0 * q.0 + sy[i] * sy[i] * p.1 * q.1 + cov * (p.0 * q.1 + p.1 * q.0)
        };
        vb += form((dx.0, dy.0), (dx.0, dy.0));
        va += form((dx.1, dy.1), (dx.1, dy.1));
        vab += form((dx.0, dy.0), (dx.1, dy.1));
    }
    let exact = line.covariance(Convention::ExactPropagation);
    assert_digits(exact.slope_standard_error, f64::sqrt(vb), 7);
    assert_digits(exact.intercept_standard_error, f64::sqrt(va), 7);
    assert_digits(exact.covariance, vab, 6);
}

/// With equal errors and no correlation York's line is Deming's; with exact x it is weighted least squares.
#[test]
fn york_contains_its_special_cases() {
    let (x, y) = (column("deming_10.csv", "x"), column("deming_10.csv", "y"));
    let n = x.len();
    let line = york(&x, &vec![0.032_f64.sqrt(); n], &y, &vec![0.008_f64.sqrt(); n], &vec![0.0; n]).unwrap();
    assert_digits(line.slope(), 1.00119422781949, 13);
    // Swapping x and y gives the inverse line (York's criterion does not know which is which).
    let [x, sx, y, sy, rho] = pearson_york();
    let (there, back) = (york(&x, &sx, &y, &sy, &rho).unwrap(), york(&y, &sy, &x, &sx, &rho).unwrap());
    assert_digits(there.slope() * back.slope(), 1.0, 12);
    assert_digits(there.chi_squared(), back.chi_squared(), 12);
    // Exact x, equal errors of y: least squares, whose standard errors are s-free times the given error.
    let line = york(&x, &[0.0; 10], &y, &[0.5; 10], &rho).unwrap();
    let fit = ordinary_least_squares(&[&x], &y, Intercept::Fitted).unwrap();
    assert_digits(line.slope(), -0.5395772750, 9);
    assert_digits(line.intercept(), 5.7611851904, 10);
    assert_digits(line.slope(), fit.coefficients()[1], 13);
    let s = fit.residual_standard_deviation();
    assert_digits(line.slope_standard_error(), fit.standard_errors()[1] / s * 0.5, 12);
    assert_digits(line.intercept_standard_error(), fit.standard_errors()[0] / s * 0.5, 12);
    assert_digits(line.covariance(Convention::AdjustedPoints).covariance, fit.covariance_row(0)[1] / s / s * 0.25, 12);
}

/// No valley is missed: on random pairs with very unequal errors, no line of a fine scan is better.
#[test]
fn york_finds_the_global_minimum() {
    let mut state = 12345_u64;
    let mut uniform = || {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        f64::from(u32::try_from(state >> 32).unwrap()) / f64::from(u32::MAX)
    };
    for round in 0..200 {
        let n = 3 + round % 6;
        let x: Vec<f64> = (0..n).map(|_| uniform()).collect();
        let y: Vec<f64> = (0..n).map(|_| uniform()).collect();
        let sx: Vec<f64> = (0..n).map(|_| 10f64.powf(-3.0 * uniform())).collect();
        let sy: Vec<f64> = (0..n).map(|_| 10f64.powf(-3.0 * uniform())).collect();
        let Ok(line) = york(&x, &sx, &y, &sy, &vec![0.0; n]) else { continue };
        let chi = |b: f64| {
            let w: Vec<f64> = (0..n).map(|i| 1.0 / (sy[i] * sy[i] + b * b * sx[i] * sx[i])).collect();
            let sw: f64 = w.iter().sum();
            let a = (0..n).map(|i| w[i] * (y[i] - b * x[i])).sum::<f64>() / sw;
            (0..n).map(|i| w[i] * (y[i] - a - b * x[i]).powi(2)).sum::<f64>()
        };
        assert_digits(line.chi_squared(), chi(line.slope()), 9);
        for k in -20_000..20_000 {
            let b = (f64::from(k) * std::f64::consts::PI / 40_000.0).tan();
            assert!(chi(b) >= line.chi_squared() * (1.0 - 1e-9), "slope {b} is better than {}", line.slope());
        }
    }
}

#[test]
fn york_decides_its_degenerate_shapes() {
    let (x, y) = ([1.0, 2.0, 4.0], [1.0, 3.0, 7.0]);
    let (e, none) = ([0.1; 3], [0.0; 3]);
    // Two pairs: the line through both; nothing left to judge it by.
    let line = york(&x[..2], &e[..2], &y[..2], &e[..2], &none[..2]).unwrap();
    assert_digits(line.slope(), 2.0, 13);
    assert_eq!((line.p_value(), line.reduced_chi_squared(), line.degrees_of_freedom()), (None, None, 0));
    // σ_b = √(σ_y² + b² σ_x²)·√2 / Δx for two pairs with equal errors.
    assert_digits(line.slope_standard_error(), f64::sqrt(0.01 * 5.0 * 2.0), 12);
    // A perfect line, with ordinary and with huge weights.
    for scale in [1.0, 1e-9] {
        let e = [0.1 * scale; 3];
        let line = york(&x, &e, &y, &e, &none).unwrap();
        assert_digits(line.slope(), 2.0, 13);
        assert_digits(line.intercept(), -1.0, 12);
        assert!(line.chi_squared() < 1e-10);
    }
    let kind = |x: &[f64], sx: &[f64], y: &[f64], sy: &[f64]| york(x, sx, y, sy, &none).unwrap_err().kind().clone();
    assert!(matches!(kind(&[2.0; 3], &e, &y, &e), ErrorKind::NotEstimable { .. }));
    assert!(matches!(kind(&[2.0; 3], &e, &[1.0; 3], &e), ErrorKind::NotEstimable { .. }));
    assert!(matches!(kind(&x, &none, &y, &none), ErrorKind::InvalidOption { .. }));
    assert!(matches!(kind(&x, &[0.1, 0.0, 0.1], &y, &[0.1, 0.0, 0.1]), ErrorKind::InvalidOption { .. }));
    assert!(matches!(kind(&x, &[-0.1; 3], &y, &e), ErrorKind::InvalidOption { .. }));
    let error = york(&x[..1], &e[..1], &y[..1], &e[..1], &none[..1]).unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::TooFew { .. }));
    let error = york(&x, &e, &y, &e, &[1.0; 3]).unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::InvalidOption { .. }));
    // All y the same: horizontal.
    assert!(york(&x, &e, &[3.0; 3], &e, &none).unwrap().slope().abs() < 1e-12);
    // Exact y and a horizontal line would have infinite weights; the answer is an error or finite, never NaN.
    if let Ok(line) = york(&x, &e, &[3.0; 3], &none, &none) {
        assert!(line.slope().is_finite());
    }
    // Units do not matter, over 200 orders of magnitude.
    let [x, sx, y, sy, rho] = pearson_york();
    for scale in [1e-100, 1e100] {
        let by = |v: &[f64]| v.iter().map(|v| v * scale).collect::<Vec<_>>();
        let line = york(&by(&x), &by(&sx), &y, &sy, &rho).unwrap();
        assert_digits(line.slope() * scale, -0.48053340744620, 12);
    }
}

// ---------------------------------------------------------------- intrinsic scatter

/// Pearson's data with York's weights and an intrinsic scatter, maximum likelihood: gradient zero in 40-digit
/// arithmetic, two optimisers agreeing.
#[test]
fn maximum_likelihood_scatter_reaches_the_40_digit_solution() {
    let [x, sx, y, sy, rho] = pearson_york();
    let fit = york_with_scatter(&x, &sx, &y, &sy, &rho, ScatterEstimator::MaximumLikelihood).unwrap();
    assert_digits(fit.line().intercept(), 5.466956132575, 12);
    assert_digits(fit.line().slope(), -0.474969113516, 11);
    assert_digits(fit.intrinsic_scatter(), 0.167535666071, 10);
    assert_digits(fit.objective(), -5.2516249154226, 12);
    assert_eq!(fit.scatter(), Scatter::Interior);
}

/// BCG vaccine trials (Colditz et al. 1994), meta-regression on latitude: the same model with exact x.
/// Printed to 4 digits in Viechtbauer, J. Stat. Softw. 36(3), 2010; the further digits from bisection of the
/// likelihood equation in 50-digit arithmetic.
#[test]
fn scatter_without_error_of_x_is_meta_regression() {
    let (x, y) = (column("bcg_meta.csv", "ablat"), column("bcg_meta.csv", "yi"));
    let sy: Vec<f64> = column("bcg_meta.csv", "vi").iter().map(|v| v.sqrt()).collect();
    let none = vec![0.0; x.len()];
    let fit = york_with_scatter(&x, &none, &y, &sy, &none, ScatterEstimator::Restricted).unwrap();
    assert_digits(fit.intrinsic_scatter().powi(2), 0.0763479639551980, 12);
    assert_digits(fit.line().intercept(), 0.25146821000737, 12);
    assert_digits(fit.line().slope(), -0.0291017250116, 11);
    assert_digits(fit.line().intercept_standard_error(), 0.24909539661675, 12);
    assert_digits(fit.line().slope_standard_error(), 0.00719532722090, 12);
    let fit = york_with_scatter(&x, &none, &y, &sy, &none, ScatterEstimator::MaximumLikelihood).unwrap();
    assert_digits(fit.intrinsic_scatter().powi(2), 0.0343514424812349, 12);
}

/// BCG vaccine trials without covariate: REML, ML, Q and DerSimonian–Laird (printed to 4 digits in
/// Viechtbauer 2010; the further digits from bisection of the likelihood equation in 50-digit arithmetic).
#[test]
fn random_effects_reach_the_bcg_values() {
    let y = column("bcg_meta.csv", "yi");
    let sy: Vec<f64> = column("bcg_meta.csv", "vi").iter().map(|v| v.sqrt()).collect();
    let fit = random_effects(&y, &sy, ScatterEstimator::Restricted).unwrap();
    assert_digits(fit.intrinsic_scatter().powi(2), 0.3132432581364805, 13);
    assert_digits(fit.mean(), -0.7145323421581, 12);
    assert_digits(fit.standard_error(), 0.17978151610520, 12);
    assert_digits(fit.cochran_q().unwrap(), 152.2330080824, 12);
    // Q profile: τ² from 0.1197 to 1.1115 (Viechtbauer, Stat. Med. 26 (2007), the same data).
    let (low, high) = fit.intrinsic_scatter_limits(0.95).unwrap();
    assert!((low * low - 0.1197).abs() < 5e-5 && (high * high - 1.1115).abs() < 5e-5, "{} {}", low * low, high * high);
    assert_digits(fit.dersimonian_laird_scatter().powi(2), 0.3087602629, 9);
    assert_eq!(fit.degrees_of_freedom(), 12);
    let fit = random_effects(&y, &sy, ScatterEstimator::MaximumLikelihood).unwrap();
    assert_digits(fit.intrinsic_scatter().powi(2), 0.2800281372686435, 13);
}

/// Equal errors: REML τ² = s² − v, the mean is plain, and its Hartung–Knapp standard error is s/√n. Closed form.
#[test]
fn balanced_random_effects_have_a_closed_form() {
    let d = [0.1, 0.5, -0.2, 0.9, 0.4];
    let m = d.iter().sum::<f64>() / 5.0;
    let s2 = d.iter().map(|v| (v - m) * (v - m)).sum::<f64>() / 4.0;
    let v = 0.02_f64;
    let fit = random_effects(&d, &[v.sqrt(); 5], ScatterEstimator::Restricted).unwrap();
    assert_digits(fit.mean(), m, 14);
    assert_digits(fit.intrinsic_scatter().powi(2), s2 - v, 12);
    assert_digits(fit.hartung_knapp_standard_error(), (s2 / 5.0).sqrt(), 12);
    assert_digits(fit.standard_error(), (s2 / 5.0).sqrt(), 12);
    // Q profile: 4 s²/χ² − v. R: qchisq(c(0.025, 0.975), 4).
    let (low, high) = fit.intrinsic_scatter_limits(0.95).unwrap();
    assert_digits(high * high, 4.0 * s2 / 0.48441855708793 - v, 11);
    assert_digits(low * low, 4.0 * s2 / 11.1432867818778 - v, 11);
    // Errors that explain the scatter: the boundary, where only Hartung-Knapp shrinks below √(v/n).
    let fit = random_effects(&d, &[1.0; 5], ScatterEstimator::Restricted).unwrap();
    assert_eq!((fit.intrinsic_scatter(), fit.scatter()), (0.0, Scatter::Boundary));
    assert_digits(fit.standard_error(), (1.0_f64 / 5.0).sqrt(), 14);
    assert_digits(fit.hartung_knapp_standard_error(), (s2 / 5.0).sqrt(), 12);
    // χ² with 4 degrees of freedom: 5 % quantile 0.710723021397324 (R qchisq); s² = 0.163 is above that share.
    assert_digits(fit.observed_variance(), 0.710723021397324_f64.max(4.0 * s2) / 4.0, 12);
    let lucky = random_effects(&[0.3; 5], &[1.0; 5], ScatterEstimator::Restricted).unwrap();
    assert_digits(lucky.small_sample_standard_error(), (0.710723021397324_f64 / 4.0 / 5.0).sqrt(), 11);
    assert_digits(lucky.typical_variance(), 1.0, 13);
    // No errors: the mean and standard deviation of the values.
    let fit = random_effects(&d, &[0.0; 5], ScatterEstimator::Restricted).unwrap();
    assert_digits(fit.intrinsic_scatter().powi(2), s2, 13);
    assert_digits(fit.small_sample_standard_error(), (s2 / 5.0).sqrt(), 13);
    assert_eq!(fit.cochran_q(), None);
    // All equal, no errors.
    let fit = random_effects(&[0.3; 3], &[0.0; 3], ScatterEstimator::Restricted).unwrap();
    assert_eq!((fit.mean(), fit.small_sample_standard_error(), fit.intrinsic_scatter()), (0.3, 0.0, 0.0));
    // Two values: the least there can be. Huge weights: as without errors.
    let fit = random_effects(&[0.0, 1.0], &[1e-9; 2], ScatterEstimator::Restricted).unwrap();
    assert_digits(fit.intrinsic_scatter().powi(2), 0.5, 12);
    for bad in [&[0.1, 0.0][..], &[-0.1, 0.1], &[f64::NAN, 0.1]] {
        let error = random_effects(&[0.0, 1.0], bad, ScatterEstimator::Restricted).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::InvalidOption { .. }), "{error}");
    }
    let error = random_effects(&[0.0], &[0.1], ScatterEstimator::Restricted).unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::TooFew { .. }), "{error}");
}

#[test]
fn scatter_lines_decide_their_degenerate_shapes() {
    let (x, y) = ([1.0, 2.0, 3.0, 4.0, 5.0], [1.1, 1.9, 3.2, 3.9, 5.3]);
    let none = [0.0; 5];
    // No errors: least squares, τ the residual standard deviation. Closed form.
    let fit = york_with_scatter(&x, &none, &y, &none, &none, ScatterEstimator::Restricted).unwrap();
    let least = ordinary_least_squares(&[&x], &y, Intercept::Fitted).unwrap();
    assert_digits(fit.line().slope(), least.coefficients()[1], 13);
    assert_digits(fit.intrinsic_scatter(), least.residual_standard_deviation(), 12);
    assert_digits(fit.line().slope_standard_error(), least.standard_errors()[1], 12);
    assert_digits(fit.line().intercept_standard_error(), least.standard_errors()[0], 12);
    // Equal errors of y only: τ² = s² − v (restricted), RSS/n − v (maximum likelihood). Closed form.
    let s2 = least.residual_standard_deviation().powi(2);
    let fit = york_with_scatter(&x, &none, &y, &[0.05; 5], &none, ScatterEstimator::Restricted).unwrap();
    assert_digits(fit.intrinsic_scatter().powi(2), s2 - 0.0025, 11);
    // Q profile. R: qchisq(0.025, 3).
    let (_, high) = fit.intrinsic_scatter_limits(0.95).unwrap();
    assert_digits(high * high, 3.0 * s2 / 0.215795282623898 - 0.0025, 10);
    assert!(fit.intrinsic_scatter_limits(95.0).is_err());
    let fit = york_with_scatter(&x, &none, &y, &[0.05; 5], &none, ScatterEstimator::MaximumLikelihood).unwrap();
    assert_digits(fit.intrinsic_scatter().powi(2), s2 * 3.0 / 5.0 - 0.0025, 11);
    // Errors that explain everything: the boundary, and York's line.
    let fit = york_with_scatter(&x, &[0.5; 5], &y, &[0.5; 5], &none, ScatterEstimator::Restricted).unwrap();
    assert_eq!((fit.intrinsic_scatter(), fit.scatter()), (0.0, Scatter::Boundary));
    assert_eq!(fit.line(), &york(&x, &[0.5; 5], &y, &[0.5; 5], &none).unwrap());
    // A perfect line, with and without errors.
    let perfect = x.map(|v| 2.0 * v - 1.0);
    for e in [[0.0; 5], [0.1; 5], [1e-9; 5]] {
        let fit = york_with_scatter(&x, &e, &perfect, &e, &none, ScatterEstimator::Restricted).unwrap();
        assert_digits(fit.line().slope(), 2.0, 12);
        assert!(fit.intrinsic_scatter() < 1e-9, "{}", fit.intrinsic_scatter());
    }
    let kind = |n: usize, x: &[f64], e: &[f64]| {
        york_with_scatter(&x[..n], &e[..n], &y[..n], &e[..n], &none[..n], ScatterEstimator::Restricted)
            .unwrap_err()
            .kind()
            .clone()
    };
    assert!(matches!(kind(2, &x, &[0.1; 5]), ErrorKind::TooFew { needed: 3, found: 2, .. }));
    assert!(matches!(kind(5, &[2.0; 5], &[0.1; 5]), ErrorKind::NotEstimable { .. }));
    assert!(matches!(kind(5, &x, &[0.1, 0.1, 0.0, 0.1, 0.1]), ErrorKind::InvalidOption { .. }));
    // Three pairs are enough.
    let e = [0.01; 3];
    let fit = york_with_scatter(&x[..3], &e, &y[..3], &e, &none[..3], ScatterEstimator::Restricted).unwrap();
    assert_eq!(fit.line().degrees_of_freedom(), 1);
    assert!(fit.intrinsic_scatter() > 0.0);
    // Identical pairs twice over change nothing but the weight: the line is the same.
    let twice = |v: &[f64]| [v, v].concat();
    let single = york(&x, &[0.1; 5], &y, &[0.2; 5], &none).unwrap();
    let double = york(&twice(&x), &[0.1; 10], &twice(&y), &[0.2; 10], &[0.0; 10]).unwrap();
    assert_digits(double.slope(), single.slope(), 13);
    assert_digits(double.slope_standard_error(), single.slope_standard_error() / f64::sqrt(2.0), 12);
}

// ---------------------------------------------------------------- two one-sided tests

/// EMA reference data set II: estimate and standard error by least squares with all effects fixed; the 90 % interval
/// as published (97.32 to 107.46 %).
#[test]
fn tost_reaches_the_ema_reference_interval() {
    let (header, rows) = table("ema_dataset2.csv");
    let at = |name: &str| header.iter().position(|h| h == name).unwrap();
    let (subject, period, treatment, pk) = (at("subject"), at("period"), at("treatment"), at("PK"));
    let y: Vec<f64> = rows.iter().map(|r| r[pk].parse::<f64>().unwrap().ln()).collect();
    let dummy =
        |k: usize, level: &str| -> Vec<f64> { rows.iter().map(|r| f64::from(u8::from(r[k] == level))).collect() };
    // Sequence is a combination of the subjects, so their columns carry it.
    let mut columns = vec![dummy(treatment, "T"), dummy(period, "2"), dummy(period, "3")];
    columns.extend((2..=24).map(|s| dummy(subject, &s.to_string())));
    let slices: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    let fit = ordinary_least_squares(&slices, &y, Intercept::Fitted).unwrap();
    let (estimate, se) = (fit.coefficients()[1], fit.standard_errors()[1]);
    assert_eq!(fit.degrees_of_freedom(), 45);
    assert_digits(estimate.exp(), 1.0226439966636, 12);
    assert_digits(se, 0.02953557503, 9);

    let test = tost(estimate, se, Some(45.0), (0.80, 1.25), 0.05).unwrap();
    assert_digits(test.ratio().lower(), 0.97315546870780, 12);
    assert_digits(test.ratio().upper(), 1.07464919793410, 12);
    assert_digits(test.ratio().level(), 0.90, 15);
    assert_digits(test.lower_statistic(), 8.31319444752, 10);
    assert_digits(test.upper_statistic(), 6.796960074058, 11);
    assert_digits(test.lower_p_value(), 6.06e-11, 2);
    assert_digits(test.upper_p_value(), 1.02e-8, 2);
    assert!(test.equivalent());
    // At its own smallest bounds the test is on the edge.
    let (r, inverse) = test.smallest_bounds();
    assert_digits(r * inverse, 1.0, 15);
    assert_digits(inverse, 1.07464919793410, 11);
    let edge = tost(estimate, se, Some(45.0), (r, inverse), 0.05).unwrap();
    assert_digits(edge.p_value(), 0.05, 9);
    assert!(tost(estimate, se, Some(45.0), (r * (1.0 - 1e-9), inverse * (1.0 + 1e-9)), 0.05).unwrap().equivalent());
    assert!(!tost(estimate, se, Some(45.0), (r * (1.0 + 1e-9), inverse * (1.0 - 1e-9)), 0.05).unwrap().equivalent());
}

#[test]
fn tost_refuses_what_makes_no_test() {
    let bad = |est: f64, se: f64, df: Option<f64>, bounds: (f64, f64), alpha: f64| {
        let error = tost(est, se, df, bounds, alpha).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::InvalidOption { .. }), "{error}");
    };
    bad(f64::NAN, 0.1, None, (0.8, 1.25), 0.05);
    bad(0.0, 0.0, None, (0.8, 1.25), 0.05);
    bad(0.0, 0.1, Some(0.0), (0.8, 1.25), 0.05);
    bad(0.0, 0.1, None, (1.25, 0.8), 0.05);
    bad(0.0, 0.1, None, (-0.8, 1.25), 0.05);
    bad(0.0, 0.1, None, (0.8, 1.25), 0.5);
    // Normal: the interval is that of Φ⁻¹(0.95) = 1.6448536269514722.
    let test = tost(0.0, 0.1, None, (0.8, 1.25), 0.05).unwrap();
    assert_digits(test.ratio().upper(), 0.164_485_362_695_147_22_f64.exp(), 13);
}

/// Holm, Scand. J. Stat. 6 (1979) 65: the k-th smallest of m p-values is multiplied by m − k + 1, then made monotone.
#[test]
fn holm_steps_down() {
    let adjusted = holm(&[0.01, 0.04, 0.03, 0.005]);
    for (got, want) in adjusted.iter().zip([0.03, 0.06, 0.06, 0.02]) {
        assert_digits(*got, want, 14);
    }
    assert!(holm(&[]).is_empty());
}

// ---------------------------------------------------------------- lines

/// Miller and Miller, Statistics and Chemometrics for Analytical Chemistry, chapter 5: fluorescence of fluorescein.
#[test]
fn a_calibration_line_is_read_backwards() {
    let (x, y) =
        (column("fluorescein_calibration.csv", "concentration"), column("fluorescein_calibration.csv", "intensity"));
    let line = ordinary_least_squares(&[&x], &y, Intercept::Fitted).unwrap();
    let (a, b) = (line.coefficients()[0], line.coefficients()[1]);
    let covariance = |i: usize, j: usize| line.covariance_row(i)[j];
    for (y0, x0, se) in [
        (2.9, 0.716003700278, 0.264569770970),
        (13.5, 6.207215541166, 0.239754222703),
        (23.0, 11.128584643848, 0.263193259255),
    ] {
        let read = (y0 - a) / b;
        assert_digits(read, x0, 11);
        let scatter = line.residual_standard_deviation().powi(2) + covariance(0, 0);
        let variance = (scatter + read * (2.0 * covariance(0, 1) + read * covariance(1, 1))) / (b * b);
        assert_digits(variance.sqrt(), se, 10);
    }
}

/// JCGM 100:2008 (GUM), example H.3: calibration of a thermometer about 20 °C, coefficients with correlation −0.930, and
/// the correction at 30 °C from both and their covariance.
#[test]
fn a_line_is_predicted_with_correlated_coefficients() {
    let t: Vec<f64> = column("gum_h3.csv", "t_k").iter().map(|t| t - 20.0).collect();
    let line = ordinary_least_squares(&[&t], &column("gum_h3.csv", "b_k"), Intercept::Fitted).unwrap();
    assert_digits(line.coefficients()[0], -0.171203790131, 10);
    assert_digits(line.coefficients()[1], 0.002182697740, 9);
    assert_digits(line.standard_errors()[0], 0.002877597835, 9);
    assert_digits(line.standard_errors()[1], 0.000667938773, 9);
    assert_digits(line.residual_standard_deviation(), 0.003497563964, 9);
    let r = line.covariance_row(0)[1] / (line.standard_errors()[0] * line.standard_errors()[1]);
    assert_digits(r, -0.930429603093, 10);
    let (value, error) = line.value_at(&[10.0]).unwrap();
    assert_digits(value, -0.149376812732, 10);
    assert_digits(error, 0.004138595753, 9);
    for bad in [&[][..], &[1.0, 2.0], &[f64::NAN]] {
        assert!(matches!(line.value_at(bad).unwrap_err().kind(), ErrorKind::InvalidOption { .. }));
    }
}

// ---------------------------------------------------------------- means of classes

/// Dyestuff yields (Davies and Goldsmith 1972): lme4's variances and predictors, Henderson's prediction error
/// (`tests/reference/r/class_effects.R`).
#[test]
fn class_means_are_shrunk_as_lme4_does() {
    let (_, rows) = table("lme4_dyestuff.csv");
    let classes: Vec<Option<&str>> = rows.iter().map(|r| Some(r[0].as_str())).collect();
    let y = column("lme4_dyestuff.csv", "Yield");
    let fit = class_effects(&y, &[0.0; 30], &classes, ScatterEstimator::Restricted).unwrap();
    assert_digits(fit.within_scatter().powi(2), 2451.25, 12);
    assert_digits(fit.between_scatter().powi(2), 1764.05, 10);
    assert_digits(fit.mean(), 1527.5, 12);
    assert_digits(fit.standard_error(), 19.3834121523, 10);
    assert_eq!(fit.within_degrees_of_freedom(), 24);
    let wanted =
        [-17.606851366879, 0.391263363708, 28.562225550712, -23.084538458797, 56.733187737718, -44.995286826467];
    for (i, want) in wanted.iter().enumerate() {
        let p = fit.prediction(i).unwrap();
        assert_digits(p.mean - fit.mean(), *want, 7);
        assert_digits(p.standard_error, 20.0350469545, 10);
    }
    assert!(fit.prediction(6).is_none());
    // A further batch: the mean, with all the scatter between batches.
    let further = fit.new_class();
    assert_digits(further.standard_error.powi(2), 1764.05 + 19.3834121523_f64.powi(2), 10);
    assert_eq!(further.own_weight, 0.0);
}

/// Twelve values with equal known variances in four classes: metafor's multilevel REML (same script).
#[test]
fn class_means_with_known_errors_agree_with_multilevel_reml() {
    let d = [0.91, 0.62, 1.10, 0.35, 0.05, 0.44, 1.52, 0.98, 1.30, 0.70, 0.81, 0.33];
    let classes = ["a", "a", "a", "b", "b", "b", "c", "c", "c", "d", "d", "d"].map(Some);
    let fit = class_effects(&d, &[0.02_f64.sqrt(); 12], &classes, ScatterEstimator::Restricted).unwrap();
    assert_digits(fit.between_scatter().powi(2), 0.1543185334484, 6);
    assert_digits(fit.within_scatter().powi(2), 0.0392749974063, 6);
    assert_digits(fit.mean(), 0.759166666667, 11);
    assert_digits(fit.standard_error(), 0.208612599043, 6);
    for (i, want) in [0.104163339480, -0.424779575895, 0.449896976904, -0.129280740490].iter().enumerate() {
        assert_digits(fit.prediction(i).unwrap().mean - fit.mean(), *want, 6);
    }
    assert_digits(fit.observed_variance(), 0.059275, 5);
    assert_digits(fit.typical_variance(), 0.02, 12);
}

#[test]
fn class_means_at_their_limits() {
    let classes = [Some("a"), Some("a"), Some("b"), Some("b"), None];
    let estimator = ScatterEstimator::Restricted;
    // Classes that agree: everything is pooled, whatever their number.
    let same = class_effects(&[1.0, 1.3, 1.1, 1.2, 1.15], &[0.1; 5], &classes, estimator).unwrap();
    assert_eq!((same.between(), same.between_scatter()), (Scatter::Boundary, 0.0));
    assert_eq!(same.prediction(0).unwrap().own_weight, 0.0);
    assert_digits(same.prediction(0).unwrap().mean, same.mean(), 13);
    assert_eq!(same.groups().iter().map(|g| g.class.as_deref()).collect::<Vec<_>>(), [Some("a"), Some("b"), None]);
    // Classes far apart: each keeps its own mean, nearly.
    let apart = class_effects(&[1.0, 1.1, 9.0, 9.1, 5.0], &[0.1; 5], &classes, estimator).unwrap();
    assert!(apart.prediction(0).unwrap().own_weight > 0.99);
    assert!((apart.prediction(0).unwrap().mean - 1.05).abs() < 0.02);
    let few = |r: Result<surface_severity::equivalence::ClassEffects>| {
        assert!(matches!(r.unwrap_err().kind(), ErrorKind::TooFew { .. }));
    };
    few(class_effects(&[1.0, 2.0], &[0.1; 2], &[Some("a"); 2], estimator));
    few(class_effects(&[1.0, 2.0], &[0.1; 2], &[Some("a"), None], estimator));
    let error =
        class_effects(&[1.0, 2.0, 3.0], &[0.1, 0.0, 0.1], &[Some("a"), Some("a"), None], estimator).unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::InvalidOption { .. }), "{error}");
    let error = class_effects(&[1.0, 1.0, 3.0], &[0.0; 3], &[Some("a"), Some("a"), None], estimator).unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::NotEstimable { .. }), "{error}");
}
