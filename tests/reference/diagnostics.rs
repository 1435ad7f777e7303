//! Residuals, predictions and survival curves against R and published tables.

use surface_severity::campaign::{Campaign, CampaignBuilder, Trial};
use surface_severity::severity::{Distribution, EqualScatter, ScatterBy, Severity, UnequalScatter};

use crate::{Table, assert_digits};

fn poisons(resolution: Option<f64>) -> Campaign {
    let table = Table::read("boot_poisons.csv");
    let (time, poison, treat) = (table.numbers("time"), table.text("poison"), table.text("treat"));
    (0..time.len())
        .map(|i| {
            // A clock of coarse steps shows the middle of the step.
            let t = resolution.map_or(time[i], |step| ((time[i] / step + 1e-9).floor() + 0.5) * step);
            Trial::perforated(format!("{i:02}"), &poison[i], &treat[i], t)
        })
        .collect::<CampaignBuilder>()
        .build()
        .unwrap()
}

/// R `hatvalues`, `cooks.distance` and residuals of the additive fit (tests/reference/r/diagnostics.R).
#[test]
fn hat_values_and_cooks_distances() {
    let campaign = poisons(None);
    let fit = Severity::new("1").independent().fit(&campaign).unwrap();
    let want = Table::stored("hat_cook.csv");
    let rows = fit.diagnostics(&campaign, 1).unwrap();
    assert_eq!(rows.len(), 48);
    for (i, row) in rows.iter().enumerate() {
        assert_digits(row.leverage, want.numbers("hat")[i], 11.0);
        assert_digits(row.standardised, want.numbers("standardised")[i], 10.0);
        assert_digits(row.cooks_distance, want.numbers("cook")[i], 9.0);
        // The quantile residual of an exact log-normal time is its standardised residual.
        assert!((row.quantile - row.standardised).abs() < 1e-9);
    }
    let total: f64 = rows.iter().map(|r| r.leverage).sum();
    assert_digits(total, 6.0, 12.0);
    assert!(fit.diagnostics(&poisons(Some(0.1)), 1).is_err(), "another campaign is refused");
}

/// R `predict(survreg, type = "uquantile")` on the censored table, three distributions.
#[test]
fn quantiles_with_standard_errors() {
    let table = Table::read("poisons_censored.csv");
    let (time, outcome) = (table.numbers("time"), table.text("outcome"));
    let (poison, treat) = (table.text("poison"), table.text("treat"));
    let campaign = (0..time.len())
        .map(|i| match outcome[i].as_str() {
            "perforated" => Trial::perforated(format!("{i}"), &poison[i], &treat[i], time[i]),
            "run_out" => Trial::run_out(format!("{i}"), &poison[i], &treat[i], time[i]),
            _ => Trial::opened_at_contact(format!("{i}"), &poison[i], &treat[i], time[i]),
        })
        .collect::<CampaignBuilder>()
        .build()
        .unwrap();
    let want = Table::stored("survreg_quantiles.csv");
    for (name, distribution) in [
        ("lognormal", Distribution::LogNormal),
        ("weibull", Distribution::Weibull),
        ("loglogistic", Distribution::LogLogistic),
    ] {
        let fit = Severity::new("1").independent().distribution(distribution).fit(&campaign).unwrap();
        for i in (0..want.text("p").len()).filter(|&i| want.text("distribution")[i] == name) {
            let (material, surface, p) = (&want.text("treat")[i], &want.text("poison")[i], want.numbers("p")[i]);
            let got = fit.quantile(material, surface, p).unwrap();
            assert!((got.estimate().ln() - want.numbers("log_quantile")[i]).abs() < 1e-9);
            let se =
                (got.upper() / got.lower()).ln() / 2.0 / fit.log_factor_between("2", "1").unwrap().multiplier(0.95);
            assert_digits(se, want.numbers("se")[i], 8.5);
            // The survival probability at a quantile is 1 − p; its limits cross where those of the
            // quantile meet the time.
            let back = fit.survival_probability(material, surface, got.estimate()).unwrap();
            assert_digits(back.estimate(), 1.0 - p, 9.0);
            assert!(back.lower() < 1.0 - p && 1.0 - p < back.upper());
        }
        // The mean against a trapezoid sum of the survival function.
        let mean = fit.mean("A", "1").unwrap().estimate();
        let h = 1e-3;
        let sum: f64 = (0..20_000)
            .map(|i| {
                let t = (f64::from(i) + 0.5) * h;
                h * fit.survival_probability("A", "1", t).unwrap().estimate()
            })
            .sum();
        assert_digits(mean, sum, 5.0);
    }
}

