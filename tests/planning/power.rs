//! Power of the two one-sided tests.

use surface_severity::planning::tost_power;

use crate::close;

/// Published by the R package PowerTOST (documentation of `power.TOST`, `exppower.TOST` and `sampleN.TOST`, README, and the
/// package's own record of large samples): two-period crossover with standard error s √(2/n) and n − 2 degrees of freedom, or
/// two groups; bounds 0.80 to 1.25, α = 0.05, s² = log(1 + CV²).
#[test]
fn powers_agree_with_those_published() {
    let s2 = |cv: f64| (1.0 + cv * cv).ln();
    for (cv, n, ratio, want) in [
        (0.20, 20.0, 0.95, 0.834_680),
        (0.30, 40.0, 0.95, 0.815_845_3),
        (0.25, 24.0, 0.95, 0.739_115_5),
        (0.39, 7000.0, 1.24, 0.351_188_9),
        (0.385, 7000.0, 1.24, 0.356_878_4),
        (0.38, 7000.0, 1.24, 0.362_755_4),
    ] {
        let se = (s2(cv) * 2.0_f64 / n).sqrt();
        let got = tost_power(f64::ln(ratio), se, Some(n - 2.0), (0.8, 1.25), 0.05).unwrap();
        assert!((got - want).abs() < 6e-7, "CV {cv}, n {n}: {got}, published {want}");
    }
    for (cv, n1, n2, ratio, want) in [(0.35, 52.0, 49.0, 0.95, 0.801_118_6), (0.36, 75.0, 70.0, 0.93, 0.825_636_2)] {
        let se = (s2(cv) * (1.0_f64 / n1 + 1.0 / n2)).sqrt();
        let got = tost_power(f64::ln(ratio), se, Some(n1 + n2 - 2.0), (0.8, 1.25), 0.05).unwrap();
        assert!((got - want).abs() < 6e-8, "CV {cv}: {got}, published {want}");
    }
}

/// Owen's Q integrated in R: tests/reference/r/planning.R.
#[test]
fn powers_agree_with_owens_q() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/values/tost_power.csv");
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(path).unwrap();
    let mut rows = 0;
    for record in reader.records() {
        let v: Vec<f64> = record.unwrap().iter().map(|x| x.trim().parse().unwrap()).collect();
        let got = tost_power(v[0], v[1], Some(v[2]), (v[3], v[4]), v[5]).unwrap();
        assert!((got - v[6]).abs() < 2e-10, "{v:?}: {got}");
        rows += 1;
    }
    assert_eq!(rows, 46);
}

/// With a known standard error: two normal tails.
#[test]
fn a_known_standard_error_gives_normal_tails() {
    // R 4.2.2: 2 * pnorm(log(1.25) / 0.1 - qnorm(0.95)) - 1.
    let got = tost_power(0.0, 0.1, None, (0.8, 1.25), 0.05).unwrap();
    assert!((got - 0.442_515_449).abs() < 1e-9, "{got}");
    close(tost_power(0.0, 0.1, Some(1e9), (0.8, 1.25), 0.05).unwrap(), got, 1e-6);
    // So wide that nothing can be shown.
    assert!(tost_power(0.0, 0.2, None, (0.8, 1.25), 0.05).unwrap() == 0.0);
    // At a bound the power of a precise test is its level.
    close(tost_power(1.25_f64.ln(), 0.01, Some(20.0), (0.8, 1.25), 0.05).unwrap(), 0.05, 1e-9);
}

#[test]
fn options_out_of_range_are_refused() {
    for result in [
        tost_power(f64::NAN, 0.1, None, (0.8, 1.25), 0.05),
        tost_power(0.0, 0.0, None, (0.8, 1.25), 0.05),
        tost_power(0.0, 0.1, Some(0.0), (0.8, 1.25), 0.05),
        tost_power(0.0, 0.1, Some(-1.0), (0.8, 1.25), 0.05),
        tost_power(0.0, 0.1, Some(f64::NAN), (0.8, 1.25), 0.05),
        tost_power(0.0, 0.1, None, (1.1, 1.25), 0.05),
        tost_power(0.0, 0.1, None, (0.8, 1.25), 0.5),
    ] {
        assert!(result.is_err(), "{result:?}");
    }
}
