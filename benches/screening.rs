//! Screening of 10 000 trials, the influence of every trial, material and cell on surface factors included: under a
//! second?
#![allow(missing_docs, clippy::expect_used)]

mod common;

use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, criterion_group, criterion_main};
use surface_severity::screening::{LeftOut, Screening, influence};
use surface_severity::severity::{Robust, Severity};

fn screening(c: &mut Criterion) {
    let plan = Severity::new("s00").independent();
    let screening = Screening::default();
    let mut group = c.benchmark_group("screening");
    group.sample_size(10).measurement_time(Duration::from_secs(10));
    for (name, censored) in [("uncensored", false), ("a quarter censored", true)] {
        let campaign = common::campaign(10_000, 100, 10, censored);
        group.bench_function(format!("10 000 trials, {name}"), |b| {
            b.iter(|| screening.screen(black_box(&campaign), &plan).expect("it can be screened"));
        });
        group.bench_function(format!("influence alone, {name}"), |b| {
            b.iter(|| influence(&plan, black_box(&campaign), LeftOut::Trial).expect("it can be fitted"));
        });
    }
    let campaign = common::campaign(400, 14, 7, false);
    group.bench_function("MM of 400 trials", |b| {
        b.iter(|| Robust::mm().fit(&plan, black_box(&campaign)).expect("it can be fitted"));
    });
    group.finish();
}

criterion_group!(benches, screening);
criterion_main!(benches);
