//! Command line and small tables of the severity study.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use lexopt::ValueExt;
use surface_severity::Error;
use surface_severity::campaign::Decisions;
use surface_severity::severity::{Covariate, Distribution};
use surface_severity::slide::Slide;

use super::Failure;

impl From<lexopt::Error> for Failure {
    fn from(error: lexopt::Error) -> Self {
        Self::Usage(format!("{error}\n{HINT}"))
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
    pub(crate) decisions: Option<PathBuf>,
    pub(crate) requirements: Option<PathBuf>,
    pub(crate) exposure: Option<PathBuf>,
    pub(crate) seasons: Vec<PathBuf>,
    pub(crate) texture: Option<PathBuf>,
    pub(crate) slide: Option<Slide>,
    pub(crate) cloth: Option<String>,
    pub(crate) bootstrap: usize,
    pub(crate) seed: u64,
    pub(crate) level: f64,
    pub(crate) conditions: Vec<String>,
    pub(crate) covariates: Vec<Covariate>,
    pub(crate) out: PathBuf,
    pub(crate) full: bool,
    pub(crate) plan: bool,
    /// Amount, cost of a drop on a road and on the belt.
    pub(crate) budget: Option<[f64; 3]>,
    /// The command as typed, for the reproduction block.
    pub(crate) command: String,
}

const HINT: &str = "severity_study --help lists the options";

const HELP: &str = "\
Reads drop-abrasion trials and says how aggressive each surface is, where the laboratory belt sits,
and what a laboratory time is worth on each road.

usage: severity_study [--trials FILE --reference SURFACE] [options]

