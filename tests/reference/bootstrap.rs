//! Bootstrap intervals against published examples (label d1–d5), and against the fit done
//! the long way round.

use std::sync::Mutex;

use surface_severity::IntervalMethod;
use surface_severity::bootstrap::Bootstrap;
use surface_severity::campaign::{Campaign, CampaignBuilder, Trial};
use surface_severity::severity::{CellMeans, Distribution, Severity};

use crate::{Table, assert_digits};

#[track_caller]
fn near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "got {got}, want {want} ± {tolerance}");
}

fn correlation(x: &[f64], y: &[f64], rows: &[usize]) -> f64 {
    let n = rows.len() as f64;
    let (mx, my) = (rows.iter().map(|&i| x[i]).sum::<f64>() / n, rows.iter().map(|&i| y[i]).sum::<f64>() / n);
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for &i in rows {
        xx += (x[i] - mx) * (x[i] - mx);
        yy += (y[i] - my) * (y[i] - my);
        xy += (x[i] - mx) * (y[i] - my);
    }
    xy / (xx * yy).sqrt()
}

/// d1: law school (Efron & Tibshirani 1993, table 3.1). The ideal values were computed there from
/// 4 million replicates; tolerances add four Monte Carlo errors of our 100 000.
#[test]
fn law_school() {
    let table = Table::read("law_school.csv");
    let (x, y) = (table.numbers("lsat"), table.numbers("gpa"));
    let statistic = |rows: &[usize]| {
        let r = correlation(&x, &y, rows);
        if r.is_finite() { Ok(vec![r]) } else { Err("all drawn rows agree".to_owned()) }
    };
    let plan = Bootstrap::stratified(100_000).seed(7);
    let replicates = plan.run(&[0; 15], statistic).unwrap();
    assert_digits(replicates.observed()[0], 0.776_374_491_289_407, 14.0);
    // Jackknife acceleration: exact.
    assert_digits(replicates.acceleration(0), -0.075_671_564_937_879_2, 12.0);
    near(replicates.standard_error(0), 0.133_54, 0.0001 + 4.0 * 0.133_54 / (2.0f64 * 1e5).sqrt() * 1.5);
    near(replicates.bias(0), -0.005_65, 0.0001 + 4.0 * 0.133_54 / 1e5f64.sqrt());
    near(replicates.bias_correction(0).unwrap(), -0.0977, 0.001 + 4.0 * 1.2534 / 1e5f64.sqrt());
    let percentile = replicates.interval(0, IntervalMethod::Percentile).unwrap().interval;
    near(percentile.lower(), 0.4601, 0.008);
    near(percentile.upper(), 0.9618, 0.002);
    let bca = replicates.interval(0, IntervalMethod::Bca).unwrap().interval;
    near(bca.lower(), 0.3322, 0.014);
    near(bca.upper(), 0.9417, 0.003);
    assert_eq!(bca.method(), IntervalMethod::Bca);
    let ninety = plan.level(0.90).run(&[0; 15], statistic).unwrap();
    let ninety = ninety.interval(0, IntervalMethod::Bca).unwrap().interval;
    near(ninety.lower(), 0.4291, 0.010);
    near(ninety.upper(), 0.9268, 0.003);
}

/// d4: city ratio (Davison & Hinkley 1997, chapters 2 and 5).
#[test]
fn city() {
    let table = Table::read("boot_city.csv");
    let (u, x) = (table.numbers("u"), table.numbers("x"));
    let ratio =
        |rows: &[usize]| Ok(vec![rows.iter().map(|&i| x[i]).sum::<f64>() / rows.iter().map(|&i| u[i]).sum::<f64>()]);
    let replicates = Bootstrap::stratified(100_000).seed(3).run(&[0; 10], ratio).unwrap();
    assert_digits(replicates.observed()[0], 1.520_312_5, 14.0);
    let monte_carlo = 4.0 * 0.2213 / 1e5f64.sqrt();
    near(replicates.bias(0), 0.0392, 0.0003 + monte_carlo);
    near(replicates.standard_error(0), 0.2213, 0.0005 + 2.0 * monte_carlo);
    let percentile = replicates.interval(0, IntervalMethod::Percentile).unwrap().interval;
    near(percentile.lower(), 1.2507, 0.004);
    near(percentile.upper(), 2.1057, 0.014);
}

