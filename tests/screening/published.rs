//! Published examples and tables.

use surface_severity::screening::{
    cochran_critical_value, generalised_esd, mad, mandel_h_critical_value, mandel_k_critical_value, median, precision,
};

use super::{numbers, texts};

/// Tietjen & Moore 1972, as worked in the NIST/SEMATECH e-Handbook, 1.3.5.17.1: G = 2.4687,
/// one-sided 5 % (two-sided 10 %) critical value 2.032, one outlier. Further digits: R 4.2.2.
#[test]
fn grubbs_mass_spectrometer() {
    let y = numbers("grubbs_mass_spec.csv", "y");
    let found = generalised_esd(&y, 1, 0.10).unwrap();
    assert_eq!((found.steps[0].position, found.outliers), (7, 1));
    assert!((found.steps[0].statistic - 2.468_764_611_212_45).abs() < 1e-12);
    assert!((found.steps[0].critical_value - 2.0317).abs() < 5e-5);
}

/// One outlier: critical values to the four decimals of R's t quantile; they are those of ASTM E178
/// (one-sided, so at twice the significance) and ISO 5725-2 Table 5 (two-sided) to the three decimals printed there.
#[test]
fn grubbs_critical_values() {
    for (n, high5, high1, both5, both1) in [
        (4, 1.4625, 1.4925, 1.4813, 1.4963),
        (5, 1.6714, 1.7489, 1.7150, 1.7637),
        (6, 1.8221, 1.9442, 1.8871, 1.9728),
        (8, 2.0317, 2.2208, 2.1266, 2.2744),
        (10, 2.1761, 2.4097, 2.2900, 2.4821),
        (15, 2.4090, 2.7049, 2.5483, 2.8061),
        (20, 2.5566, 2.8838, 2.7082, 3.0008),
        (30, 2.7451, 3.1029, 2.9085, 3.2361),
    ] {
        let sample: Vec<f64> = (0..n).map(f64::from).collect();
        for (significance, want) in [(0.10, high5), (0.02, high1), (0.05, both5), (0.01, both1)] {
            let got = generalised_esd(&sample, 1, significance).unwrap().steps[0].critical_value;
            assert!((got - want).abs() < 5.1e-5, "n = {n}, {significance}: {got} {want}");
        }
    }
}

/// R MASS `chem` (24 determinations of copper): median 3.385, MAD × 1.4826 = 0.526323.
#[test]
fn median_and_mad_of_copper_in_flour() {
    let y = numbers("mass_chem.csv", "copper");
    assert!((median(&y).unwrap().unwrap() - 3.385).abs() < 1e-12);
    assert!((1.4826 * mad(&y).unwrap().unwrap() - 0.526_323).abs() < 1e-12);
}

/// NIST StRD Michelso: the mean squares that Grubbs' statistic rests on keep their digits.
/// G of the largest value, 300.07: (300.07 − 299.8524)/0.0790105478190518.
#[test]
fn grubbs_keeps_its_digits_on_michelson() {
    let y = numbers("nist_michelso.csv", "y");
    let found = generalised_esd(&y, 1, 0.05).unwrap().steps[0];
    let extreme = y[found.position];
    let want = (extreme - 299.8524).abs() / 0.079_010_547_819_051_8;
    assert!((found.statistic / want - 1.0).abs() < 1e-11, "{} {want}", found.statistic);
}

/// Rosner 1983, as worked in the NIST/SEMATECH e-Handbook, 1.3.5.17.3, where three outliers are
/// found although the first two steps by themselves are not significant. Further digits: R 4.2.2.
#[test]
fn generalised_esd_of_rosner() {
    let y = numbers("rosner_54.csv", "y");
    let esd = generalised_esd(&y, 10, 0.05).unwrap();
    let r = [3.118906, 2.942973, 3.179424, 2.810181, 2.815580, 2.848172, 2.279327, 2.310366, 2.101581, 2.067178];
    let lambda = [3.158794, 3.151430, 3.143890, 3.136165, 3.128247, 3.120128, 3.111796, 3.103243, 3.094456, 3.085425];
    let removed = [6.01, 5.42, 5.34, 4.64, -0.25, 4.30, 3.68, 3.59, 0.68, 3.30];
    for (i, step) in esd.steps.iter().enumerate() {
        assert!((step.statistic - r[i]).abs() < 1e-6 && (step.critical_value - lambda[i]).abs() < 1e-6, "{i}");
        assert!((y[step.position] - removed[i]).abs() < 1e-12);
    }
    assert_eq!(esd.outliers, 3);
    // Stopping at the first step that fails would find nothing.
    assert!(esd.steps[0].statistic < esd.steps[0].critical_value);
    assert!(generalised_esd(&y, 0, 0.05).is_err() && generalised_esd(&y[..5], 3, 0.05).is_err());
}

