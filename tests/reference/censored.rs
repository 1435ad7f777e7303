//! Censored fits against R survival 3.5-3 `survreg` (label c1, c3, c6, c7; log-likelihoods
//! on the time scale).

use surface_severity::campaign::{Campaign, CampaignBuilder, Trial};
use surface_severity::severity::{
    Additivity, CellMeans, ComparisonMethod, Distribution, Observation, Regression, Severity,
};
use surface_severity::{BoundSide, Estimate};

use crate::{Table, assert_digits};

const ALL: [Distribution; 3] = [Distribution::LogNormal, Distribution::Weibull, Distribution::LogLogistic];

fn observations(times: &[f64], event: &[f64]) -> Vec<Observation> {
    times
        .iter()
        .zip(event)
        .map(|(t, e)| if *e > 0.5 { Observation::Exact(t.ln()) } else { Observation::AtLeast(t.ln()) })
        .collect()
}

/// c1: ovarian cancer trial (Edmunson et al. 1979), futime on ecog.ps and rx.
#[test]
fn ovarian() {
    let table = Table::read("survival_ovarian.csv");
    let y = observations(&table.numbers("futime"), &table.numbers("fustat"));
    let (ecog, rx) = (table.numbers("ecog.ps"), table.numbers("rx"));
    let rows: Vec<Vec<f64>> = ecog.iter().zip(&rx).map(|(e, r)| vec![1.0, *e, *r]).collect();
    let null: Vec<Vec<f64>> = ecog.iter().map(|_| vec![1.0]).collect();
    let log_normal = (
        [5.878_440_351, -0.229_274_995, 0.813_359_147],
        0.166_660_091,
        [1.093_970_405, 0.537_364_601, 0.537_201_485],
        0.227_979_225,
        -95.947_363_359_565,
        -97.121_742_043,
    );
    let weibull = (
        [6.896_693_129, -0.385_042_549, 0.528_645_496],
        -0.123_441_811,
        [1.177_547_216, 0.527_001_781, 0.529_201_901],
        0.252_213_104,
        -97.084_493_168_387,
        -97.953_901_047,
    );
    let log_logistic = (
        [6.160_997_676, -0.336_052_009, 0.704_516_095],
        -0.363_445_167,
        [1.133_657_474, 0.537_150_663, 0.538_549_609],
        0.247_957_679,
        -96.321_819_643_866,
        -97.354_704_484,
    );
    for (distribution, want) in ALL.into_iter().zip([log_normal, weibull, log_logistic]) {
        let fit = Regression::new(distribution).fit(&y, &rows).unwrap();
        for i in 0..3 {
            assert_digits(fit.coefficients()[i], want.0[i], 8.0);
            assert_digits(fit.standard_errors()[i], want.2[i], 8.0);
        }
        assert_digits(fit.log_sigma(), want.1, 8.0);
        assert_digits(fit.log_sigma_standard_error(), want.3, 8.0);
        assert_digits(fit.log_likelihood(), want.4, 12.0);
        assert_digits(Regression::new(distribution).fit(&y, &null).unwrap().log_likelihood(), want.5, 10.0);
    }
}

/// c3: shock absorbers, 11 failures of 38 (O'Connor 1985; Meeker & Escobar 1998, table C.2).
#[test]
fn shock_absorbers() {
    let table = Table::read("shock_absorber.csv");
    let y = observations(&table.numbers("km"), &table.numbers("fail"));
    let ones = vec![vec![1.0]; y.len()];
    let fit = Regression::new(Distribution::LogNormal).fit(&y, &ones).unwrap();
    assert_digits(fit.coefficients()[0], 10.144_770_690_290, 12.0);
    assert_digits(fit.standard_errors()[0], 0.144_175_172_071, 9.0);
    assert_digits(fit.log_sigma().exp(), 0.530_068_030_373, 11.0);
    assert_digits(fit.log_likelihood(), -124.608_549_989_93, 12.0);
    let fit = Regression::new(Distribution::Weibull).fit(&y, &ones).unwrap();
    assert_digits(fit.coefficients()[0], 10.229_863_208_67, 12.0);
    assert_digits(fit.standard_errors()[0], 0.109_890_477_953, 9.0);
    assert_digits(fit.log_sigma(), -1.150_720_850_238, 11.0);
    assert_digits(fit.log_sigma_standard_error(), 0.231_237_227_964, 9.0);
    assert_digits(fit.log_likelihood(), -123.995_361_188_833, 12.0);
}

