//! # Severity study
//!
//! From a table of drops to the abrasiveness factors of the surfaces: read, look, fit, ask whether one
//! factor serves all materials, and how sure the factors are. The campaign is the invented one of `data-demo/`.

use super::cell;

pub(crate) fn run() -> Result<(), surface_severity::Error> {
    // %%
    use surface_severity::campaign::Campaign;
    use surface_severity::report::{PlotOptions, plots};
    use surface_severity::severity::Severity;

    let campaign = Campaign::read_path("../../data-demo/trials.csv")?;
    println!("{campaign}");
    cell();

    // %% [markdown]
    // The whole job first: every stage with one policy, and what it ends in. The rest of this notebook looks into it.
    // %%
    use surface_severity::study::Study;

    let study = Study::new(Severity::new("dense asphalt concrete")).run(&campaign, None)?;
    study.evcxr_display();
    cell();

    // %% [markdown]
    // Every bad row would have been reported at once, with its line and what was expected. The factors are relative to
    // one surface, whose factor is 1; any other choice gives the same ratios.
    // %%
    let plan = Severity::new("dense asphalt concrete");
    let fit = plan.fit(&campaign)?;
    fit.evcxr_display();
    cell();

    // %% [markdown]
    // A factor of 2 halves the time of every material. Look at the trials before believing it: arrows are run-outs, hollow
    // marks are void.
    // %%
    for picture in plots::abrasion_times(&campaign, &fit, &PlotOptions::default())?.iter().take(1) {
        picture.evcxr_display();
    }
    cell();

    // %% [markdown]
    // Does one factor per surface serve all materials? Over all cells first, then class by class.
    // %%
    use surface_severity::severity::{Additivity, ClassFactors};

    Additivity::test(&plan, &campaign)?.evcxr_display();
    ClassFactors::fit(&plan, &campaign)?.evcxr_display();
    cell();

    // %% [markdown]
    // Which distribution describes the times, and is the scatter the same everywhere?
    // %%
    use surface_severity::severity::{DistributionComparison, EqualScatter, ScatterBy};

    DistributionComparison::of(&plan, &campaign)?.evcxr_display();
    EqualScatter::test(&plan, &campaign, ScatterBy::Class)?.evcxr_display();
    cell();

    // %% [markdown]
    // Resampled intervals, everything fitted again for each replicate. They draw trials as if days and belts shared nothing, so
    // they stand beside the fit without shared conditions, for comparison only.
    // %%
    use surface_severity::bootstrap::Bootstrap;

    Bootstrap::rescaled(1000).seed(1).severity(&plan.independent(), &campaign)?.evcxr_display();
    cell();
    Ok(())
}
