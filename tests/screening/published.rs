//! Published examples and tables.

use surface_severity::screening::{Side, grubbs, grubbs_critical_value, mad, median};

/// Tietjen & Moore 1972, as worked in the NIST/SEMATECH e-Handbook, 1.3.5.17.1: G = 2.4687,
/// one-sided 5 % critical value 2.032, one outlier. Further digits: R 4.2.2.
#[test]
fn grubbs_mass_spectrometer() {
    let y = super::numbers("grubbs_mass_spec.csv", "y");
    let found = grubbs(&y, 0.05, Side::High).unwrap().unwrap();
    assert_eq!(found.position, 7);
    assert!((found.statistic - 2.468_764_611_212_45).abs() < 1e-12);
    assert!((found.critical_value - 2.0317).abs() < 5e-5);
    assert!(found.statistic > found.critical_value && found.p_value < 1e-5);
    // The low end of the same sample is unremarkable.
    assert!(grubbs(&y, 0.05, Side::Low).unwrap().unwrap().p_value > 0.9);
}

/// Critical values to the four decimals of R's t quantile; they are those of ASTM E178
/// (one-sided) and ISO 5725-2 Table 5 (two-sided) to the three decimals printed there.
#[test]
fn grubbs_critical_values() {
    for (n, high5, high1, both5, both1) in [
        (3, 1.1531, 1.1546, 1.1543, 1.1547),
        (4, 1.4625, 1.4925, 1.4813, 1.4963),
        (5, 1.6714, 1.7489, 1.7150, 1.7637),
        (6, 1.8221, 1.9442, 1.8871, 1.9728),
        (8, 2.0317, 2.2208, 2.1266, 2.2744),
        (10, 2.1761, 2.4097, 2.2900, 2.4821),
        (15, 2.4090, 2.7049, 2.5483, 2.8061),
        (20, 2.5566, 2.8838, 2.7082, 3.0008),
        (30, 2.7451, 3.1029, 2.9085, 3.2361),
    ] {
        for (side, significance, want) in
            [(Side::High, 0.05, high5), (Side::Low, 0.01, high1), (Side::Both, 0.05, both5), (Side::Both, 0.01, both1)]
        {
            let got = grubbs_critical_value(n, significance, side).unwrap();
            assert!((got - want).abs() < 5.1e-5, "n = {n}, {side:?} {significance}: {got} {want}");
        }
    }
}

/// R MASS `chem` (24 determinations of copper): median 3.385, MAD × 1.4826 = 0.526323.
#[test]
fn median_and_mad_of_copper_in_flour() {
    let y = super::numbers("mass_chem.csv", "copper");
    assert!((median(&y).unwrap().unwrap() - 3.385).abs() < 1e-12);
    assert!((1.4826 * mad(&y).unwrap().unwrap() - 0.526_323).abs() < 1e-12);
}

/// NIST StRD Michelso: the mean squares that Grubbs' statistic rests on keep their digits.
/// G of the largest value, 300.07: (300.07 − 299.8524)/0.0790105478190518.
#[test]
fn grubbs_keeps_its_digits_on_michelson() {
    let y = super::numbers("nist_michelso.csv", "y");
    let found = grubbs(&y, 0.05, Side::Both).unwrap().unwrap();
    let extreme = y[found.position];
    let want = (extreme - 299.8524).abs() / 0.079_010_547_819_051_8;
    assert!((found.statistic / want - 1.0).abs() < 1e-11, "{} {want}", found.statistic);
}