  --trials FILE        the trial table (.csv; workbooks with --features spreadsheet); without it the demo
  --reference SURFACE  the surface whose factor is 1
  --laboratory SURFACE a laboratory surface, where the table has no column surface_role; repeatable
  --reports FILE       laboratory reports to read as road times
  --distribution NAME  lognormal (default), weibull or loglogistic
  --decisions FILE     trials set aside: a table with the columns trial_id, reason, decided_by
  --requirements FILE  minimum times of your own: a table with the columns name, seconds
  --exposure FILE      shares of roads, summing to 1: a table with the columns surface, share
  --reference-cloth MATERIAL  say whether its times on the belt were in control while the campaign ran
  --season FILE        severity.json of an earlier campaign: say which surfaces changed since, and make one scale
                       of all; repeatable, the oldest first
  --texture FILE       texture depth of roads: a table with the columns surface, depth_mm; roads that are not in
                       the trial table are read off the line through those that are
  --slide MU,RIG[,V...] slides to rest with friction MU against a road rig of RIG m/s, from V km/h (default 40, 60
                       and 80): what they use up of each report's material, by every assumption
  --belt-state DROPS   state everything for a belt that has served so many drops (default 0: a fresh one;
                       needs the column belt_drop)
  --condition COLUMN   trials with the same text there share conditions, as those of one day do; repeatable
  --covariate COLUMN=NOMINAL[,by-class]  a number that acts on times, everything stated at the nominal
                       value: a power law of speed_m_per_s and normal_force_n, linear otherwise; where NOMINAL is
                       a text, each text there has an effect of its own; by-class lets each material class have
                       its own, by-belt each belt; repeatable
  --plan               also say what the same campaign once more would tell, with a run sheet in random order
  --budget AMOUNT,ROAD,BELT  which further trials for so much sharpen all factors most, where a drop on a road and
                       one on the belt cost so much, such as 2000,60,15; with a run sheet in random order
  --bootstrap N        replicates of a bootstrap, for comparison; 0 (default) for none, else 100 or more
  --seed N             seed of whatever is drawn at random (default 1)
  --level 0.95         confidence level of all limits
  --out DIR            folder of the results (default target/severity-study)
  --full               print the tables too
  --version, --help

example: severity_study --trials trials.csv --reference \"dense asphalt concrete\" \\
             --laboratory \"laboratory belt\" --reports lab_reports.csv --out results

Results are replaced as a whole; files that no run wrote, and inputs, are never touched.
Exit code 0 on success, 2 on bad input, 1 otherwise.
";

const NAMES: [&str; 24] = [
    "trials",
    "reference",
    "laboratory",
    "reports",
    "distribution",
    "decisions",
    "requirements",
    "exposure",
    "reference-cloth",
    "season",
    "texture",
    "slide",
    "plan",
    "budget",
    "bootstrap",
    "seed",
    "level",
    "belt-state",
    "condition",
    "covariate",
    "out",
    "full",
    "version",
    "help",
];

fn number(text: &str) -> Option<f64> {
    text.trim().parse().ok().filter(|x: &f64| x.is_finite())
}

/// `speed_m_per_s=8`, `speed_m_per_s=8,by-class` or `wetness=dry`.
fn covariate(text: &str) -> Option<Covariate> {
    let (column, nominal) = text.split_once('=')?;
    let (nominal, by) = nominal.rsplit_once(',').map_or((nominal, ""), |(n, by)| (n, by.trim()));
    let (column, nominal) = (column.trim(), nominal.trim());
    let covariate = match (number(nominal), column) {
        (Some(x), "speed_m_per_s" | "normal_force_n") => Covariate::power_law(column, x),
        (Some(x), _) => Covariate::linear(column, x),
        (None, _) if !nominal.is_empty() => Covariate::categories(column, nominal),
        (None, _) => return None,
    };
    match by {
        "" => Some(covariate),
        "by-class" => Some(covariate.by_class()),
        "by-belt" => Some(covariate.by_belt()),
        _ => None,
    }
}

impl Options {
    /// `None` where only help or the version was asked for, which is printed.
    pub(crate) fn parse(arguments: impl Iterator<Item = OsString>) -> Result<Option<Self>, Failure> {
        let arguments: Vec<OsString> = arguments.collect();
        let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo");
        let (mut trials, mut reference, mut reports) = (None, None, None);
        let mut options = Self {
            trials: demo.join("trials.csv"),
            reference: "dense asphalt concrete".into(),
            laboratory: Vec::new(),
            distribution: Distribution::LogNormal,
            reports: None,
            decisions: None,
            requirements: None,
            exposure: None,
            seasons: Vec::new(),
            texture: None,
            slide: None,
            cloth: None,
            bootstrap: 0,
            seed: 1,
            level: 0.95,
            conditions: Vec::new(),
            covariates: Vec::new(),
            out: PathBuf::from("target/severity-study"),
            full: false,
            plan: false,
            budget: None,
            command: std::iter::once("severity_study".to_owned())
                .chain(arguments.iter().map(|a| quoted(&a.to_string_lossy())))
                .collect::<Vec<_>>()
                .join(" "),
        };
        let mut seen: Vec<String> = Vec::new();
        let mut parser = lexopt::Parser::from_args(arguments);
        while let Some(argument) = parser.next()? {
            let name = match argument {
                lexopt::Arg::Long(name) => name.to_owned(),
                lexopt::Arg::Short('h') => "help".to_owned(),
                lexopt::Arg::Short('V') => "version".to_owned(),
                lexopt::Arg::Short(letter) => return Err(unknown(&format!("-{letter}"))),
                lexopt::Arg::Value(value) => return Err(stray(&value.to_string_lossy(), seen.last())),
            };
            if !NAMES.contains(&name.as_str()) {
                return Err(unknown(&format!("--{name}")));
            }
            if !["laboratory", "condition", "covariate", "season"].contains(&name.as_str()) && seen.contains(&name) {
                return Err(Failure::Usage(format!("--{name} is given twice\n{HINT}")));
            }
            seen.push(name.clone());
            let mut path = || parser.value().map(PathBuf::from);
            match name.as_str() {
                "help" => {
                    print!("{HELP}");
                    return Ok(None);
                }
                "version" => {
                    println!("severity_study {}", env!("CARGO_PKG_VERSION"));
                    return Ok(None);
                }
                "full" => options.full = true,
                "plan" => options.plan = true,
                "trials" => trials = Some(path()?),
                "reports" => reports = Some(path()?),
                "decisions" => options.decisions = Some(path()?),
                "requirements" => options.requirements = Some(path()?),
                "exposure" => options.exposure = Some(path()?),
                "season" => options.seasons.push(path()?),
                "texture" => options.texture = Some(path()?),
                "out" => options.out = path()?,
                _ => options.set(&name, &parser.value()?.string()?, &mut reference)?,
            }
        }
        match (trials, reference) {
            (None, reference) => {
                // The demo, with its own reports unless others are given.
                options.reference = reference.unwrap_or(options.reference);
                options.reports = reports.or_else(|| Some(demo.join("lab_reports.csv")));
            }
            (Some(_), None) => return Err(Failure::Usage(format!("--trials needs --reference SURFACE\n{HINT}"))),
            (Some(trials), Some(reference)) => {
                (options.trials, options.reference, options.reports) = (trials, reference, reports);
            }
        }
        Ok(Some(options))
    }

