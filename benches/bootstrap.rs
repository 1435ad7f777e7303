//! 2 000 stratified refits of a 160-trial campaign, uncensored and with a quarter run out.
#![allow(missing_docs, clippy::expect_used)]

mod common;

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use surface_severity::bootstrap::Bootstrap;
use surface_severity::severity::Severity;

fn refits(c: &mut Criterion) {
    let mut group = c.benchmark_group("bootstrap_2000_refits_of_160");
    group.sample_size(20);
    for threads in [1, 2] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a thread pool");
        for (name, censored) in [("uncensored", false), ("quarter_censored", true)] {
            let campaign = common::campaign(160, 10, 4, censored);
            group.bench_with_input(BenchmarkId::new(name, format!("{threads}_threads")), &campaign, |b, campaign| {
                let plan = Severity::new("s00");
                b.iter(|| {
                    pool.install(|| {
                        Bootstrap::stratified(2000).severity(&plan, black_box(campaign)).expect("few replicates fail")
                    })
                });
            });
        }
    }
    group.finish();
}

criterion_group!(benches, refits);
criterion_main!(benches);