/// ISO 5725-2:1994 Annex B.1, sulfur in coal: m, s_r, s_R as printed there, C, h, k from R 4.2.2.
#[test]
fn cochran_and_mandel_on_sulfur_in_coal() {
    let (level, lab) = (texts("iso5725_sulfur.csv", "level"), texts("iso5725_sulfur.csv", "lab"));
    let y = numbers("iso5725_sulfur.csv", "sulfur");
    let at = |l: u32| -> Vec<Vec<f64>> {
        (1..=8)
            .map(|i| {
                (0..y.len()).filter(|&j| level[j] == l.to_string() && lab[j] == i.to_string()).map(|j| y[j]).collect()
            })
            .collect()
    };
    let largest_c = |p: &surface_severity::screening::Precision| {
        // C of the standard: s² over the plain sum of s².
        let s2: Vec<f64> = p.groups.iter().map(|g| g.standard_deviation.unwrap().powi(2)).collect();
        let (i, s) = s2.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).unwrap();
        (i + 1, s / s2.iter().sum::<f64>())
    };
    for (l, m, sr, s_big, c, who) in [
        (1, 0.690_370, 0.015_116_5, 0.026_363_8, 0.350_230, 8),
        (2, 1.252_308, 0.028_779_2, 0.060_605_8, 0.288_538, 5),
        (3, 1.667_407, 0.017_078_3, 0.034_767_5, 0.579_710, 5),
        (4, 3.249_630, 0.026_076_8, 0.058_216_9, 0.309_575, 4),
    ] {
        let p = precision(&at(l)).unwrap();
        assert!((p.mean - m).abs() < 1e-6 && (p.repeatability - sr).abs() < 1e-6, "{l}: {p:?}");
        assert!((p.reproducibility - s_big).abs() < 1e-6, "{l}: {}", p.reproducibility);
        let (i, got) = largest_c(&p);
        assert!(i == who && (got - c).abs() < 1e-6, "{l}: {i} {got}");
    }
    let h = |l: u32| precision(&at(l)).unwrap().groups.iter().map(|g| g.h.unwrap()).collect::<Vec<_>>();
    for (l, want) in [
        (2, [-0.870, -0.665, 0.741, -0.899, -0.123, 2.089, -0.254, -0.020]),
        (4, [-0.229, -0.944, 2.094, -0.884, -0.658, 0.664, -0.110, 0.068]),
    ] {
        for (got, want) in h(l).iter().zip(want) {
            assert!((got - want).abs() < 6e-4, "{l}: {got} {want}");
        }
    }
    // k with the plain sum of variances, level 3; laboratory 2 at level 4 repeats itself exactly.
    let p = precision(&at(3)).unwrap();
    let sum: f64 = p.groups.iter().map(|g| g.standard_deviation.unwrap().powi(2)).sum();
    for (g, want) in p.groups.iter().zip([0.652, 0.393, 0.393, 0.786, 2.154, 1.180, 0.681, 0.393]) {
        let got = g.standard_deviation.unwrap() * 8f64.sqrt() / sum.sqrt();
        assert!((got - want).abs() < 6e-4, "{got} {want}");
    }
    let p = precision(&at(4)).unwrap();
    assert_eq!((p.groups[1].k, p.groups[1].c), (Some(0.0), Some(0.0)));
    assert!((p.groups[1].scatter_p_value.unwrap() - 1.0).abs() < 1e-12);
}