/// d3: the ideal bootstrap standard error of the median is known exactly by order statistics: a
/// test of the resampler without Monte Carlo error on the other side.
#[test]
fn mouse_medians() {
    let table = Table::read("mouse.csv");
    let (days, group) = (table.numbers("days"), table.levels("group"));
    let replicates = Bootstrap::stratified(200_000)
        .seed(11)
        .run(&group, |rows| {
            Ok((0..2)
                .map(|g| {
                    let mut v: Vec<f64> = rows.iter().filter(|&&i| group[i] == g).map(|&i| days[i]).collect();
                    v.sort_by(f64::total_cmp);
                    v[v.len() / 2]
                })
                .collect())
        })
        .unwrap();
    let first_is_treatment = Table::read("mouse.csv").text("group")[0] == "treatment";
    let (t, c) = if first_is_treatment { (0, 1) } else { (1, 0) };
    near(replicates.standard_error(t), 37.834_674_393_9, 4.0 * 37.83 / (4e5f64).sqrt() * 1.6);
    near(replicates.standard_error(c), 13.075_870_027_0, 4.0 * 13.08 / (4e5f64).sqrt() * 1.6);
    near(replicates.observed()[t] + replicates.bias(t), 79.728_844_759_8, 4.0 * 37.83 / (2e5f64).sqrt());
}

/// d5: the exact variance of a resampled cell mean is (n − 1)/n · s²/n, so in a one-way layout the
/// bootstrap variance of a log factor is the sum of two such terms.
#[test]
fn resampled_cell_means_have_their_exact_variance() {
    let times = [("a", [1.0, 1.3, 0.8, 1.9, 1.1].as_slice()), ("b", [2.0, 2.2, 3.1].as_slice())];
    let mut trials = Vec::new();
    let mut want = 0.0;
    for (surface, times) in times {
        let logs: Vec<f64> = times.iter().map(|t: &f64| t.ln()).collect();
        let n = logs.len() as f64;
        let mean = logs.iter().sum::<f64>() / n;
        let s2 = logs.iter().map(|y| (y - mean) * (y - mean)).sum::<f64>() / (n - 1.0);
        want += (n - 1.0) / n * s2 / n;
        trials.extend(
            times.iter().enumerate().map(|(i, t)| Trial::perforated(format!("{surface}{i}"), surface, "m", *t)),
        );
    }
    let campaign = trials.into_iter().collect::<CampaignBuilder>().build().unwrap();
    let boot = Bootstrap::stratified(200_000).severity(&Severity::new("a").independent(), &campaign).unwrap();
    let se = boot.replicates().standard_error(0);
    near(se * se / want, 1.0, 4.0 * (2.0f64 / 2e5).sqrt() * 1.3);
}

fn campaign(censored: bool) -> Campaign {
    // Fixed, uneven times in uneven cells; run-outs at 3 s and openings at 0.6 s where asked.
    let mut trials = Vec::new();
    for (m, material) in ["x", "y", "z", "w"].iter().enumerate() {
        for (s, surface) in ["a", "b", "c"].iter().enumerate() {
            for i in 0..2 + (m + 2 * s) % 3 {
                let wobble = (((m * 7 + s * 5 + i * 3) % 11) as f64 - 5.0) / 20.0;
                let t = (0.2 + 0.3 * m as f64 - 0.4 * s as f64 + wobble).exp();
                let id = format!("{material}{surface}{i}");
                trials.push(match t {
                    t if censored && t > 3.0 => Trial::run_out(id, *surface, *material, 3.0),
                    t if censored && t < 0.6 => Trial::opened_at_contact(id, *surface, *material, 0.6),
                    t => Trial::perforated(id, *surface, *material, t),
                });
            }
        }
    }
    trials.into_iter().collect::<CampaignBuilder>().build().unwrap()
}

