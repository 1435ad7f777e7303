//! Planned campaigns against closed forms, dense algebra, other software, and simulated fits.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod allocation;
mod dense;
mod power;
mod simulated;

use surface_severity::planning::{Plan, PlannedSurface};

/// Materials with durabilities 4, 5, 6, ... s on surfaces with factors 1, 1.5, 2, ...
pub(crate) fn balanced(materials: u32, surfaces: u32, specimens: usize) -> Plan {
    let mut plan = Plan::new("surface 0", 0.2);
    for s in 0..surfaces {
        plan = plan.surface(PlannedSurface::new(format!("surface {s}"), 1.0 + 0.5 * f64::from(s)));
    }
    for m in 0..materials {
        plan = plan.material(format!("material {m}"), 4.0 + f64::from(m));
    }
    plan.specimens_per_cell(specimens)
}

/// The same with something done to every surface.
pub(crate) fn with_surfaces(plan: &Plan, change: impl Fn(PlannedSurface) -> PlannedSurface) -> Plan {
    plan.surfaces().to_vec().into_iter().fold(plan.clone(), |plan, s| plan.surface(change(s)))
}

#[track_caller]
pub(crate) fn close(got: f64, want: f64, relative: f64) {
    assert!((got / want - 1.0).abs() <= relative, "got {got:e}, want {want:e}");
}