    fn set(&mut self, name: &str, value: &str, reference: &mut Option<String>) -> Result<(), Failure> {
        match name {
            "reference" => *reference = Some(value.to_owned()),
            "laboratory" => self.laboratory.push(value.to_owned()),
            "distribution" => {
                self.distribution = match value {
                    "lognormal" => Distribution::LogNormal,
                    "weibull" => Distribution::Weibull,
                    "loglogistic" => Distribution::LogLogistic,
                    _ => return Err(expected(name, value, "lognormal, weibull or loglogistic")),
                }
            }
            "bootstrap" => {
                let wanted = "0 (none) or at least 100 replicates";
                let n = value.parse().ok().filter(|n| *n == 0 || *n >= 100);
                self.bootstrap = n.ok_or_else(|| expected(name, value, wanted))?;
            }
            "reference-cloth" => self.cloth = Some(value.to_owned()),
            "slide" => {
                let numbers: Option<Vec<f64>> = value.split(',').map(number).collect();
                self.slide = match numbers.as_deref() {
                    Some([friction, rig]) => Some(Slide::new(*friction, *rig)),
                    Some([friction, rig, speeds @ ..]) => {
                        Some(Slide::new(*friction, *rig).speeds_km_per_h(speeds.iter().copied()))
                    }
                    _ => return Err(expected(name, value, "friction and rig speed, such as 0.6,8 or 0.6,8,40,60")),
                };
            }
            "budget" => {
                let numbers: Option<Vec<f64>> = value.split(',').map(number).collect();
                let amounts = numbers.and_then(|n| <[f64; 3]>::try_from(n).ok()).filter(|n| n.iter().all(|x| *x > 0.0));
                let wanted = "an amount, the cost of a drop on a road and of one on the belt, such as 2000,60,15";
                self.budget = Some(amounts.ok_or_else(|| expected(name, value, wanted))?);
            }
            "condition" => self.conditions.push(value.to_owned()),
            "belt-state" => {
                let drops = number(value).filter(|d| *d >= 0.0);
                let drops = drops.ok_or_else(|| expected(name, value, "a number of drops, zero or more"))?;
                self.covariates.push(Covariate::belt_wear().at(drops));
            }
            "covariate" => self.covariates.push(covariate(value).ok_or_else(|| {
                expected(name, value, "a column and its nominal value, such as speed_m_per_s=8 or wetness=dry")
            })?),
            "seed" => self.seed = value.parse().map_err(|_| expected(name, value, "a whole number"))?,
            _ => {
                let level = value.parse().ok().filter(|l| *l > 0.0 && *l < 1.0);
                let wanted = "a confidence level strictly between 0 and 1, such as 0.95";
                self.level = level.ok_or_else(|| expected(name, value, wanted))?;
            }
        }
        Ok(())
    }

