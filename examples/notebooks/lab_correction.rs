//! # Laboratory correction
//!
//! What is a time on the laboratory belt worth on a road? Place the belt among the roads, test whether it
//! is equivalent to one, derive the correction, and read laboratory reports with it.

use super::cell;

pub(crate) fn run() -> Result<(), surface_severity::Error> {
    // %%
    use surface_severity::campaign::Campaign;
    use surface_severity::equivalence::Equivalence;
    use surface_severity::severity::Severity;

    let campaign = Campaign::read_path("../../data-demo/trials.csv")?;
    let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
    let equivalence = Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    equivalence.evcxr_display();
    cell();

    // %% [markdown]
    // Shown equivalent is a statement with a bound and a risk; not shown is no proof of a difference. Which classes of
    // materials does the common factor not serve?
    // %%
    for (road, class) in equivalence.departing() {
        println!("{} on {road}: {} times as long as the others", class.class(), class.ratio_to_others());
    }
    cell();

    // %% [markdown]
    // The correction: multiply a belt time by c. The same factor for every time unless the power law is asked for.
    // %%
    use surface_severity::correction::{Correction, CorrectionOptions};

    let correction = Correction::derive(&equivalence, &CorrectionOptions::default())?;
    correction.evcxr_display();
    cell();

    // %% [markdown]
    // Reports of the laboratory, read as road times with the limits of one further material. A report outside the domain
    // keeps its value and says so.
    // %%
    use surface_severity::correction::LabReports;
    use surface_severity::tables;

    let reports = LabReports::read_path("../../data-demo/lab_reports.csv")?;
    let read: Vec<_> = reports.reports().iter().take(3).flat_map(|report| correction.apply(report)).collect();
    tables::corrected_reports(&read, Some(4.0)).evcxr_display();
    cell();

    // %% [markdown]
    // One sheet to keep beside the belt, from the study that runs all stages. `to_html` gives it as a page for A4.
    // %%
    use surface_severity::report::CorrectionSheet;
    use surface_severity::study::Study;

    let study = Study::new(Severity::new("dense asphalt concrete")).run(&campaign, Some(&reports))?;
    CorrectionSheet::new(&study, "laboratory belt")?.entry("Campaign", "invented, for demonstration").evcxr_display();
    cell();
    Ok(())
}
