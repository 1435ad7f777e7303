//! The main job: a trial table in, the severity scale, the laboratory belt's place on it, the
//! correction and the corrected reports out.
//!
//! ```text
//! cargo run --release --features program -- --trials FILE --reference SURFACE --reports FILE
//! ```
//! Without arguments it runs on data-demo and writes to target/severity-study/; `--help` lists the
//! options. Exit code 0 on success, 2 on bad input (the reason on standard error), 1 otherwise.

#[path = "../../examples/study/mod.rs"]
mod study;

use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;

use study::options::{self, Options};
use study::{Failure, Progress};
use surface_severity::campaign::Campaign;
use surface_severity::correction::{Exposure, LabReports, Requirement};
use surface_severity::planning::{Augment, Augmentation, Criterion, Plan};
use surface_severity::severity::{Severity, SeverityDocument};
#[cfg(feature = "spreadsheet")]
use surface_severity::study::Files;
use surface_severity::study::{Caveat, Study, StudyResult};
use surface_severity::{report, tables};

fn main() -> ExitCode {
    study::exit_code(run())
}

fn run() -> Result<(), Failure> {
    let Some(wanted) = Options::parse(std::env::args_os().skip(1))? else { return Ok(()) };
    let mut reader = Campaign::reader();
    for surface in &wanted.laboratory {
        reader = reader.laboratory_surface(surface);
    }
    let mut campaign = reader.read_path(&wanted.trials)?;
    if let Some(path) = &wanted.decisions {
        campaign = campaign.with_decisions(&options::decisions(path)?)?;
    }
    let reports = wanted.reports.as_deref().map(LabReports::read_path).transpose()?;
    let study = planned(&wanted)?;

    let progress = Progress::of_stages();
    let result = study.run_observed(&campaign, reports.as_ref(), &mut |stage| progress.stage(&stage.to_string()))?;
    progress.stage("report");
    let table = wanted.trials.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    let files = report::files(&result, &wanted.command, &[("trial table".into(), table)])?;
    #[cfg(feature = "spreadsheet")]
    let files = beside_workbooks(files, &wanted.trials, &result)?;
    let mut files = files;
    let mut planned = String::new();
    if wanted.plan {
        let plan = Plan::from_fit(&result.severity).existing(&campaign);
        let cloth = wanted.cloth.as_deref().map(|cloth| (cloth, CLOTH_EVERY));
        let sheet = tables::run_sheet(&plan, Some(&campaign), wanted.seed, cloth)?;
        files = files.with("run_sheet.csv", sheet.to_csv());
        let place = wanted.out.join("run_sheet.csv");
        planned = format!("\n{}Run sheet: {}\n", plan.precision()?, place.display());
    }
    if let Some([amount, road, belt]) = wanted.budget {
        let further = further_trials(&result, &campaign, [amount, road, belt])?;
        if further.steps().is_empty() {
            let (least, n) = (road.min(belt) * STEP as f64, STEP);
            let why = format!("--budget {amount}: {n} further specimens, the least that is planned, cost {least}");
            return Err(Failure::Usage(why));
        }
        let sheet = tables::run_sheet(&only_added(&result, &campaign, &further), Some(&campaign), wanted.seed, None)?;
        files = files.with("further_trials.csv", sheet.to_csv());
        let place = wanted.out.join("further_trials.csv");
        planned.push_str(&format!("\n{}Run sheet of them: {}\n", tables::augmentation(&further), place.display()));
    }
    let inputs: Vec<&Path> = wanted.inputs().collect();
    files.write(&wanted.out, &inputs)?;
    progress.finish();

    let mut text = result.summary();
    let better = result.conclusions.first.iter().any(|c| matches!(c, Caveat::BetterDistribution(_)));
    if better {
        text.push_str("To study with another distribution: --distribution lognormal, weibull or loglogistic\n");
    }
    text.push_str(&format!("Report: {}\n", wanted.out.join("report.html").display()));
    if wanted.full {
        text.push_str(&all_tables(&result));
    }
    text.push_str(&planned);
    // A reader that had enough (`| head`) is no failure: the files are written.
    let _ = std::io::stdout().lock().write_all(text.as_bytes());
    Ok(())
}