    /// Every file that is read.
    pub(crate) fn inputs(&self) -> impl Iterator<Item = &Path> {
        let more = [&self.reports, &self.decisions, &self.requirements, &self.exposure, &self.texture];
        let more = more.into_iter().flatten().chain(&self.seasons);
        std::iter::once(self.trials.as_path()).chain(more.map(PathBuf::as_path))
    }
}

fn expected(name: &str, value: &str, wanted: &str) -> Failure {
    Failure::Usage(format!("--{name} {value}: expected {wanted}\n{HINT}"))
}

fn unknown(given: &str) -> Failure {
    let bare = given.trim_start_matches('-');
    let near = NAMES.iter().map(|n| (distance(bare, n), n)).min().filter(|(d, n)| *d <= 1 + n.len() / 4);
    let hint = near.map_or(String::new(), |(_, name)| format!("; did you mean --{name}?"));
    Failure::Usage(format!("unknown option {given}{hint}\n{HINT}"))
}

/// Most often the second word of a name without quotation marks.
fn stray(value: &str, last: Option<&String>) -> Failure {
    let hint = last.map_or(String::new(), |name| {
        format!("; where it belongs to --{name}, put the whole value between quotation marks")
    });
    Failure::Usage(format!("{value:?} stands alone{hint}\n{HINT}"))
}

/// Insertions, deletions and replacements from one to the other.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut above = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let least = (above + usize::from(x != *y)).min(row[j] + 1).min(row[j + 1] + 1);
            above = row[j + 1];
            row[j + 1] = least;
        }
    }
    row[b.len()]
}

fn quoted(argument: &str) -> String {
    if argument.contains(' ') { format!("{argument:?}") } else { argument.to_owned() }
}

/// The rows of a small table with these columns, each with its line.
fn rows(path: &Path, columns: &[&str]) -> Result<Vec<(u64, Vec<String>)>, Failure> {
    let at = |what: String| Failure::Usage(format!("{}: {what}", path.display()));
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_path(path).map_err(|e| at(e.to_string()))?;
    let header: Vec<String> = {
        let found = reader.headers().map_err(|e| at(e.to_string()))?;
        found.iter().map(|h| h.trim_start_matches('\u{feff}').to_owned()).collect()
    };
    let mut positions = Vec::new();
    for column in columns {
        let position = header.iter().position(|h| h == column);
        positions.push(position.ok_or_else(|| {
            at(format!("line 1: expected the columns {}, found {}", columns.join(", "), header.join(", ")))
        })?);
    }
    if let Some(other) = header.iter().find(|h| !columns.contains(&h.as_str())) {
        return Err(at(format!("line 1: column {other:?} is not used here; expected {}", columns.join(", "))));
    }
    let mut found = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|e| at(e.to_string()))?;
        let line = record.position().map_or(0, csv::Position::line);
        found.push((line, positions.iter().map(|&p| record[p].to_owned()).collect()));
    }
    Ok(found)
}

/// Trials set aside.
pub(crate) fn decisions(path: &Path) -> Result<Decisions, Failure> {
    let mut decisions = Decisions::new();
    for (_, row) in rows(path, &["trial_id", "reason", "decided_by"])? {
        decisions = decisions.set_aside(&row[0], &row[1], &row[2]);
    }
    Ok(decisions)
}

/// Names with a number each.
pub(crate) fn pairs<T>(
    path: &Path,
    columns: [&str; 2],
    make: impl Fn(String, f64) -> Result<T, Error>,
) -> Result<Vec<T>, Failure> {
    let number = |(line, row): (u64, Vec<String>)| {
        let at = |what: String| Failure::Usage(format!("{}: line {line}: {what}", path.display()));
        let value = row[1]
            .parse::<f64>()
            .map_err(|_| at(format!("column {}: found {:?}, expected a number such as 2.5", columns[1], row[1])))?;
        make(row[0].clone(), value).map_err(|e| at(e.to_string()))
    };
    rows(path, &columns)?.into_iter().map(number).collect()
}
