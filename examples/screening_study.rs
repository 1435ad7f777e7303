//! How often planted gross errors are found and good trials flagged, by all tests together and by each alone, and what
//! the factors are worth: the tables in the documentation of `surface_severity::screening` and `severity::Robust`.
//!
//!     cargo run --release --example screening_study -- [CAMPAIGNS [clean|exact|run-outs|estimators]]
//!
//! 40 campaigns unless you say otherwise; the documentation has 300.

mod planted;

use planted::{Alone, FACTORS, Mean, Noise, Pattern, TESTS};
use surface_severity::screening::Screening;
use surface_severity::severity::{Distribution, Robust, Severity, SurfaceFactor};

/// Runs end here in the campaigns with run-outs: about a fifth of the trials.
const RUN_LENGTH_S: f64 = 20.0;

fn percent(mean: &Mean, digits: usize) -> String {
    format!("{:.digits$} ± {:.digits$} %", 100.0 * mean.mean(), 100.0 * mean.error())
}

fn rows() -> Vec<(&'static str, f64, Pattern)> {
    let mut rows = vec![("none", 0.0, Pattern::Single)];
    for (name, pattern) in [("single", Pattern::Single), ("pairs", Pattern::Pair), ("threes", Pattern::Cluster)] {
        rows.extend([0.05, 0.1, 0.2].map(|share| (name, share, pattern)));
    }
    rows
}

fn detection(campaigns: u64, run_length_s: Option<f64>) {
    let screening = Screening::default().influence(false);
    println!(
        "| gross errors | found | good trials flagged | campaigns with a false flag | all trials | robust | without flagged |"
    );
    println!("|---|---|---|---|---|---|---|");
    let mut alone = Vec::new();
    for (name, share, pattern) in rows() {
        let rates = planted::study_limited(&screening, share, pattern, run_length_s, campaigns);
        let [found, flagged, any] = rates.by_campaign;
        let errors: Vec<String> = rates
            .squares_by_campaign
            .iter()
            .map(|m| format!("{:.1} ± {:.1} %", 100.0 * m.root().0, 100.0 * m.root().1))
            .collect();
        let found = if rates.spoiled == 0 { "–".into() } else { percent(&found, 1) };
        let label = format!("{:.0} % {name}", 100.0 * share);
        println!("| {label} | {found} | {} | {} | {} |", percent(&flagged, 2), percent(&any, 1), errors.join(" | "));
        alone.push((label, rates.tests));
    }
    println!("\nEach test alone, in %: found / good trials flagged (robust residual: remarked).\n");
    println!("| gross errors | {} |", TESTS.map(|t| t.to_string()).join(" | "));
    println!("|{}", "---|".repeat(TESTS.len() + 1));
    for (label, tests) in alone {
        let cell = |a: &Alone| {
            let found = format!("{:.1} ± {:.1}", 100.0 * a.found.mean(), 100.0 * a.found.error());
            format!("{found} / {:.3} ± {:.3}", 100.0 * a.false_flags.mean(), 100.0 * a.false_flags.error())
        };
        println!("| {label} | {} |", TESTS.map(|t| cell(&tests[&t])).join(" | "));
    }
    println!();
}

/// Bias, root mean square error and coverage of the log factors of one method.
#[derive(Default)]
struct Judged {
    bias: Mean,
    squares: Mean,
    covered: Mean,
    failed: usize,
}

fn judge(robust: Option<Robust>, share: f64, run_length_s: Option<f64>, campaigns: u64) -> Judged {
    let plan = Severity::new("s0");
    let mut judged = Judged::default();
    for r in 0..campaigns {
        let data = planted::limited(share, Pattern::Single, run_length_s, 100_000 + r).campaign;
        let factors: Option<Vec<SurfaceFactor>> = match robust {
            Some(robust) => robust.fit(&plan, &data).ok().map(|fit| fit.factors().to_vec()),
            None => plan.fit(&data).ok().map(|fit| fit.factors().to_vec()),
        };
        let Some(factors) = factors else {
            judged.failed += 1;
            continue;
        };
        let (mut bias, mut squares, mut covered) = (0.0, 0.0, 0.0);
        for (row, truth) in factors.iter().zip(FACTORS).skip(1) {
            let error = row.log_factor.unwrap_or(f64::NAN) - truth.ln();
            bias += error;
            squares += error * error;
            covered += f64::from(u8::from(row.factor.interval().is_some_and(|i| i.contains(truth))));
        }
        for (mean, sum) in [(&mut judged.bias, bias), (&mut judged.squares, squares), (&mut judged.covered, covered)] {
            mean.add(sum / 4.0);
        }
    }
    judged
}