/// c6: Tobin's durable goods (Econometrica 26, 1958), normal, left-censored at 0.
#[test]
fn tobit() {
    let table = Table::read("survival_tobin.csv");
    let y: Vec<Observation> = table
        .numbers("durable")
        .into_iter()
        .map(|d| if d > 0.0 { Observation::Exact(d) } else { Observation::AtMost(0.0) })
        .collect();
    let rows: Vec<Vec<f64>> =
        table.numbers("age").into_iter().zip(table.numbers("quant")).map(|(a, q)| vec![1.0, a, q]).collect();
    let fit = Regression::new(Distribution::LogNormal).fit(&y, &rows).unwrap();
    for (i, (b, se)) in
        [(15.144_866_332, 16.079_453_202), (-0.129_059_284, 0.218_583_597), (-0.045_541_663, 0.058_254_116)]
            .into_iter()
            .enumerate()
    {
        // The source prints nine decimals: seven or eight significant digits of the smaller ones.
        assert_digits(fit.coefficients()[i], b, 7.3);
        assert_digits(fit.standard_errors()[i], se, 7.3);
    }
    assert_digits(fit.log_sigma().exp(), 5.572_539_766, 9.0);
    assert_digits(fit.log_likelihood_of_responses(), -28.940_133_200, 10.0);
}

/// The censored poisons table as a campaign: treatments are materials, poisons surfaces.
fn poisons() -> Campaign {
    let table = Table::read("poisons_censored.csv");
    let (time, outcome) = (table.numbers("time"), table.text("outcome"));
    let (poison, treat) = (table.text("poison"), table.text("treat"));
    (0..time.len())
        .map(|i| {
            let (id, s, m, t) = (format!("{i:02}"), &poison[i], &treat[i], time[i]);
            match outcome[i].as_str() {
                "perforated" => Trial::perforated(id, s, m, t),
                "run_out" => Trial::run_out(id, s, m, t),
                "opened_at_contact" => Trial::opened_at_contact(id, s, m, t),
                other => panic!("{other}"),
            }
        })
        .collect::<CampaignBuilder>()
        .build()
        .unwrap()
}

struct Crossed {
    treat: [f64; 4],
    poison: [f64; 2],
    log_sigma: f64,
    se_treat: [f64; 4],
    se_poison: [f64; 2],
    se_log_sigma: f64,
    log_likelihood: f64,
}

const CROSSED: [Crossed; 3] = [
    Crossed {
        treat: [-0.895_874_320_468_84, -0.156_478_347_132_61, -0.686_403_764_694_82, -0.297_763_509_279_26],
        poison: [-0.278_703_287_290_07, -0.914_915_981_988_52],
        log_sigma: -1.632_156_849_231_85,
        se_treat: [0.079_729_013_705, 0.113_649_742_711, 0.080_883_288_491, 0.095_995_144_809],
        se_poison: [0.083_147_646_433, 0.108_254_669_002],
        se_log_sigma: 0.149_674_798_925,
        log_likelihood: 20.542_210_833_930,
    },
    Crossed {
        treat: [-0.789_945_399_358_58, -0.062_761_986_359_85, -0.584_872_853_000_75, -0.158_912_826_355_31],
        poison: [-0.297_881_587_841_12, -0.979_087_101_468_94],
        log_sigma: -1.914_130_642_866_51,
        se_treat: [0.071_005_092_301, 0.110_722_953_803, 0.065_050_607_921, 0.101_564_364_156],
        se_poison: [0.074_945_813_184, 0.103_220_644_022],
        se_log_sigma: 0.166_183_969_530,
        log_likelihood: 22.785_957_484_006,
    },
    Crossed {
        treat: [-0.872_271_886_270_86, -0.146_595_351_460_60, -0.688_924_305_643_30, -0.245_083_825_530_66],
        poison: [-0.286_079_640_854_17, -0.932_682_337_206_55],
        log_sigma: -2.192_962_284_036_08,
        se_treat: [0.078_783_722_579, 0.119_175_948_202, 0.087_271_362_617, 0.110_138_417_007],
        se_poison: [0.090_079_997_607, 0.114_590_226_559],
        se_log_sigma: 0.165_265_032_641,
        log_likelihood: 20.633_667_967_886,
    },
];

