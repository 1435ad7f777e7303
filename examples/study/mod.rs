//! Command line, exit codes and progress bar of the examples.
#![allow(dead_code, reason = "each example uses its part")]

use std::fmt;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use indicatif::{ProgressBar, ProgressStyle};
use surface_severity::Error;
use surface_severity::severity::Distribution;

/// Why an example ends early.
#[derive(Debug)]
pub(crate) enum Failure {
    /// A wrong command line.
    Usage(String),
    /// An error of the library.
    Library(Error),
    /// The operating system refused.
    Io(String),
}

impl Failure {
    pub(crate) fn io(path: &Path, error: &std::io::Error) -> Self {
        Self::Io(format!("{}: {error}", path.display()))
    }
}

impl From<Error> for Failure {
    fn from(error: Error) -> Self {
        Self::Library(error)
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Usage(text) | Self::Io(text) => f.write_str(text),
            Self::Library(error) => error.fmt(f),
        }
    }
}

/// 0 on success, 2 on bad input, 1 otherwise; the reason goes to standard error.
pub(crate) fn exit_code(result: Result<(), Failure>) -> ExitCode {
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("error: {failure}");
            match failure {
                Failure::Usage(_) => ExitCode::from(2),
                Failure::Library(error) if error.is_input() => ExitCode::from(2),
                Failure::Library(_) | Failure::Io(_) => ExitCode::from(1),
            }
        }
    }
}

/// Options of the severity study.
#[derive(Debug, Clone)]
pub(crate) struct Options {
    pub(crate) trials: PathBuf,
    pub(crate) reference: String,
    pub(crate) laboratory: Vec<String>,
    pub(crate) distribution: Distribution,
    pub(crate) reports: Option<PathBuf>,
    pub(crate) bootstrap: usize,
    pub(crate) seed: u64,
    pub(crate) level: f64,
    pub(crate) out: PathBuf,
    /// The command as typed, for the reproduction block.
    pub(crate) command: String,
}

const USAGE: &str = "usage: severity_study [--trials FILE --reference SURFACE] [--laboratory SURFACE]... \
[--distribution lognormal|weibull] [--reports FILE] [--bootstrap N] [--seed N] [--level 0.95] [--out DIR]";

impl Options {
    /// `None` where only help was asked for, which is printed.
    pub(crate) fn parse(arguments: impl Iterator<Item = String>) -> Result<Option<Self>, Failure> {
        let arguments: Vec<String> = arguments.collect();
        let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo");
        let (mut trials, mut reference, mut reports) = (None, None, None);
        let mut options = Self {
            trials: demo.join("trials.csv"),
            reference: "dense asphalt concrete".into(),
            laboratory: Vec::new(),
            distribution: Distribution::LogNormal,
            reports: None,
            bootstrap: 2000,
            seed: 1,
            level: 0.95,
            out: PathBuf::from("target/severity-study"),
            command: std::iter::once("severity_study".to_owned())
                .chain(arguments.iter().map(quoted))
                .collect::<Vec<_>>()
                .join(" "),
        };
        let mut rest = arguments.into_iter();
        while let Some(name) = rest.next() {
            if name == "--help" || name == "-h" {
                println!("{USAGE}");
                return Ok(None);
            }
            let mut value = || rest.next().ok_or_else(|| Failure::Usage(format!("{name} needs a value\n{USAGE}")));
            match name.as_str() {
                "--trials" => trials = Some(PathBuf::from(value()?)),
                "--reference" => reference = Some(value()?),
                "--laboratory" => options.laboratory.push(value()?),
                "--distribution" => {
                    options.distribution = match value()?.as_str() {
                        "lognormal" => Distribution::LogNormal,
                        "weibull" => Distribution::Weibull,
                        other => {
                            return Err(Failure::Usage(format!(
                                "--distribution {other}: expected lognormal or weibull"
                            )));
                        }
                    }
                }
                "--reports" => reports = Some(PathBuf::from(value()?)),
                "--bootstrap" => {
                    options.bootstrap = number(&name, &value()?, "a whole number of replicates, 0 for none")?;
                }
                "--seed" => options.seed = number(&name, &value()?, "a whole number")?,
                "--level" => options.level = number(&name, &value()?, "a confidence level such as 0.95")?,
                "--out" => options.out = PathBuf::from(value()?),
                other => return Err(Failure::Usage(format!("unknown option {other}\n{USAGE}"))),
            }
        }
        match (trials, reference) {
            (None, None) => {
                // The demo, with its own reports unless others are given.
                options.reports = reports.or_else(|| Some(demo.join("lab_reports.csv")));
            }
            (None, Some(reference)) => {
                options.reference = reference;
                options.reports = reports.or_else(|| Some(demo.join("lab_reports.csv")));
            }
            (Some(_), None) => {
                return Err(Failure::Usage(format!("--trials needs --reference SURFACE\n{USAGE}")));
            }
            (Some(trials), Some(reference)) => {
                options.trials = trials;
                options.reference = reference;
                options.reports = reports;
            }
        }
        if !(options.level > 0.0 && options.level < 1.0) {
            return Err(Failure::Usage(format!(
                "--level {}: expected a confidence level strictly between 0 and 1, such as 0.95",
                options.level
            )));
        }
        if options.bootstrap > 0 && options.bootstrap < 100 {
            return Err(Failure::Usage(format!(
                "--bootstrap {}: expected 0 (none) or at least 100 replicates",
                options.bootstrap
            )));
        }
        Ok(Some(options))
    }
}

