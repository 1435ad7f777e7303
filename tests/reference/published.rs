//! Wear and lifetime tables of the statistics literature.

use surface_severity::campaign::{Campaign, CampaignBuilder, Trial};
use surface_severity::equivalence::{Intercept, ordinary_least_squares};
use surface_severity::severity::{Additivity, ClassFactors, ComparisonMethod, Severity};

use crate::{Table, assert_digits};

/// The poisons table as a campaign: treatments are materials, poisons are surfaces.
fn poisons() -> Campaign {
    let table = Table::read("boot_poisons.csv");
    let (time, poison, treat) = (table.numbers("time"), table.text("poison"), table.text("treat"));
    (0..time.len())
        .map(|i| Trial::perforated(format!("{i:02}"), &poison[i], &treat[i], time[i]))
        .collect::<CampaignBuilder>()
        .build()
        .unwrap()
}

/// Sums of squares that each factor takes away after those before it, then what is left, by least squares on columns
/// of 0 and 1; the products of all levels of the first two factors come last where `interaction`.
fn sequential(response: &[f64], factors: &[Vec<usize>], interaction: bool) -> Vec<f64> {
    let levels = |f: &[usize]| f.iter().max().unwrap() + 1;
    let column = |f: &[usize], level| f.iter().map(|&l| f64::from(u8::from(l == level))).collect::<Vec<f64>>();
    let mut terms: Vec<Vec<Vec<f64>>> =
        factors.iter().map(|f| (1..levels(f)).map(|level| column(f, level)).collect()).collect();
    if interaction {
        let product = |(a, b): (&Vec<f64>, &Vec<f64>)| a.iter().zip(b).map(|(a, b)| a * b).collect();
        terms.push(terms[0].iter().flat_map(|a| terms[1].iter().map(move |b| (a, b))).map(product).collect());
    }
    let mean = response.iter().sum::<f64>() / response.len() as f64;
    let mut left = response.iter().map(|y| (y - mean) * (y - mean)).sum::<f64>();
    let (mut columns, mut sums) = (Vec::<Vec<f64>>::new(), Vec::new());
    for term in terms {
        columns.extend(term);
        let slices: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
        let rest = ordinary_least_squares(&slices, response, Intercept::Fitted).unwrap().residual_sum_of_squares();
        sums.push(left - rest);
        left = rest;
    }
    sums.push(left);
    sums
}

/// Box & Cox 1964 (label g1): analysis of variance of 1/time, time and log time. The
/// additive fit of log time is the crate's own model.
#[test]
fn poisons_analysis_of_variance() {
    let table = Table::read("boot_poisons.csv");
    let time = table.numbers("time");
    let factors = [table.levels("poison"), table.levels("treat")];
    let log: Vec<f64> = time.iter().map(|t| t.ln()).collect();
    let inverse: Vec<f64> = time.iter().map(|t| 1.0 / t).collect();
    for (response, want, f, digits) in [
        (&inverse, [34.877_119_82, 20.414_289_35, 1.570_772_26, 8.643_083_07], 1.090_42, 8.0),
        (&time, [1.033_012_50, 0.921_206_25, 0.250_137_50, 0.800_725_00], 1.874_33, 8.0),
        (&log, [5.237_472_624_885, 3.557_173_467_508, 0.395_746_675_490, 1.946_515_799_031], 1.219_86, 11.0),
    ] {
        let sums = sequential(response, &factors, true);
        for (sum, want) in sums.iter().zip(want) {
            assert_digits(*sum, want, digits);
        }
        assert_digits(sums[2] / 6.0 / (sums[3] / 36.0), f, 5.0);
    }
}

/// Label g1 of tests/reference/README.md, additive log fit (R `lm`): differences and standard errors.
#[test]
fn poisons_additive_fit() {
    let fit = Severity::new("1").independent().fit(&poisons()).unwrap();
    for (surface, want) in [("2", 0.186_663_017_550), ("3", 0.775_153_147_470)] {
        let contrast = fit.log_factor_between(surface, "1").unwrap();
        let (log, se) = (contrast.estimate, contrast.standard_error);
        assert_digits(log, want, 11.0);
        assert_digits(se, 0.083_492_630_030, 11.0);
    }
    assert_digits(fit.scatter_degrees_of_freedom(), 42.0, 14.0);
    let a = fit.materials()[0].log_durability.unwrap();
    for (i, want) in [(1, 0.704_654_468_806), (2, 0.196_707_570_068), (3, 0.507_068_550_909)] {
        assert_digits(fit.materials()[i].log_durability.unwrap() - a, want, 11.0);
    }
    // Standard error of a treatment level in the balanced additive layout, by hand:
    // s² (1/N + (1 - 1/4)·4/N + (1 - 1/3)·3/N) with N = 48, s² = (0.395746675490 + 1.946515799031)/42.
    let variance: f64 = (0.395_746_675_490 + 1.946_515_799_031) / 42.0;
    let want = (variance * (1.0 + 3.0 + 2.0) / 48.0).sqrt();
    assert_digits(fit.materials()[0].log_standard_error.unwrap(), want, 11.0);
}

/// The same F statistic of the interaction from the severity fit and the cell medians.
#[test]
fn poisons_additivity() {
    let test = Additivity::test(&Severity::new("1").independent(), &poisons()).unwrap().comparison;
    assert_eq!(test.method, ComparisonMethod::F);
    assert_eq!((test.degrees_of_freedom, test.residual_degrees_of_freedom, test.unlimited), (6.0, 36.0, 0));
    let f = (0.395_746_675_490 / 6.0) / (1.946_515_799_031 / 36.0);
    assert_digits(test.statistic, f, 10.0);
    assert_digits(test.p_value, 0.318_94, 4.5);
}