/// c7: two crossed factors with right and left censoring, the crate's own model (R `survreg` and
/// scipy BFGS agree to 8 digits).
#[test]
fn crossed_poisons() {
    let campaign = poisons();
    for (distribution, want) in ALL.into_iter().zip(CROSSED) {
        let fit = Severity::new("1").independent().distribution(distribution).fit(&campaign).unwrap();
        assert_eq!((fit.trials(), fit.run_outs(), fit.contact_openings()), (48, 14, 9));
        for (surface, (coefficient, se)) in ["2", "3"].into_iter().zip(want.poison.into_iter().zip(want.se_poison)) {
            let contrast = fit.log_factor_between(surface, "1").unwrap();
            let (log, error) = (contrast.estimate, contrast.standard_error);
            assert_digits(log, -coefficient, 9.0);
            assert_digits(error, se, 9.0);
        }
        assert_digits(fit.log_scatter().ln(), want.log_sigma, 9.0);
        assert_digits(fit.log_likelihood(), want.log_likelihood, 12.0);
        let document = fit.document(None);
        assert_eq!(document.log_covariance.order, ["2", "3", "log_scatter"]);
        assert_digits(document.log_covariance.rows[2][2].sqrt(), want.se_log_sigma, 9.0);
        // Location of a treatment: its median less σ times the median of W.
        let median = match distribution {
            Distribution::Weibull => std::f64::consts::LN_2.ln(),
            _ => 0.0,
        };
        for (row, (location, se)) in fit.materials().iter().zip(want.treat.into_iter().zip(want.se_treat)) {
            assert_digits(row.log_durability.unwrap() - fit.log_scatter() * median, location, 9.0);
            if distribution != Distribution::Weibull {
                assert_digits(row.log_standard_error.unwrap(), se, 9.0);
            }
        }
        // The quantile at F(0) = 1 - 1/e is the Weibull location itself.
        if distribution == Distribution::Weibull {
            let p = 1.0 - (-1.0f64).exp();
            let interval = fit.quantile("A", "1", p).unwrap();
            let se = (interval.upper() / interval.lower()).ln()
                / 2.0
                / fit.log_factor_between("2", "1").unwrap().multiplier(0.95);
            assert_digits(interval.estimate().ln(), want.treat[0], 9.0);
            assert_digits(se, want.se_treat[0], 8.0);
        }
    }
}

/// c7: the cell-by-cell model has three unlimited estimates, reported as bounds; the supremum of
/// its log-normal log-likelihood is 22.8883594.
#[test]
fn crossed_poisons_cells_without_an_end() {
    let cells = CellMeans::fit(&poisons(), Distribution::LogNormal, 0.95).unwrap();
    assert_digits(cells.log_likelihood(), 22.888_359_4, 8.0);
    assert_eq!(cells.parameters(), 9 + 1);
    for (material, surface, side, limit) in
        [("B", "1", BoundSide::AtLeast, 0.60), ("A", "3", BoundSide::AtMost, 0.25), ("C", "3", BoundSide::AtMost, 0.25)]
    {
        let cell = cells.cell(material, surface).unwrap();
        let Estimate::Bound(bound) = &cell.median_s else { panic!("{cell:?}") };
        assert_eq!((bound.side(), cell.perforated, cell.log_median), (side, 0, None));
        // By hand: four trials all censored at c have probability (1 - 0.95) where
        // Φ(±(log median - log c)/σ)⁴ = 0.05, that is at the normal quantile of 0.05^(1/4) = 0.4728708.
        let z = -0.068_050_1 * if side == BoundSide::AtLeast { 1.0 } else { -1.0 };
        assert_digits(bound.value(), limit * (cells.log_scatter() * z).exp(), 6.0);
    }
    let finite = cells.cells().iter().filter(|c| c.median_s.interval().is_some()).count();
    assert_eq!(finite, 9);
}

/// c7: the likelihood ratio of cells against the additive model is 4.692297, on 6 degrees of freedom
/// of which three stand for unlimited cells.
#[test]
fn crossed_poisons_additivity() {
    let test = Additivity::test(&Severity::new("1").independent(), &poisons()).unwrap().comparison;
    assert_eq!(test.method, ComparisonMethod::LikelihoodRatio);
    assert_eq!((test.degrees_of_freedom, test.unlimited), (6.0, 3));
    assert_digits(test.statistic, 4.692_297, 7.0);
}

/// By symmetry: one cell, censored alike on both sides, is centred.
#[test]
fn symmetric_censoring_is_centred() {
    let trials = [
        Trial::opened_at_contact("a", "s", "m", 0.5),
        Trial::perforated("b", "s", "m", 0.8),
        Trial::perforated("c", "s", "m", 1.25),
        Trial::run_out("d", "s", "m", 2.0),
    ];
    let campaign = trials.into_iter().collect::<CampaignBuilder>().build().unwrap();
    for distribution in [Distribution::LogNormal, Distribution::LogLogistic] {
        let cells = CellMeans::fit(&campaign, distribution, 0.9).unwrap();
        assert!(cells.cells()[0].log_median.unwrap().abs() < 1e-12);
    }
}

