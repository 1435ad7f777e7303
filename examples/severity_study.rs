//! The main job: a trial table in, the severity scale, the laboratory belt's place on it, the
//! correction and the corrected reports out.
//!
//! ```text
//! cargo run --release --example severity_study -- --trials FILE --reference SURFACE
//!     [--laboratory SURFACE]... [--distribution lognormal|weibull] [--reports FILE]
//!     [--bootstrap N] [--seed N] [--level 0.95] [--out DIR]
//! ```
//! Without arguments it runs on data-demo and writes to target/severity-study/. Exit code 0 on
//! success, 2 on bad input (the reason on standard error), 1 otherwise.

mod study;

use std::path::Path;
use std::process::ExitCode;

use study::{Failure, Options, Progress};
use surface_severity::bootstrap::{Bootstrap, SeverityBootstrap};
use surface_severity::campaign::Campaign;
use surface_severity::correction::{Correction, CorrectionOptions, LabReports, corrected_reports};
use surface_severity::equivalence::{Equivalence, TimeDependence};
use surface_severity::report::{Certificate, Page, Reproduction};
use surface_severity::screening::Screening;
use surface_severity::severity::{
    Additivity, ClassFactors, DistributionComparison, EqualScatter, ScatterBy, Severity, UnequalScatter,
};
use surface_severity::severity::{Grouping, Severity};
use surface_severity::tables;
use surface_severity::{Error, ErrorKind, IntervalMethod};

fn main() -> ExitCode {
    study::exit_code(run())
}

fn run() -> Result<(), Failure> {
    let Some(options) = Options::parse(std::env::args().skip(1))? else { return Ok(()) };
    let write = |name: &str, text: &str| -> Result<(), Failure> {
        let path = options.out.join(name);
        std::fs::write(&path, text).map_err(|e| Failure::io(&path, &e))
    };

    let mut reader = Campaign::reader();
    for surface in &options.laboratory {
        reader = reader.laboratory_surface(surface);
    }
    // All input is read before anything is written.
    let campaign = reader.read_path(&options.trials)?;
    let reports = options.reports.as_deref().map(LabReports::read_path).transpose()?;
    let laboratories: Vec<String> = campaign.laboratory_surfaces().into_iter().map(ToOwned::to_owned).collect();
    if laboratories.is_empty() && reports.is_some() {
        return Err(Failure::Usage("--reports needs a laboratory surface: name one with --laboratory".into()));
    }
    study::prepare_folder(&options.out)?;
    println!("{campaign}");
    println!("digest {}\n", campaign.digest());

    let plan = Severity::new(&options.reference).distribution(options.distribution).level(options.level);
    let fit = plan.fit(&campaign)?;
    println!("{}", tables::surface_factors(&fit));
    println!("{}", tables::durabilities(&fit));
    println!("{}", tables::fit_summary(&fit));
    for note in fit.notes() {
        println!("Note: {note}");
    }

    // Both need enough cells or classes; where a campaign has too few it can still be scaled.
    let additivity = remark("No test of additivity", Additivity::test(&plan, &campaign))?;
    let classes = remark("No class factors", ClassFactors::fit(&plan, &campaign))?;
    if let Some(classes) = &classes {
        println!("\n{}", tables::class_factors(classes));
    }

    // Further looks at the model; none is needed for the scale.
    let distributions = aside("No comparison of distributions", DistributionComparison::of(&plan, &campaign));
    let equal = aside("No test of equal scatter", EqualScatter::test(&plan, &campaign, ScatterBy::Class));
    let unequal = aside("No scatter by class", UnequalScatter::fit(&plan, &campaign, ScatterBy::Class));
    let slopes = aside("No slopes against durability", TimeDependence::fit(&plan, &campaign));
    let by_day = Severity::new(&options.reference)
        .random(Grouping::Day)
        .distribution(options.distribution)
        .level(options.level)
        .fit(&campaign);
    let mixed = aside("No fit with day effects", by_day);
    // For belt against road: the scatter of materials between surfaces must not pass for that between days.
    let shared = mixed.as_ref().and_then(|_| {
        let plan = Severity::new(&options.reference).random(Grouping::Day).random(Grouping::MaterialBySurface);
        let fit = plan.distribution(options.distribution).level(options.level).fit(&campaign);
        aside("No fit with day and material × surface effects", fit)
    });
    if let Some(distributions) = &distributions {
        println!("\n{}", tables::distributions(distributions));
    }
    if let Some(mixed) = &mixed {
        println!("{}", tables::variance_components(mixed, &[]));
    }

    let bootstrap = bootstrap(&options, &plan, &campaign)?;
    let mut document = fit.document(Some(options.seed));
    if let Some(bootstrap) = &bootstrap {
        println!("\n{}", tables::bootstrap_intervals(bootstrap));
        document = document.with_bootstrap(bootstrap, IntervalMethod::Studentised)?;
    }
    write("severity.json", &document.to_json()?)?;

    let belt = laboratories.first();
    let corrections = belt.map(|l| Equivalence::new(l).level(options.level).distribution(options.distribution));
    let screening = Screening::new().equivalence(corrections).screen(&campaign, &plan)?;
    println!("\n{}", tables::flagged(&screening));
    println!("{}", tables::answers(&screening));
    write("screening.json", &screening.document().to_json()?)?;

    let mut page = Page::new(&fit).campaign(&campaign).screening(&screening).reproduction(
        Reproduction::new().command(&options.command).seed(options.seed).option("level", options.level.to_string()),
    );
    if let Some(additivity) = &additivity {
        page = page.additivity(additivity);
    }
    if let Some(classes) = &classes {
        page = page.class_factors(classes);
    }
    if let Some(bootstrap) = &bootstrap {
        page = page.bootstrap(bootstrap);
    }
    if let Some(distributions) = &distributions {
        page = page.distributions(distributions);
    }
    if let Some(equal) = &equal {
        page = page.scatter(equal, unequal.as_ref());
    }
    if let Some(slopes) = &slopes {
        page = page.time_dependence(slopes);
    }
    if let Some(mixed) = &mixed {
        page = page.mixed(mixed, &[]);
    }

    let cells = plan.cell_means(&campaign)?;
    if laboratories.is_empty() {
        println!(
            "\nNo surface has the role laboratory, so no equivalence and no correction: name one with --laboratory."
        );
        write("report.html", &page.to_html()?)?;
        return done(&options.out);
    }

    // One laboratory belt gets the plain names; further ones are numbered.
    for (i, laboratory) in laboratories.iter().enumerate() {
        let name =
            |stem: &str, end: &str| if i == 0 { format!("{stem}.{end}") } else { format!("{stem}-{}.{end}", i + 1) };
        let plan = Equivalence::new(laboratory).level(options.level).distribution(options.distribution);
        let compared = match &shared {
            Some(shared) => plan.fit(&campaign, shared),
            None => plan.fit(&campaign, &fit),
        };
        let equivalence = remark(&format!("No equivalence of {laboratory}"), compared)?;
        let equivalence = match (equivalence, &bootstrap) {
            (Some(found), Some(bootstrap)) => Some(found.with_nearest(bootstrap)?),
            (found, _) => found,
        };
        let correction = match &equivalence {
            Some(equivalence) => remark(
                &format!("No correction from {laboratory}"),
                Correction::derive(equivalence, &CorrectionOptions::default().level(options.level)),
            )?
            .map(|correction| correction.with_seed(options.seed)),
            None => None,
        };
        let corrected: Vec<_> = correction
            .iter()
            .flat_map(|c| reports.iter().flat_map(LabReports::reports).flat_map(|report| c.apply(report)))
            .collect();
        let mut sheet = if i == 0 { page.clone() } else { Page::new(&fit) };
        if i == 0 {
            sheet = sheet.cells(&cells);
        }
        if let Some(equivalence) = &equivalence {
            println!("\n{}", tables::equivalence(equivalence));
            println!("{}", tables::shared_effects(equivalence));
            write(&name("equivalence", "json"), &equivalence.document(Some(options.seed)).to_json()?)?;
            sheet = sheet.equivalence(equivalence);
        }
        if let Some(correction) = &correction {
            println!("{}", tables::corrections(correction));
            write(&name("correction", "json"), &correction.to_json()?)?;
            write(&name("corrected_reports", "csv"), &corrected_reports(&corrected)?)?;
            write(&name("certificate", "html"), &Certificate::new(correction).to_html())?;
            sheet = sheet.correction(correction).corrected_reports(&corrected, None);
        }
        if !corrected.is_empty() {
            println!("{}", tables::corrected_reports(&corrected, None));
        }
        write(&name("report", "html"), &sheet.to_html()?)?;
    }
    done(&options.out)
}