/// Class factors and departures against R `lm` (tests/reference/r/class_factors.R).
#[test]
fn poisons_class_factors() {
    let campaign = poisons()
        .trials()
        .iter()
        .cloned()
        .map(|t| {
            let class = if t.material.as_str() < "C" { "first" } else { "second" };
            t.material_class(class)
        })
        .collect::<CampaignBuilder>()
        .build()
        .unwrap();
    let got = ClassFactors::fit(&Severity::new("1").independent(), &campaign).unwrap();
    let want = Table::stored("class_factors.csv");
    let column = |name| want.numbers(name);
    for (i, row) in got.rows.iter().enumerate() {
        assert_eq!((&row.class, &row.surface), (&want.text("class")[i], &want.text("surface")[i]));
        let factor = row.factor.interval().unwrap();
        assert_digits(factor.estimate().ln(), column("log_factor")[i], 11.0);
        // t quantile of 0.975 with 40 df (R).
        let t = 2.021_075_390_306_273;
        assert_digits((factor.upper() / factor.lower()).ln() / 2.0 / t, column("se")[i], 10.0);
        let ratio = row.ratio_to_common.interval().unwrap();
        assert_digits(ratio.estimate().ln(), column("departure")[i], 9.0);
        assert_digits((ratio.upper() / ratio.lower()).ln() / 2.0 / t, column("departure_se")[i], 10.0);
        assert_digits(row.p_value.unwrap(), column("p")[i], 9.0);
        assert_digits(row.adjusted_p_value.unwrap(), column("holm")[i], 12.0);
    }
    assert_digits(got.comparison.statistic, 0.113_128_816_450_379, 10.0);
    assert_digits(got.comparison.p_value, 0.893_320_317_103_395, 9.0);
    assert!(got.statements()[0].starts_with("The classes differ by no more than chance"));
}

/// Davies 1954, Martindale latin square (label g4).
#[test]
fn latin_square() {
    let table = Table::read("abrasion_latin_square.csv");
    let factors = [table.levels("run"), table.levels("position"), table.levels("material")];
    let wear = table.numbers("wear");
    let sums = sequential(&wear, &factors, false);
    for (sum, want) in sums.iter().zip([986.5, 1468.5, 4621.5, 367.5]) {
        assert_digits(*sum, want, 12.0);
    }
    assert_digits(sums[2] / 3.0 / (sums[3] / 6.0), 25.151_02, 6.0);
    let log: Vec<f64> = wear.iter().map(|w| w.ln()).collect();
    let sums = sequential(&log, &factors, false);
    for (sum, want) in sums.iter().zip([0.017_687_573_05, 0.025_916_149_40, 0.079_514_350_83]) {
        assert_digits(*sum, want, 9.0);
    }
    assert_digits(sums[3], 0.007_119_805_90, 8.5);
}

/// Worsted yarn, cycles to failure (Box & Cox 1964, label g2): log cycles on coded length, amplitude
/// and load; then the power law in the three.
#[test]
fn yarn() {
    let table = Table::read("boxcox_wool.csv");
    let (len, amp, load) = (table.numbers("len"), table.numbers("amp"), table.numbers("load"));
    let log: Vec<f64> = table.numbers("cycles").iter().map(|c| c.ln()).collect();
    let coded = |v: &[f64], middle: f64, step: f64| v.iter().map(|x| (x - middle) / step).collect::<Vec<f64>>();
    let columns = [coded(&len, 300.0, 50.0), coded(&amp, 9.0, 1.0), coded(&load, 45.0, 5.0)];
    let slices: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    let fit = ordinary_least_squares(&slices, &log, Intercept::Fitted).unwrap();
    for (got, want) in fit.coefficients().iter().zip([6.334_748_03, 0.832_384_16, -0.630_866_02, -0.392_619_50]) {
        assert_digits(*got, want, 7.5);
    }
    assert_digits(fit.residual_standard_deviation(), 0.185_624_78, 7.0);
    let logs: Vec<Vec<f64>> = [len, amp, load].iter().map(|v| v.iter().map(|x| x.ln()).collect()).collect();
    let slices: Vec<&[f64]> = logs.iter().map(Vec::as_slice).collect();
    let fit = ordinary_least_squares(&slices, &log, Intercept::Fitted).unwrap();
    for (got, want) in fit.coefficients().iter().zip([3.866_415_08, 4.950_404_44, -5.652_560_75, -3.504_167_38]) {
        assert_digits(*got, want, 8.0);
    }
    assert_digits(fit.residual_standard_deviation().powi(2), 0.033_364_245_3, 8.0);
}

/// Tyre rubber, abrasion loss on hardness and tensile strength (Davies 1947, label g5).
#[test]
fn rubber() {
    let table = Table::read("mass_rubber.csv");
    let (hard, tens) = (table.numbers("hard"), table.numbers("tens"));
    let fit = ordinary_least_squares(&[&hard, &tens], &table.numbers("loss"), Intercept::Fitted).unwrap();
    for (i, (b, se)) in
        [(885.161_109_439, 61.751_584_711), (-6.570_829_854, 0.583_187_744), (-1.374_311_775, 0.194_308_902)]
            .into_iter()
            .enumerate()
    {
        assert_digits(fit.coefficients()[i], b, 9.0);
        assert_digits(fit.standard_errors()[i], se, 8.0);
    }
    assert_digits(fit.residual_standard_deviation(), 36.489_340_763, 9.0);
}
