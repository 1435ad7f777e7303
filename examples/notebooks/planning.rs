//! # Planning
//!
//! What would a further campaign tell, how large must it be, and which trials are worth most? From the campaign that there is,
//! by formula, and checked by simulation.

use super::cell;

pub(crate) fn run() -> Result<(), surface_severity::Error> {
    // %%
    use surface_severity::campaign::Campaign;
    use surface_severity::planning::Plan;
    use surface_severity::severity::{Grouping, Severity};

    let campaign = Campaign::read_path("../../data-demo/trials.csv")?;
    let fit = Severity::new("dense asphalt concrete")
        .random(Grouping::Day)
        .random(Grouping::MaterialBySurface)
        .fit(&campaign)?;
    let existing = Plan::from_fit(&fit).existing(&campaign);
    existing.evcxr_display();
    cell();

    // %% [markdown]
    // The fit supplies scatters, factors and durabilities; the campaign its cells, days and run lengths. What is this campaign
    // expected to tell? The fit itself should agree.
    // %%
    existing.precision()?.evcxr_display();
    cell();

    // %% [markdown]
    // Forty more specimens to sharpen the harshest road against the belt, on two further days of each surface: where do they go?
    // %%
    use surface_severity::planning::{Augment, Criterion};
    use surface_severity::tables;

    let criterion =
        Criterion::Factor { surface: "laboratory belt".into(), relative_to: "coarse surface dressing".into() };
    let further = Augment::new(criterion, 40).step(4).new_days(2).run(&existing)?;
    tables::augmentation(&further).evcxr_display();
    cell();

    // %% [markdown]
    // A new campaign from nothing: four materials, the belt and two roads, each on three days, runs of 20 s. How many specimens per
    // cell until the belt's factor is known to a quarter (upper / lower limit 1.25)?
    // %%
    use surface_severity::planning::{Goal, PlannedSurface, Resource};

    let plan = Plan::new("dense asphalt", 0.18)
        .day_log_scatter(0.04)
        .surface(PlannedSurface::new("dense asphalt", 1.0).run_length_s(20.0).days(3))
        .surface(PlannedSurface::new("coarse dressing", 2.6).run_length_s(20.0).days(3))
        .surface(PlannedSurface::new("belt", 2.75).run_length_s(20.0).days(3))
        .laboratory("belt")
        .material("cotton denim", 0.9)
        .material("aramid denim", 3.5)
        .material("cowhide 1.2 mm", 12.5)
        .material("polyamide weave + aramid lining", 14.0)
        .specimens_per_cell(4);
    let goal = Goal::factor("belt", "coarse dressing", 1.25);
    match plan.required(&goal, Resource::SpecimensPerCell, 100) {
        Ok(found) => println!("{found}"),
        Err(why) => println!("{why}"),
    }
    match plan.clone().specimens_per_cell(6).required(&goal, Resource::DaysPerSurface, 24) {
        Ok(found) => println!("{found}"),
        Err(why) => println!("{why}"),
    }
    cell();

    // %% [markdown]
    // The correction is about materials: no number of specimens makes up for few of them.
    // %%
    let scattered = plan.clone().departure_log_scatter(0.05);
    for resource in [Resource::SpecimensPerCell, Resource::Materials] {
        match scattered.required(&Goal::correction("coarse dressing", 1.3), resource, 60) {
            Ok(found) => println!("{found}"),
            Err(why) => println!("{why}"),
        }
    }
    cell();

    // %% [markdown]
    // The chance of showing the belt equivalent to the coarse road, by formula and by 400 campaigns through the real fits, without
    // the scatter of days, of which those fits know nothing.
    // %%
    use surface_severity::planning::Simulation;

    let quiet = plan.day_log_scatter(0.0);
    let simulated = Simulation::new(400).seed(1).run(&quiet)?;
    tables::equivalence_power(&quiet.equivalence_power((0.8, 1.25), 0.05)?, Some(&simulated)).evcxr_display();
    simulated.evcxr_display();
    cell();
    Ok(())
}
