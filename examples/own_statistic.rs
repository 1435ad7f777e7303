//! A statistic of one's own, bootstrapped with its progress shown and a way to stop: here how many seconds the most durable
//! material outlasts the least on the reference road.
//!
//! ```text
//! cargo run --release --example own_statistic -- [replicates [stop after]]
//! ```

use std::ops::ControlFlow;

use surface_severity::IntervalMethod;
use surface_severity::bootstrap::Bootstrap;
use surface_severity::campaign::Campaign;
use surface_severity::severity::Severity;

fn main() -> Result<(), surface_severity::Error> {
    let mut counts = std::env::args().skip(1).filter_map(|text| text.parse::<usize>().ok());
    let (replicates, stop) = (counts.next().unwrap_or(400), counts.next().unwrap_or(usize::MAX));
    let campaign = Campaign::read_path("data-demo/trials.csv")?;
    let reference = "dense asphalt concrete";
    let plan = Severity::new(reference);
    let spread = |resampled: &Campaign| {
        let fit = Severity::new(reference).independent().fit(resampled)?;
        let durabilities = fit.materials().iter().filter_map(|m| m.durability_s.value());
        let (least, most) = durabilities.fold((f64::INFINITY, 0.0_f64), |(a, b), t| (a.min(t), b.max(t)));
        Ok(vec![most - least])
    };
    let mut watch = |done: usize, total: usize| {
        eprint!("\r{done} of {total}");
        if done < stop { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    };
    let bootstrap = Bootstrap::rescaled(replicates).seed(1);
    let found = bootstrap.statistic_observed((&plan, &campaign), &["spread in s"], spread, &mut watch)?;
    eprintln!();
    if found.is_complete() {
        println!("spread of durabilities, s: {}", found.interval(0, IntervalMethod::Percentile)?.interval);
    } else {
        println!("stopped after {} replicates: standard error {:.3} s", found.len(), found.standard_error(0));
    }
    Ok(())
}