/// The engine's replicates are those of fitting each resampled table from scratch.
#[test]
fn replicates_are_refits_of_the_resampled_table() {
    for (censored, distribution) in [
        (false, Distribution::LogNormal),
        (true, Distribution::LogNormal),
        (false, Distribution::Weibull),
        (true, Distribution::LogLogistic),
    ] {
        let campaign = campaign(censored);
        let plan = Severity::new("a").independent().distribution(distribution);
        let fast = Bootstrap::stratified(100).seed(5).max_failures(0.3).severity(&plan, &campaign).unwrap();
        // Strata in the order in which the engine draws: cells sorted by material, then surface.
        let cells = CellMeans::fit(&campaign, distribution, 0.95).unwrap();
        let order: Vec<(String, String)> =
            cells.cells().iter().map(|c| (c.material.clone(), c.surface.clone())).collect();
        let mut rows: Vec<(usize, &Trial)> = campaign
            .trials()
            .iter()
            .map(|t| (order.iter().position(|(m, s)| *m == t.material && *s == t.surface).unwrap(), t))
            .collect();
        rows.sort_by(|a, b| (a.0, &a.1.trial_id).cmp(&(b.0, &b.1.trial_id)));
        let stratum: Vec<usize> = rows.iter().map(|r| r.0).collect();
        let failed = Mutex::new(0);
        let slow = Bootstrap::stratified(100)
            .seed(5)
            .max_failures(0.3)
            .run(&stratum, |drawn| {
                let table = drawn
                    .iter()
                    .enumerate()
                    .map(|(i, &r)| {
                        let mut trial = rows[r].1.clone();
                        trial.trial_id = format!("{i:04}");
                        trial
                    })
                    .collect::<CampaignBuilder>()
                    .build()
                    .unwrap();
                let fit = plan.fit(&table).map_err(|e| e.to_string())?;
                let factor =
                    |s: &str| fit.log_factor_between(s, "a").map(|f| f.estimate).map_err(|_| "no place".to_owned());
                let values = vec![factor("b")?, factor("c")?];
                if fit.materials().iter().any(|m| m.log_durability.is_none()) {
                    *failed.lock().unwrap() += 1;
                    return Err("no place".to_owned());
                }
                Ok(values)
            })
            .unwrap();
        assert_eq!(fast.replicates().failed(), slow.failed(), "{censored} {distribution}");
        for j in 0..2 {
            for (a, b) in fast.replicates().values(j).iter().zip(slow.values(j)) {
                // The engine stops when a step is a thousandth of a standard error, which leaves its square.
                assert!((a - b).abs() < 1e-7, "{censored} {distribution}: {a} {b}");
            }
        }
        if !censored {
            assert_eq!(slow.failed(), 0);
        }
        // Two routes to the acceleration: weights' derivatives, and deletion.
        for j in 0..2 {
            let (a, b) = (fast.replicates().acceleration(j), slow.acceleration(j));
            assert!((a - b).abs() < 0.01, "{censored} {distribution}: acceleration {a} by weights, {b} by deletion");
        }
    }
}

/// Bit-identical on 1, 2 and 7 threads.
#[test]
fn thread_count_changes_no_bit() {
    for censored in [false, true] {
        let campaign = campaign(censored);
        let on = |threads| {
            rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap().install(|| {
                Bootstrap::stratified(500)
                    .seed(9)
                    .max_failures(0.3)
                    .severity(&Severity::new("b").independent(), &campaign)
                    .unwrap()
            })
        };
        let one = on(1);
        assert_eq!(one, on(2));
        assert_eq!(one, on(7));
    }
}

/// Permuting the rows changes no bit of any replicate.
#[test]
fn row_order_changes_no_bit() {
    let campaign = campaign(true);
    let mut trials = campaign.trials().to_vec();
    trials.reverse();
    trials.rotate_left(7);
    let permuted = trials.into_iter().collect::<CampaignBuilder>().build().unwrap();
    let run = |c: &Campaign| {
        Bootstrap::stratified(200)
            .max_failures(0.3)
            .severity(&Severity::new("a").independent(), c)
            .unwrap()
            .replicates()
            .clone()
    };
    assert_eq!(run(&campaign), run(&permuted));
}

/// A campaign in which resamples often lose a material is refused with the counts.
#[test]
fn too_many_failures_are_an_error_with_counts() {
    let trials = [
        Trial::perforated("1", "a", "m", 1.0),
        Trial::perforated("2", "a", "m", 1.2),
        Trial::perforated("3", "a", "m", 1.1),
        Trial::perforated("4", "b", "m", 2.0),
        Trial::run_out("5", "b", "m", 2.0),
        Trial::run_out("6", "b", "m", 2.0),
    ];
    let campaign = trials.into_iter().collect::<CampaignBuilder>().build().unwrap();
    let error = Bootstrap::stratified(1000).severity(&Severity::new("a").independent(), &campaign).unwrap_err();
    let surface_severity::ErrorKind::ReplicatesFailed { by_reason, replicates, .. } = error.kind() else {
        panic!("{error}")
    };
    // Cell b loses its only perforated trial with probability (2/3)³; else, cell a repeats one
    // specimen thrice with probability 1/9 and no scatter is left.
    let share = |text: &str| {
        by_reason.iter().filter(|(reason, _)| reason.contains(text)).map(|(_, n)| *n).sum::<usize>() as f64
            / *replicates as f64
    };
    let monte_carlo = 4.0 * (0.3f64 * 0.7 / 1000.0).sqrt();
    near(share("lost its place"), 8.0 / 27.0, monte_carlo);
    near(share("no scatter") + share("did not converge"), 19.0 / 27.0 / 9.0, monte_carlo);
    assert!(error.to_string().contains("lost its place"), "{error}");
}
