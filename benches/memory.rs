//! Peak memory of a fit against that of the campaign it fits. Prints a table; nothing is timed.
#![allow(missing_docs, clippy::expect_used, clippy::cast_precision_loss)]

mod common;

use peak_alloc::PeakAlloc;
use surface_severity::severity::Severity;

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

fn main() {
    // `cargo test --benches` asks only whether it runs.
    let large = !std::env::args().any(|a| a == "--test");
    let sizes = [(160, 10, 4), (10_000, 100, 10), (1_000_000, 2_000, 20)];
    println!("| trials | censored | campaign, MB | peak of a fit beyond it, MB | ratio |\n|---|---|---|---|---|");
    for (trials, materials, surfaces) in sizes.into_iter().take(if large { 3 } else { 1 }) {
        for censored in [false, true] {
            let before = MEMORY.current_usage();
            let campaign = common::campaign(trials, materials, surfaces, censored);
            let held = MEMORY.current_usage() - before;
            MEMORY.reset_peak_usage();
            let fit = Severity::new("s00").independent().fit(&campaign).expect("a connected campaign fits");
            let peak = MEMORY.peak_usage() - before - held;
            let mega = |bytes: usize| bytes as f64 / 1e6;
            println!(
                "| {trials} | {} | {:.2} | {:.2} | {:.2} |",
                if censored { "a quarter" } else { "no" },
                mega(held),
                mega(peak),
                peak as f64 / held as f64
            );
            drop(fit);
        }
    }
}