/// The study that the options ask for.
fn planned(wanted: &Options) -> Result<Study, Failure> {
    let plan = Severity::new(&wanted.reference).distribution(wanted.distribution).level(wanted.level);
    let plan = wanted.conditions.iter().fold(plan, Severity::condition);
    let plan = wanted.covariates.iter().cloned().fold(plan, Severity::covariate);
    let mut study = Study::new(plan).bootstrap(wanted.bootstrap).seed(wanted.seed);
    if let Some(path) = &wanted.requirements {
        study = study.requirements(options::pairs(path, ["name", "seconds"], Requirement::new)?);
    }
    if let Some(path) = &wanted.exposure {
        let shares = options::pairs(path, ["surface", "share"], |s, v| Ok((s, v)))?;
        study = study.exposure(Exposure::new(shares)?);
    }
    if let Some(slide) = &wanted.slide {
        study = study.slide(slide.clone());
    }
    if let Some(cloth) = &wanted.cloth {
        study = study.reference_cloth(cloth);
    }
    for path in &wanted.seasons {
        let at = |e: &dyn std::fmt::Display| Failure::Usage(format!("{}: {e}", path.display()));
        let text = std::fs::read_to_string(path).map_err(|e| at(&e))?;
        study = study.season(SeverityDocument::from_json(&text).map_err(|e| at(&e))?);
    }
    if let Some(path) = &wanted.texture {
        study = study.texture(options::pairs(path, ["surface", "depth_mm"], |s, v| Ok((s, v)))?);
    }
    Ok(study)
}

/// Where further trials sharpen all factors most for their cost.
fn further_trials(result: &StudyResult, campaign: &Campaign, amounts: [f64; 3]) -> Result<Augmentation, Failure> {
    let [amount, road, belt] = amounts;
    let plan = Plan::from_fit(&result.severity).existing(campaign);
    let mut search = Augment::new(Criterion::AllFactors, MOST_FURTHER).step(STEP).budget(amount);
    for surface in plan.surfaces() {
        let is_belt = result.belts.iter().any(|b| b.laboratory == surface.name());
        search = search.cost(surface.name(), if is_belt { belt } else { road });
    }
    Ok(search.run(&plan)?)
}

/// A plan of what was added alone.
fn only_added(result: &StudyResult, campaign: &Campaign, further: &Augmentation) -> Plan {
    let plan = Plan::from_fit(&result.severity);
    let plan = campaign.laboratory_surfaces().first().map_or(plan.clone(), |l| plan.laboratory(*l));
    let mut cells: BTreeMap<(&str, &str, &str), usize> = BTreeMap::new();
    for step in further.steps() {
        *cells.entry((step.material(), step.surface(), step.day())).or_default() += step.specimens();
    }
    cells.into_iter().fold(plan, |plan, ((m, s, day), n)| plan.cell_on(m, s, day, n))
}

/// Specimens added at a time, and at most: more are a campaign of their own.
const STEP: usize = 3;
const MOST_FURTHER: usize = 300;

/// Drops of the belt between two of the reference cloth on a run sheet: common practice, no source.
const CLOTH_EVERY: usize = 10;

/// Who keeps trials in a workbook gets corrected reports in one too.
#[cfg(feature = "spreadsheet")]
fn beside_workbooks(files: Files, trials: &Path, result: &StudyResult) -> Result<Files, Failure> {
    let is_table = trials.extension().is_none_or(|e| e.eq_ignore_ascii_case("csv") || e.eq_ignore_ascii_case("txt"));
    let belts = result.belts.iter().enumerate().filter(|(_, b)| !is_table && !b.corrected.is_empty());
    belts.filter_map(|(i, b)| Some((i, b, b.correction.as_ref()?))).try_fold(files, |files, (i, belt, correction)| {
        let name = if i == 0 { "corrected_reports.xlsx".into() } else { format!("corrected_reports-{}.xlsx", i + 1) };
        Ok(files.with(name, correction.reports_xlsx(&belt.corrected)?))
    })
}

fn all_tables(result: &StudyResult) -> String {
    let fit = &result.severity;
    let mut all = vec![tables::surface_factors(fit), tables::durabilities(fit), tables::fit_summary(fit)];
    if !fit.groupings().is_empty() {
        all.push(tables::variance_components(fit, &[]));
    }
    all.push(tables::notes(fit));
    all.extend(result.distributions.as_ref().map(tables::distributions));
    all.extend(result.equal_scatter.as_ref().map(|t| tables::scatter(t, result.unequal_scatter.as_ref())));
    all.extend(result.additivity.as_ref().map(tables::additivity));
    all.extend(result.screening.iter().flat_map(|s| [tables::flagged(s), tables::answers(s)]));
    for belt in &result.belts {
        all.extend(belt.equivalence.iter().flat_map(|e| [tables::equivalence(e), tables::lab_road_lines(e)]));
        all.extend(belt.correction.iter().flat_map(|c| [tables::corrections(c), tables::class_corrections(c)]));
        if !belt.slides.is_empty() {
            all.push(tables::slides(&belt.slides));
        }
        if !belt.corrected.is_empty() {
            all.push(tables::corrected_reports(&belt.corrected, None));
        }
    }
    all.extend(result.bootstrap.as_ref().map(tables::bootstrap_intervals));
    all.iter().map(|table| format!("\n{table}")).collect()
}
