//! One bootstrap in two processes: each computes half of the replicates, and the halves brought together are
//! the bits of the whole.
//!
//! ```text
//! cargo run --release --example split_bootstrap
//! cargo run --release --example split_bootstrap -- --part FIRST END --out FILE    what a job of a queue runs
//! cargo run --release --example split_bootstrap -- --merge FILE...                what runs when all are done
//! ```
//! Without arguments it starts itself twice, merges, and compares with a run in one piece.

mod study;

use std::path::PathBuf;
use std::process::{Command, ExitCode, Stdio};

use study::{Failure, Progress};
use surface_severity::bootstrap::{Bootstrap, Replicates, SeverityBootstrap};
use surface_severity::campaign::Campaign;
use surface_severity::severity::Severity;
use surface_severity::{IntervalMethod, tables};

const REPLICATES: usize = 20_000;

/// Every process makes the same plan; a part of another plan would not merge.
fn plan() -> Result<(Bootstrap, Severity, Campaign), Failure> {
    let campaign = Campaign::read_path("data-demo/trials.csv")?;
    Ok((Bootstrap::rescaled(REPLICATES).seed(7), Severity::new("dense asphalt concrete"), campaign))
}

fn part(first: usize, end: usize) -> Result<Replicates, Failure> {
    let (bootstrap, severity, campaign) = plan()?;
    let mut progress = Progress::new("replicates");
    let mut observer = |done, total| progress.at(done, total);
    Ok(bootstrap.severity_range(&severity, &campaign, first..end, &mut observer)?)
}

fn read(path: &PathBuf) -> Result<Replicates, Failure> {
    Ok(Replicates::from_json(&std::fs::read_to_string(path).map_err(|e| Failure::io(path, &e))?)?)
}

fn write(path: &PathBuf, replicates: &Replicates) -> Result<(), Failure> {
    std::fs::write(path, replicates.to_json()?).map_err(|e| Failure::io(path, &e))
}

fn merge(files: &[PathBuf]) -> Result<Replicates, Failure> {
    Ok(Replicates::merge(files.iter().map(read).collect::<Result<Vec<_>, _>>()?)?)
}

fn show(replicates: Replicates) -> Result<(), Failure> {
    let (_, severity, campaign) = plan()?;
    let bootstrap = SeverityBootstrap::from_replicates(replicates, &severity, &campaign)?;
    println!("{}", tables::bootstrap_intervals(&bootstrap));
    let surface = "laboratory belt";
    if bootstrap.fit().factor(surface).is_ok() {
        let bca = bootstrap.factor(surface, IntervalMethod::Bca)?;
        println!(
            "{surface}: BCa {}, Monte Carlo error {:.4} and {:.4}",
            bca.interval, bca.lower_error, bca.upper_error
        );
    }
    Ok(())
}

fn both_halves() -> Result<(), Failure> {
    let folder = PathBuf::from("target/split-bootstrap");
    std::fs::create_dir_all(&folder).map_err(|e| Failure::io(&folder, &e))?;
    let program = std::env::current_exe().map_err(|e| Failure::io(&folder, &e))?;
    let half = REPLICATES / 2;
    let mut files = Vec::new();
    let mut children = Vec::new();
    for (first, end) in [(0, half), (half, REPLICATES)] {
        let file = folder.join(format!("{first}-{end}.json"));
        let mut command = Command::new(&program);
        command.args(["--part", &first.to_string(), &end.to_string(), "--out"]).arg(&file).stdout(Stdio::null());
        children.push(command.spawn().map_err(|e| Failure::io(&program, &e))?);
        files.push(file);
    }
    for mut child in children {
        let status = child.wait().map_err(|e| Failure::io(&program, &e))?;
        if !status.success() {
            return Err(Failure::Usage(format!("a part ended with {status}")));
        }
    }
    // In any order.
    files.reverse();
    let merged = merge(&files)?;
    let whole = part(0, REPLICATES)?;
    if merged.to_json()? != whole.to_json()? {
        return Err(Failure::Usage("the halves are not the whole".into()));
    }
    println!("{REPLICATES} replicates in two processes: the same bits as in one.\n");
    show(merged)
}

fn main() -> ExitCode {
    study::exit_code(run())
}

fn run() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let number = |text: &str| text.parse().map_err(|_| Failure::Usage(format!("{text:?}: expected a whole number")));
    match arguments[..] {
        [] => both_halves(),
        ["--part", first, end, "--out", file] => write(&file.into(), &part(number(first)?, number(end)?)?),
        ["--merge", ref files @ ..] if !files.is_empty() => {
            show(merge(&files.iter().map(PathBuf::from).collect::<Vec<_>>())?)
        }
        _ => Err(Failure::Usage("expected nothing, --part FIRST END --out FILE, or --merge FILE...".into())),
    }
}
