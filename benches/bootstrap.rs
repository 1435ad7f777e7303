//! 2 000 stratified refits: uncensored against the cost of drawing alone, and censored on the
//! campaign of benches/peers, on one thread and on two.
#![allow(missing_docs, clippy::expect_used)]

mod common;

use std::hint::black_box;
use std::path::Path;

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use rand::rngs::ChaCha8Rng;
use rand::{Rng, SeedableRng};
use surface_severity::bootstrap::Bootstrap;
use surface_severity::campaign::Campaign;
use surface_severity::severity::Severity;

/// The draws of 2 000 replicates and nothing else: one stream each, one 64-bit draw a trial.
#[allow(clippy::cast_possible_truncation)]
fn draw_only(cells: &[usize]) -> usize {
    let mut sum = 0;
    for r in 0..2000 {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        rng.set_stream(r);
        for &n in cells {
            for _ in 0..n {
                sum += ((u128::from(rng.next_u64()) * n as u128) >> 64) as usize;
            }
        }
    }
    sum
}

/// The campaign that the peers read too.
fn peer_campaign() -> Campaign {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/peers/campaign_200.csv");
    let text = std::fs::read_to_string(path).expect("the peers' campaign");
    let table: String = text.lines().filter(|l| !l.starts_with('#')).map(|l| format!("{l}\n")).collect();
    Campaign::from_reader(table.as_bytes(), "campaign_200.csv").expect("well formed")
}

fn refits(c: &mut Criterion) {
    let mut group = c.benchmark_group("bootstrap_2000_refits");
    group.sample_size(30);
    let cells = vec![4; 40];
    group.bench_function("draw_160_only/1_threads", |b| b.iter(|| draw_only(black_box(&cells))));
    let exact = (common::campaign(160, 10, 4, false), "s00");
    let censored = (peer_campaign(), "s0");
    for threads in [1, 2] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a thread pool");
        for (name, (campaign, reference)) in [("uncensored_160", &exact), ("censored_200", &censored)] {
            group.bench_with_input(BenchmarkId::new(name, format!("{threads}_threads")), campaign, |b, campaign| {
                let plan = Severity::new(*reference).independent();
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
