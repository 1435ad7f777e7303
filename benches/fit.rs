//! One severity fit, uncensored and censored, at three sizes: is it linear in trials?
#![allow(missing_docs, clippy::expect_used)]

mod common;

use std::hint::black_box;
use std::time::Duration;

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use surface_severity::severity::Severity;

fn fit(c: &mut Criterion) {
    let mut group = c.benchmark_group("fit");
    for (trials, materials, surfaces) in [(160, 10, 4), (10_000, 100, 10), (1_000_000, 2_000, 20)] {
        group.throughput(Throughput::Elements(trials as u64));
        if trials > 100_000 {
            group.sample_size(10).measurement_time(Duration::from_secs(20));
        }
        for (name, censored) in [("uncensored", false), ("censored", true)] {
            let campaign = common::campaign(trials, materials, surfaces, censored);
            group.bench_with_input(BenchmarkId::new(name, trials), &campaign, |b, campaign| {
                b.iter(|| {
                    Severity::new("s00").independent().fit(black_box(campaign)).expect("a connected campaign fits")
                });
            });
        }
    }
    group.finish();
}

criterion_group!(benches, fit);
criterion_main!(benches);
