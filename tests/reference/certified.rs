//! NIST Statistical Reference Datasets (US Government work): one-way analysis of variance.

use surface_severity::screening::precision;

use crate::{Table, assert_digits};

/// The table of the analysis, out of repeatability and reproducibility of groups of one size.
struct OneWay {
    between: f64,
    within: f64,
    f: f64,
    s: f64,
}

fn one_way(response: &[f64], labels: Vec<usize>) -> OneWay {
    let mut groups = vec![Vec::new(); labels.iter().max().unwrap() + 1];
    for (y, group) in response.iter().zip(labels) {
        groups[group].push(*y);
    }
    let found = precision(&groups).unwrap();
    let (n, p, each) = (response.len() as f64, groups.len() as f64, groups[0].len() as f64);
    let within = found.repeatability.powi(2);
    let between = within + each * (found.reproducibility.powi(2) - within);
    OneWay { between: between * (p - 1.0), within: within * (n - p), f: between / within, s: found.repeatability }
}

struct Certified {
    between: f64,
    within: f64,
    f: f64,
    r_squared: f64,
    s: f64,
}

#[track_caller]
fn check(found: &OneWay, want: &Certified, digits: f64) {
    assert_digits(found.between, want.between, digits);
    assert_digits(found.within, want.within, digits);
    assert_digits(found.f, want.f, digits);
    assert_digits(found.between / (found.between + found.within), want.r_squared, digits);
    assert_digits(found.s, want.s, digits);
}

/// Label a1 of tests/reference/README.md, `SiRstv` and `AtmWtAg`; the second is limited by the rounding of its input.
#[test]
fn sirstv_and_atmwtag() {
    let table = Table::read("nist_sirstv.csv");
    let want = Certified {
        between: 5.114_626_160_000_00E-02,
        within: 2.166_365_600_000_00E-01,
        f: 1.180_462_374_402_55,
        r_squared: 1.909_990_390_511_29E-01,
        s: 1.040_760_683_346_56E-01,
    };
    check(&one_way(&table.numbers("y"), table.levels("group")), &want, 12.5);
    let table = Table::read("nist_atmwtag.csv");
    let want = Certified {
        between: 3.638_341_875_000_00E-09,
        within: 1.049_517_291_666_67E-08,
        f: 1.594_673_356_779_30E+01,
        r_squared: 2.574_265_445_383_21E-01,
        s: 1.510_483_144_464_10E-05,
    };
    check(&one_way(&table.numbers("y"), table.levels("group")), &want, 10.0);
}

/// The simulated sets: nine groups about `offset + 0.4, 0.3, 0.2, ...` in which every group is its
/// middle value once, then middle − 0.1 and middle + 0.1 in turn. The file of 189 rows gives the
/// pattern; the larger sets repeat it (2 × 100 and 2 × 1000 more rows a group).
fn small_least(offset: u64, per_group: usize) -> (Vec<f64>, Vec<usize>) {
    let table = Table::read("nist_smls01.csv");
    let (y, group) = (table.text("y"), table.levels("group"));
    let (mut values, mut groups) = (Vec::new(), Vec::new());
    for g in 0..9 {
        let rows: Vec<&String> = y.iter().zip(&group).filter(|(_, k)| **k == g).map(|(t, _)| t).collect();
        assert_eq!(rows.len(), 21);
        for i in 0..per_group {
            let text = if i == 0 { rows[0] } else { rows[1 + (i - 1) % 2] };
            let tenths = text.strip_prefix("1.").unwrap();
            values.push(format!("{offset}.{tenths}").parse().unwrap());
            groups.push(g);
        }
    }
    (values, groups)
}

/// Label a1 of tests/reference/README.md: certified values, and how many digits the rounding of the input leaves.
#[test]
fn smls_sets() {
    for (file, offset) in
        [("nist_smls01.csv", 1), ("nist_smls04.csv", 1_000_000), ("nist_smls07.csv", 1_000_000_000_000)]
    {
        let table = Table::read(file);
        let (values, groups) = small_least(offset, 21);
        assert_eq!(table.numbers("y"), values, "the pattern reproduces {file}");
        assert_eq!(table.levels("group"), groups);
    }
    for (per_group, between, within, f, r_squared) in [
        (21, 1.68, 1.80, 21.0, 4.827_586_206_896_55E-01),
        (201, 16.08, 18.0, 201.0, 4.718_309_859_154_93E-01),
        (2001, 160.08, 180.0, 2001.0, 4.707_127_734_650_67E-01),
    ] {
        let want = Certified { between, within, f, r_squared, s: 0.1 };
        let (y, g) = small_least(1, per_group);
        check(&one_way(&y, g), &want, 12.5);
        let (y, g) = small_least(1_000_000, per_group);
        let found = one_way(&y, g);
        // The rounded input moves the sums themselves by up to 1.2e-10, their ratio by 6e-11.
        check(&found, &want, 9.5);
        assert_digits(found.f, want.f, 10.0);
        let (y, g) = small_least(1_000_000_000_000, per_group);
        let found = one_way(&y, g);
        check(&found, &want, 3.0);
        assert!(found.between > 0.0);
    }
}

/// The exact answer for the doubles of SmLs07, 60-digit arithmetic (label a1).
#[test]
fn smls07_exact_for_its_doubles() {
    let (y, g) = small_least(1_000_000_000_000, 21);
    let f = one_way(&y, g).f;
    assert!((f - 21.000_811_887_818_77).abs() < 1e-9, "{f:.12}");
}