/// Makes the folder, and removes what an earlier run left there under the study's own names: files of
/// two campaigns side by side would mislead.
pub(crate) fn prepare_folder(folder: &Path) -> Result<(), Failure> {
    std::fs::create_dir_all(folder).map_err(|e| Failure::io(folder, &e))?;
    let entries = std::fs::read_dir(folder).map_err(|e| Failure::io(folder, &e))?;
    for path in entries.filter_map(Result::ok).map(|entry| entry.path()) {
        let Some(name) = path.file_name().and_then(|n| n.to_str()) else { continue };
        let (stem, end) = name.rsplit_once('.').unwrap_or((name, ""));
        let plain = stem.trim_end_matches(|c: char| c.is_ascii_digit());
        let stem = if plain.len() < stem.len() { plain.strip_suffix('-').unwrap_or(stem) } else { stem };
        let own = matches!(
            (stem, end),
            ("severity" | "screening" | "equivalence" | "correction", "json")
                | ("corrected_reports", "csv")
                | ("report" | "certificate", "html")
        );
        if own {
            std::fs::remove_file(&path).map_err(|e| Failure::io(&path, &e))?;
        }
    }
    Ok(())
}

fn quoted(argument: &String) -> String {
    if argument.contains(' ') { format!("{argument:?}") } else { argument.clone() }
}

fn number<T: std::str::FromStr>(name: &str, text: &str, expected: &str) -> Result<T, Failure> {
    text.parse().map_err(|_| Failure::Usage(format!("{name} {text}: expected {expected}")))
}

/// A bar on standard error, drawn only on a terminal.
#[derive(Debug)]
pub(crate) struct Progress {
    bar: ProgressBar,
}

impl Progress {
    pub(crate) fn new(what: &'static str) -> Self {
        let bar = ProgressBar::new(0).with_message(what);
        if let Ok(style) = ProgressStyle::with_template("{msg} {bar:40} {pos}/{len} {eta}") {
            bar.set_style(style);
        }
        Self { bar }
    }

    pub(crate) fn at(&mut self, done: usize, total: usize) -> ControlFlow<()> {
        self.bar.set_length(total as u64);
        self.bar.set_position(done as u64);
        if done == total {
            self.bar.finish_and_clear();
        }
        ControlFlow::Continue(())
    }
}