/// Groups of one size: h, k and C reach their p-values at the critical values.
#[test]
fn critical_values_and_p_values_of_groups_are_one_relation() {
    let mut groups: Vec<Vec<f64>> =
        (0..6).map(|i| (0..4).map(|j| (f64::from(7 * i + 3 * j) * 1.7).sin()).collect()).collect();
    groups[2].iter_mut().for_each(|v| *v *= 4.0);
    let p = precision(&groups).unwrap();
    let g = &p.groups[2];
    let k = mandel_k_critical_value(6, 4, g.scatter_p_value.unwrap()).unwrap();
    assert!((k - g.k.unwrap()).abs() < 1e-8, "{k} {:?}", g.k);
    let c = cochran_critical_value(6, 4, 6.0 * g.scatter_p_value.unwrap()).unwrap();
    assert!((c - g.c.unwrap()).abs() < 1e-8);
    let h = mandel_h_critical_value(6, p.groups[0].h_p_value.unwrap()).unwrap();
    assert!((h - p.groups[0].h.unwrap().abs()).abs() < 1e-9);
}

/// Computed from the F and t distributions with R 4.2.2; the tables of ISO 5725-2:1994 agree to
/// their rounding.
#[test]
fn cochran_and_mandel_critical_values() {
    #[rustfmt::skip]
    let rows = [
        (3, [(0.9669, 0.9933), (0.8709, 0.9423), (0.7977, 0.8832), (0.7457, 0.8335), (0.7070, 0.7933)], (1.151, 1.155), [1.645, 1.526, 1.453, 1.404, 1.369], [1.715, 1.643, 1.578, 1.528, 1.488]),
        (5, [(0.8413, 0.9279), (0.6838, 0.7885), (0.5981, 0.6957), (0.5440, 0.6329), (0.5063, 0.5875)], (1.571, 1.715), [1.814, 1.623, 1.526, 1.465, 1.421], [2.051, 1.849, 1.729, 1.649, 1.591]),
        (8, [(0.6798, 0.7945), (0.5157, 0.6152), (0.4377, 0.5210), (0.3910, 0.4627), (0.3594, 0.4227)], (1.749, 2.065), [1.885, 1.669, 1.562, 1.495, 1.448], [2.256, 1.964, 1.812, 1.716, 1.647]),
        (10, [(0.6020, 0.7175), (0.4450, 0.5358), (0.3733, 0.4469), (0.3311, 0.3934), (0.3028, 0.3572)], (1.798, 2.176), [1.904, 1.683, 1.573, 1.505, 1.456], [2.324, 2.001, 1.839, 1.737, 1.665]),
        (20, [(0.3894, 0.4799), (0.2705, 0.3297), (0.2205, 0.2654), (0.1921, 0.2288), (0.1735, 0.2048)], (1.885, 2.385), [1.936, 1.708, 1.594, 1.523, 1.472], [2.454, 2.075, 1.893, 1.780, 1.702]),
    ];
    for (p, cochran, (h5, h1), k5, k1) in rows {
        for (i, (five, one)) in cochran.into_iter().enumerate() {
            for (significance, want) in [(0.05, five), (0.01, one)] {
                let got = cochran_critical_value(p, i + 2, significance).unwrap();
                assert!((got - want).abs() < 5.1e-5, "C p = {p}, n = {}, {significance}: {got} {want}", i + 2);
            }
            for (significance, want) in [(0.05, k5[i]), (0.01, k1[i])] {
                let got = mandel_k_critical_value(p, i + 2, significance).unwrap();
                assert!((got - want).abs() < 5.1e-4, "k p = {p}, n = {}, {significance}: {got} {want}", i + 2);
            }
        }
        for (significance, want) in [(0.05, h5), (0.01, h1)] {
            let got = mandel_h_critical_value(p, significance).unwrap();
            assert!((got - want).abs() < 5.1e-4, "h p = {p}, {significance}: {got} {want}");
        }
    }
    assert!(mandel_h_critical_value(2, 0.05).is_err() && cochran_critical_value(5, 1, 0.05).is_err());
}