fn estimators(campaigns: u64) {
    let exact: [(&str, Option<Robust>); 7] = [
        ("classical", None),
        ("Huber", Some(Robust::huber())),
        ("bisquare", Some(Robust::bisquare())),
        ("MM", Some(Robust::mm().subsamples(50))),
        ("Student t, 4 df", Some(Robust::student_t(4.0))),
        ("Student t, 8 df", Some(Robust::student_t(8.0))),
        ("Student t, df estimated", Some(Robust::student_t_estimated())),
    ];
    println!("| campaigns | method | bias of log k | root mean square error | efficiency | coverage | failed |");
    println!("|---|---|---|---|---|---|---|");
    for (name, run_length_s) in [("", None), (", a fifth run out", Some(RUN_LENGTH_S))] {
        for share in [0.0, 0.1, 0.2] {
            let mut classical = 1.0;
            for (method, robust) in exact {
                // M and MM refuse censored trials.
                if run_length_s.is_some() && robust.is_some() && !method.starts_with("Student") {
                    continue;
                }
                let j = judge(robust, share, run_length_s, campaigns);
                let (root, error) = j.squares.root();
                if robust.is_none() {
                    classical = root;
                }
                println!(
                    "| {:.0} % gross errors{name} | {method} | {:+.2} ± {:.2} % | {:.2} ± {:.2} % | {:.2} | {} | {} |",
                    100.0 * share,
                    100.0 * j.bias.mean(),
                    100.0 * j.bias.error(),
                    100.0 * root,
                    100.0 * error,
                    (classical / root).powi(2),
                    percent(&j.covered, 1),
                    j.failed
                );
            }
        }
    }
}

/// Clean campaigns with a flag all the same.
fn clean(campaigns: u64) {
    let screening = Screening::default().influence(false);
    println!(
        "| times | plan log-normal | plan of the same distribution | days differ by 0.1, plan of the same distribution |"
    );
    println!("|---|---|---|---|");
    for (name, noise, own) in [
        ("log-normal", Noise::Normal, Some(Distribution::LogNormal)),
        ("Weibull", Noise::Weibull, Some(Distribution::Weibull)),
        ("log-logistic", Noise::Logistic, Some(Distribution::LogLogistic)),
        ("t with 4 degrees of freedom", Noise::HeavyTails, None),
    ] {
        let rate = |distribution: Distribution, days: (usize, f64)| {
            let mut mean = Mean::default();
            for replicate in 0..campaigns {
                let plan = Severity::new("s0").distribution(distribution).independent();
                let campaign = planted::clean(noise, days, replicate);
                let flagged = screening.screen(&campaign, &plan).is_ok_and(|report| report.flagged().next().is_some());
                mean.add(f64::from(u8::from(flagged)));
            }
            percent(&mean, 1)
        };
        let both = |days| own.map_or("–".into(), |own| rate(own, days));
        println!("| {name} | {} | {} | {} |", rate(Distribution::LogNormal, (1, 0.0)), both((1, 0.0)), both((3, 0.1)));
    }
    println!();
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let campaigns = arguments.first().and_then(|a| a.parse().ok()).unwrap_or(40);
    let wanted = |part: &str| arguments.get(1).is_none_or(|a| a == part);
    println!("{campaigns} campaigns each, 8 materials × 5 surfaces × 5 specimens, log scatter 0.18, errors × or ÷ 3.5");
    if wanted("clean") {
        println!("\n## Clean campaigns with a flag\n");
        clean(campaigns);
    }
    if wanted("exact") {
        println!("\n## Every time exact\n");
        detection(campaigns, None);
    }
    if wanted("run-outs") {
        println!("\n## Runs end at {RUN_LENGTH_S} s\n");
        detection(campaigns, Some(RUN_LENGTH_S));
    }
    if wanted("estimators") {
        println!("\n## Robust estimators, single gross errors\n");
        estimators(campaigns);
    }
}