/// Interval-censored times: a clock in steps of 0.1 (R `survreg`, tests/reference/r/diagnostics.R).
#[test]
fn interval_censoring_by_a_coarse_clock() {
    let campaign = poisons(Some(0.1));
    let want = Table::stored("interval_censored.csv");
    for (name, distribution) in [
        ("lognormal", Distribution::LogNormal),
        ("weibull", Distribution::Weibull),
        ("loglogistic", Distribution::LogLogistic),
    ] {
        let fit =
            Severity::new("1").independent().distribution(distribution).time_resolution_s(0.1).fit(&campaign).unwrap();
        let row = |label: &str| {
            (0..want.text("name").len())
                .find(|&i| want.text("distribution")[i] == name && want.text("name")[i] == label)
                .unwrap()
        };
        let (estimate, se) = (want.numbers("estimate"), want.numbers("se"));
        for surface in ["2", "3"] {
            let i = row(&format!("factor(poison){surface}"));
            let contrast = fit.log_factor_between(surface, "1").unwrap();
            let (log, error) = (contrast.estimate, contrast.standard_error);
            assert_digits(log, -estimate[i], 8.0);
            assert_digits(error, se[i], 8.0);
        }
        let i = row("log_sigma");
        assert_digits(fit.log_scatter().ln(), estimate[i], 8.0);
        assert_digits(fit.log_likelihood(), want.numbers("log_likelihood")[i], 10.0);
        if distribution == Distribution::LogNormal {
            for (m, material) in ["A", "B", "C", "D"].iter().enumerate() {
                let i = row(&format!("treat{material}"));
                assert_digits(fit.materials()[m].log_durability.unwrap(), estimate[i], 8.0);
                assert_digits(fit.materials()[m].log_standard_error.unwrap(), se[i], 8.0);
            }
        }
    }
    let error = Severity::new("1").independent().time_resolution_s(-1.0).fit(&campaign).unwrap_err();
    assert!(error.to_string().contains("time_resolution_s"), "{error}");
}

/// A scatter of its own for every surface, against `survreg` with `strata()`
/// (tests/reference/r/scatter.R).
#[test]
fn unequal_scatter_by_surface() {
    let want = Table::stored("scatter.csv");
    let table = Table::read("poisons_censored.csv");
    let (time, outcome) = (table.numbers("time"), table.text("outcome"));
    let (poison, treat) = (table.text("poison"), table.text("treat"));
    let censored = (0..time.len())
        .map(|i| match outcome[i].as_str() {
            "perforated" => Trial::perforated(format!("{i}"), &poison[i], &treat[i], time[i]),
            "run_out" => Trial::run_out(format!("{i}"), &poison[i], &treat[i], time[i]),
            _ => Trial::opened_at_contact(format!("{i}"), &poison[i], &treat[i], time[i]),
        })
        .collect::<CampaignBuilder>()
        .build()
        .unwrap();
    for (name, distribution, campaign) in [
        ("exact", Distribution::LogNormal, &poisons(None)),
        ("censored_lognormal", Distribution::LogNormal, &censored),
        ("censored_weibull", Distribution::Weibull, &censored),
    ] {
        let plan = Severity::new("1").independent().distribution(distribution);
        let fit = UnequalScatter::fit(&plan, campaign, ScatterBy::Surface).unwrap();
        let row = |label: &str| {
            (0..want.text("name").len())
                .find(|&i| want.text("fit")[i] == name && want.text("name")[i] == label)
                .map(|i| (want.numbers("estimate")[i], want.numbers("se")[i], want.numbers("log_likelihood")[i]))
                .unwrap()
        };
        assert_digits(fit.log_likelihood, row("scale1").2, 12.0);
        for (s, surface) in ["1", "2", "3"].iter().enumerate() {
            let (sigma, error) = fit.groups[s].maximum_likelihood.unwrap();
            let (log, se, _) = row(&format!("scale{surface}"));
            assert_digits(sigma.ln(), log, 7.0);
            assert_digits(error, se, 6.5);
            // What is reported makes up for the levels that the trials have used up.
            assert!(fit.groups[s].log_scatter.value().unwrap() > sigma);
            if s > 0 {
                let factor = fit.factors[s].1.interval().unwrap();
                let (log, se, _) = row(&format!("factor(poison){surface}"));
                assert_digits(factor.estimate().ln(), -log, 7.0);
                assert_digits(fit.observed_standard_errors[s].unwrap(), se, 6.5);
            }
        }
        assert!(fit.log_likelihood > fit.common_log_likelihood);
    }
}

/// R 4.2.2 `bartlett.test(log(time) ~ poison)` of treatment A: K², p (tests/reference/r/scatter.R).
const BARTLETT: (f64, f64) = (1.636_520_920_618, 0.441_198_469_609);

/// The same script: K² with variances pooled over the cells of each poison.
const POOLED: f64 = 13.619_440_163_076;

/// Bartlett's test where each surface is one cell, against R `bartlett.test`.
#[test]
fn equal_scatter() {
    let one_treatment =
        Campaign::from_trials(poisons(None).trials().iter().filter(|t| t.material == "A").cloned()).unwrap();
    let plan = Severity::new("1").independent();
    let test = EqualScatter::test(&plan, &one_treatment, ScatterBy::Surface).unwrap();
    assert!(test.exact);
    assert_digits(test.degrees_of_freedom, 2.0, 15.0);
    assert_digits(test.statistic, BARTLETT.0, 10.0);
    assert_digits(test.p_value, BARTLETT.1, 10.0);
    let all = EqualScatter::test(&plan, &poisons(None), ScatterBy::Surface).unwrap();
    // The same script: variances pooled over the cells of each poison.
    assert_digits(all.statistic, POOLED, 11.0);
    // Equal scatter by construction: the same wobble everywhere.
    let trials = ["a", "b", "c"]
        .iter()
        .flat_map(|s| (0..6).map(move |i| Trial::perforated(format!("{s}{i}"), *s, "m", (f64::from(i) / 10.0).exp())));
    let equal = EqualScatter::test(
        &Severity::new("a").independent(),
        &Campaign::from_trials(trials).unwrap(),
        ScatterBy::Surface,
    )
    .unwrap();
    assert!(equal.statistic < 1e-12 && (equal.p_value - 1.0).abs() < 1e-9, "{equal:?}");
    let error = EqualScatter::test(&plan, &poisons(None), ScatterBy::Class).unwrap_err();
    assert!(error.to_string().contains("at least 2 groups"), "{error}");
}
