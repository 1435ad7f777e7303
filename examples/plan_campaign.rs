//! The next campaign, planned from the one that there is.
//!
//!     cargo run --release --example plan_campaign
//!
//! Reads data-demo, says what it is expected to tell, where forty further specimens would tell most about the belt against the harshest
//! road, how many materials a correction needs, and what the chance is of showing the belt equivalent.

use surface_severity::campaign::Campaign;
use surface_severity::planning::{Augment, Criterion, Goal, Plan, Resource, Simulation};
use surface_severity::severity::Severity;
use surface_severity::{Error, tables};

fn main() -> Result<(), Error> {
    let campaign = Campaign::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/trials.csv"))?;
    let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
    // Scatter of days and between materials: supposed, as the demo's README states them.
    let plan = Plan::from_fit(&fit).existing(&campaign).day_log_scatter(0.04).departure_log_scatter(0.04);
    let precision = plan.precision()?;
    println!("{precision}");

    let road = "coarse surface dressing";
    let criterion = Criterion::Factor { surface: "laboratory belt".into(), relative_to: road.into() };
    let further = Augment::new(criterion, 40).step(5).new_days(2).run(&plan)?;
    println!("{further}");
    let before = plan.factor_between("laboratory belt", road)?;
    let after = further.plan().factor_between("laboratory belt", road)?;
    println!(
        "belt / coarse road, upper / lower limit: {:.3} now, {:.3} then\n",
        before.width_ratio(),
        after.width_ratio()
    );
    assert!(after.width_ratio() < before.width_ratio());

    match plan.required(&Goal::correction(road, 1.2), Resource::Materials, 100) {
        Ok(found) => println!("for {}: {found}\n", Goal::correction(road, 1.2)),
        Err(why) => println!("{why}\n"),
    }

    let power = plan.equivalence_power((0.80, 1.25), 0.05)?;
    let simulated = Simulation::new(200).seed(1).run(&plan)?;
    println!("{}", tables::equivalence_power(&power, Some(&simulated)));
    Ok(())
}
