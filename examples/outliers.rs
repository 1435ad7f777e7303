//! Screens a trial table, prints what stands out and why, and compares the factors on all trials,
//! robustly, without the flagged trials, and as decided.
//!
//!     cargo run --release --example outliers -- [TRIALS.csv REFERENCE_SURFACE]
//!
//! Without arguments it takes the demo campaign and decides on its three gross errors.

use std::path::Path;
use std::process::ExitCode;

use surface_severity::campaign::{Campaign, Decisions};
use surface_severity::screening::{LeftOut, Screening};
use surface_severity::severity::Severity;
use surface_severity::{Error, Estimate};

fn percent(change: Option<f64>) -> String {
    change.map_or_else(String::new, |c| format!("{c:+.1} %"))
}

fn run() -> Result<(), Error> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (campaign, reference) = match arguments.as_slice() {
        [file, reference] => (Campaign::read_path(file)?, reference.clone()),
        _ => {
            let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo/trials.csv");
            let decisions = Decisions::new()
                .set_aside("R-0030", "stop wire broke late", "test engineer")
                .set_aside("R-0077", "clamped over a seam", "test engineer")
                .set_aside("L-0068", "stop wire broke early", "test engineer");
            (Campaign::read_path(demo)?.with_decisions(&decisions)?, "dense asphalt concrete".to_owned())
        }
    };
    let plan = Severity::new(reference);
    let report = Screening::default().screen(&campaign, &plan)?;

    println!("Trials about which something spoke ({} flagged)", report.flagged().count());
    for verdict in report.verdicts().iter().filter(|v| !v.evidence.is_empty()) {
        let mark = if verdict.flagged { "flagged" } else { "remark " };
        println!("  {mark} {} {} on {}", verdict.trial_id, verdict.material, verdict.surface);
        for evidence in &verdict.evidence {
            println!("          {}", evidence.reason);
        }
    }
    println!("\nBetween groups");
    for group in report.groups() {
        for evidence in &group.evidence {
            println!("  {}: {}", group.name, evidence.reason);
        }
    }
    println!(
        "\nFactors                    all trials             robust                 without flagged        decided"
    );
    for row in report.headline() {
        let show = |e: &Estimate| format!("{e}");
        println!(
            "  {:<24} {:<22} {:<22} {:<22} {}  {} {}",
            row.surface,
            show(&row.all_trials),
            show(&row.robust),
            show(&row.without_flagged),
            row.decided.as_ref().map_or_else(|| "no decision".into(), show),
            percent(row.robust_change_percent),
            percent(row.change_percent),
        );
    }
    for table in report.influences() {
        let most = if table.left_out == LeftOut::Trial { 10 } else { 3 };
        println!("\nMost influence on an abrasiveness factor, one {:?} left out", table.left_out);
        for row in table.most_influential(most) {
            let change = row.largest_percent.map_or_else(|| "a factor is lost".into(), |p| format!("{p:+.2} %"));
            println!("  {:<40} {:>3} trial(s)  {change}", row.name, row.trials);
        }
    }
    println!("\nNotes");
    for note in report.notes() {
        println!("  {note}");
    }
    Ok(())
}

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            if error.is_input() { ExitCode::from(2) } else { ExitCode::FAILURE }
        }
    }
}