/// Right-censored regressions on covariates in all three distributions against stored `survreg` fits
/// (tests/reference/r/lung.R).
fn regressions(stored: &str, y: &[Observation], rows: &[Vec<f64>]) {
    let want = Table::stored(stored);
    let (names, estimate) = (want.text("distribution"), want.numbers("estimate"));
    let (se, log_likelihood) = (want.numbers("se"), want.numbers("log_likelihood"));
    for (distribution, name) in ALL.into_iter().zip(["lognormal", "weibull", "loglogistic"]) {
        let fit = Regression::new(distribution).fit(y, rows).unwrap();
        let first = names.iter().position(|n| n == name).unwrap();
        let p = fit.coefficients().len();
        for i in 0..p {
            assert_digits(fit.coefficients()[i], estimate[first + i], 8.0);
            assert_digits(fit.standard_errors()[i], se[first + i], 8.0);
        }
        assert_digits(fit.log_sigma(), estimate[first + p], 8.0);
        assert_digits(fit.log_sigma_standard_error(), se[first + p], 8.0);
        assert_digits(fit.log_likelihood(), log_likelihood[first], 12.0);
    }
}

/// c2: lung cancer (Loprinzi et al. 1994), time on age, sex and Karnofsky score.
#[test]
fn lung() {
    let table = Table::read("survival_lung.csv");
    let event: Vec<f64> = table.numbers("status").iter().map(|s| s - 1.0).collect();
    let y = observations(&table.numbers("time"), &event);
    assert_eq!(y.len(), 227);
    let (age, sex, karno) = (table.numbers("age"), table.numbers("sex"), table.numbers("ph.karno"));
    let rows: Vec<Vec<f64>> = (0..y.len()).map(|i| vec![1.0, age[i], sex[i], karno[i]]).collect();
    regressions("lung.csv", &y, &rows);
    // The figures of the label c2 itself, Weibull.
    let fit = Regression::new(Distribution::Weibull).fit(&y, &rows).unwrap();
    assert_digits(fit.coefficients()[2], 0.370_187_051_466, 10.0);
    assert_digits(fit.log_likelihood(), -1_138.691_784_388_46, 12.0);
}

/// c4: motorettes (Nelson & Hahn 1972), time on temperature, and log10 hours on the Arrhenius scale
/// with and without the temperature at which nothing failed.
#[test]
fn motorettes() {
    let table = Table::read("mass_motors.csv");
    let (time, event, temp) = (table.numbers("time"), table.numbers("cens"), table.numbers("temp"));
    let y = observations(&time, &event);
    let rows: Vec<Vec<f64>> = temp.iter().map(|t| vec![1.0, *t]).collect();
    regressions("motors.csv", &y, &rows);
    for (lowest, intercept, slope, log_sigma) in [
        (0.0, -6.019_249_642_709, 4.311_247_143_047, -1.350_222_026_795),
        (151.0, -4.547_307_486, 3.614_234_827, -1.338_156_312),
    ] {
        let keep: Vec<usize> = (0..time.len()).filter(|&i| temp[i] > lowest).collect();
        let y: Vec<Observation> = keep
            .iter()
            .map(|&i| {
                let log = time[i].log10();
                if event[i] > 0.5 { Observation::Exact(log) } else { Observation::AtLeast(log) }
            })
            .collect();
        let rows: Vec<Vec<f64>> = keep.iter().map(|&i| vec![1.0, 1000.0 / (temp[i] + 273.2)]).collect();
        let fit = Regression::new(Distribution::LogNormal).fit(&y, &rows).unwrap();
        for (got, want) in
            [(fit.coefficients()[0], intercept), (fit.coefficients()[1], slope), (fit.log_sigma(), log_sigma)]
        {
            assert_digits(got, want, 8.5);
        }
    }
    // As factor levels, the coolest cell is all run-outs: no maximum, said and not iterated to.
    let cool: Vec<Observation> = y.iter().zip(&temp).filter(|(_, t)| **t < 151.0).map(|(o, _)| *o).collect();
    let error = Regression::new(Distribution::LogNormal).fit(&cool, &vec![vec![1.0]; cool.len()]).unwrap_err();
    assert!(error.to_string().contains("bound on the same side"), "{error}");
}

/// c5: Gehan's leukaemia trial; the Weibull fit as printed in Venables & Ripley, all three stored.
#[test]
fn gehan() {
    let table = Table::read("mass_gehan.csv");
    let y = observations(&table.numbers("time"), &table.numbers("cens"));
    let rows: Vec<Vec<f64>> =
        table.text("treat").iter().map(|t| vec![1.0, if t == "control" { 1.0 } else { 0.0 }]).collect();
    regressions("gehan.csv", &y, &rows);
    let fit = Regression::new(Distribution::Weibull).fit(&y, &rows).unwrap();
    for (got, want) in [
        (fit.coefficients()[0], 3.515_686_946_496),
        (fit.coefficients()[1], -1.267_334_587_419),
        (fit.log_sigma(), -0.311_709_220_931),
    ] {
        assert_digits(got, want, 10.0);
    }
}