fn done(out: &Path) -> Result<(), Failure> {
    println!("\nWritten to {}", out.display());
    println!(
        "Defer to the applicable standard, local codes and accredited laboratories; a correction factor is not a \
         certification."
    );
    Ok(())
}

/// A part that these data may be too few for: its absence is said, not fatal.
fn remark<T>(what: &str, result: Result<T, Error>) -> Result<Option<T>, Failure> {
    match result {
        Ok(value) => Ok(Some(value)),
        Err(error)
            if matches!(
                error.kind(),
                ErrorKind::TooFew { .. }
                    | ErrorKind::ReplicatesFailed { .. }
                    | ErrorKind::NothingToFit { .. }
                    | ErrorKind::NotEstimable { .. }
                    | ErrorKind::ScatterNotEstimable { .. }
                    | ErrorKind::NotConverged { .. }
            ) =>
        {
            println!("\n{what}: {error}");
            Ok(None)
        }
        Err(error) => Err(error.into()),
    }
}

/// A further look that the scale does not need: where it cannot be had, that is said.
fn aside<T>(what: &str, result: Result<T, Error>) -> Option<T> {
    result.map_err(|error| println!("\n{what}: {}", error.to_string().lines().next().unwrap_or("unknown reason"))).ok()
}

fn bootstrap(options: &Options, plan: &Severity, campaign: &Campaign) -> Result<Option<SeverityBootstrap>, Failure> {
    if options.bootstrap == 0 {
        return Ok(None);
    }
    let mut progress = Progress::new("bootstrap");
    let result = Bootstrap::rescaled(options.bootstrap).seed(options.seed).level(options.level).severity_observed(
        plan,
        campaign,
        &mut |done, total| progress.at(done, total),
    );
    remark("No bootstrap intervals", result)
}
