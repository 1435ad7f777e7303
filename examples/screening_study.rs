//! How often planted gross errors are found, how often good trials are flagged, and what the factors
//! are worth: the table in the documentation of `surface_severity::screening`.
//!
//!     cargo run --release --example screening_study -- [CAMPAIGNS]

mod planted;

use planted::Pattern;
use surface_severity::screening::Screening;

fn main() {
    let campaigns = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(1000);
    let screening = Screening::default().influence(false);
    println!("{campaigns} campaigns each, 8 materials × 5 surfaces × 5 specimens, log scatter 0.18, errors × or ÷ 3.5");
    println!(
        "| gross errors | found | good trials flagged | campaigns with a false flag | error of a factor: all | robust | without flagged |"
    );
    println!("|---|---|---|---|---|---|---|");
    let mut rows = vec![("none", 0.0, Pattern::Single)];
    for (name, pattern) in [("single", Pattern::Single), ("pairs", Pattern::Pair), ("clusters", Pattern::Cluster)] {
        rows.extend([0.05, 0.1, 0.2].map(|share| (name, share, pattern)));
    }
    for (name, share, pattern) in rows {
        let rates = planted::study(&screening, share, pattern, campaigns);
        let [all, robust, without] = rates.errors().map(|e| 100.0 * e);
        let found = if rates.spoiled == 0 { "–".into() } else { format!("{:.1} %", 100.0 * rates.detection()) };
        println!(
            "| {:.0} % {name} | {found} | {:.3} % | {:.1} % | {all:.1} % | {robust:.1} % | {without:.1} % |",
            100.0 * share,
            100.0 * rates.false_alarm(),
            100.0 * rates.spoiled_campaigns(),
        );
    }
}
