//! Mixed fits: days and material × surface cells random, materials and surfaces fixed.
//!
//! `benches/peers/lme4.R` fits the same model to the same numbers (same generator) in R lme4.
#![allow(missing_docs, clippy::unwrap_used, clippy::cast_precision_loss)]

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use surface_severity::campaign::{Campaign, CampaignBuilder, Trial};
use surface_severity::severity::{Criterion as Estimation, Grouping, Severity, mixed::LinearMixedModel};

/// Park & Miller 1988, minimal standard: exact in doubles, so that R draws the same.
struct Draws(u64);

impl Draws {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0 * 16_807 % 2_147_483_647;
        self.0 as f64 / 2_147_483_647.0
    }
    /// Sum of twelve uniforms: nearly normal, the same in every language.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// `trials` trials of `materials` materials on 5 surfaces over `days` days.
fn model(trials: usize, materials: usize, days: usize) -> LinearMixedModel {
    const SURFACES: usize = 5;
    let mut draws = Draws(20_261);
    let material_effect: Vec<f64> = (0..materials).map(|_| 1.0 + 0.5 * draws.normal()).collect();
    let day_effect: Vec<f64> = (0..days).map(|_| 0.10 * draws.normal()).collect();
    let cell_effect: Vec<f64> = (0..materials * SURFACES).map(|_| 0.15 * draws.normal()).collect();
    let (mut y, mut material, mut surface, mut day, mut cell) = (vec![], vec![], vec![], vec![], vec![]);
    for i in 0..trials {
        let c = i % (materials * SURFACES);
        let (m, s) = (c / SURFACES, c % SURFACES);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let d = (draws.uniform() * days as f64) as usize;
        y.push(material_effect[m] - 0.3 * s as f64 + day_effect[d] + cell_effect[c] + 0.2 * draws.normal());
        material.push(m);
        surface.push(s);
        day.push(d);
        cell.push(c);
    }
    let mut model = LinearMixedModel::new(y).fixed_factor("material", &material);
    for s in 1..SURFACES {
        let column = surface.iter().map(|&t| f64::from(u8::from(t == s))).collect();
        model = model.fixed(format!("surface {s}"), column);
    }
    model.group("day", &day).group("cell", &cell)
}

/// A campaign of the same make; times above `run_length` are run-outs.
fn campaign(trials: usize, materials: usize, days: usize, run_length: f64) -> Campaign {
    let mut draws = Draws(20_262);
    let day_effect: Vec<f64> = (0..days).map(|_| 0.10 * draws.normal()).collect();
    let cell_effect: Vec<f64> = (0..materials * 5).map(|_| 0.15 * draws.normal()).collect();
    (0..trials)
        .map(|i| {
            let cell = i % (materials * 5);
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let day = (draws.uniform() * days as f64) as usize;
            let y = 1.0 - 0.3 * (cell % 5) as f64 + day_effect[day] + cell_effect[cell] + 0.2 * draws.normal();
            let (id, surface, material) = (format!("{i:07}"), format!("s{}", cell % 5), format!("m{:03}", cell / 5));
            let trial = if y.exp() > run_length {
                Trial::run_out(id, surface, material, run_length)
            } else {
                Trial::perforated(id, surface, material, y.exp())
            };
            trial.day(format!("d{day:03}"))
        })
        .collect::<CampaignBuilder>()
        .build()
        .unwrap()
}

fn campaigns(c: &mut Criterion) {
    let mut group = c.benchmark_group("mixed_severity");
    group.sample_size(10);
    let both = || Severity::new("s0").random(Grouping::Day).random(Grouping::MaterialBySurface);
    let exact = campaign(10_000, 100, 200, f64::INFINITY);
    group.bench_function("exact/10000", |b| b.iter(|| both().fit(&exact).unwrap().log_scatter()));
    for (trials, materials, days) in [(400, 14, 12), (2_000, 40, 40), (10_000, 100, 200)] {
        let censored = campaign(trials, materials, days, 3.0);
        group.bench_function(format!("laplace/{trials}"), |b| {
            b.iter(|| both().fit(&censored).unwrap().log_scatter());
        });
        let day = Severity::new("s0").random(Grouping::Day);
        group.bench_function(format!("quadrature/{trials}"), |b| {
            b.iter(|| day.fit(&censored).unwrap().log_scatter());
        });
    }
    group.finish();
}

fn fits(c: &mut Criterion) {
    let mut group = c.benchmark_group("mixed");
    group.sample_size(10);
    for (trials, materials, days) in [(1_000, 20, 20), (10_000, 100, 200), (100_000, 100, 200), (1_000_000, 100, 200)] {
        let model = model(trials, materials, days);
        group.throughput(Throughput::Elements(trials as u64));
        group.bench_with_input(BenchmarkId::new("reml", trials), &model, |b, m| {
            b.iter(|| m.fit(Estimation::Reml).unwrap().criterion_value());
        });
    }
    let model = model(10_000, 100, 200);
    group.bench_function("ml/10000", |b| b.iter(|| model.fit(Estimation::Ml).unwrap().criterion_value()));
    // Thousands of runs nested in days: beyond the size at which the whole inverse is formed.
    let runs = {
        let mut draws = Draws(20_263);
        let (mut y, mut material, mut day, mut run) = (vec![], vec![], vec![], vec![]);
        for i in 0..20_000usize {
            let (m, r, d) = (i % 100, i / 5, i / 100);
            material.push(m);
            run.push(r);
            day.push(d);
            y.push(0.1 * draws.normal() + 0.2 * ((r * r) as f64).sin() + 0.3 * ((d * d) as f64).sin());
        }
        LinearMixedModel::new(y).fixed_factor("material", &material).group("run", &run).group("day", &day)
    };
    group.bench_function("nested_runs/20000", |b| b.iter(|| runs.fit(Estimation::Reml).unwrap().criterion_value()));
    let fit = model.fit(Estimation::Reml).unwrap();
    println!("REML criterion {:.9}", fit.criterion_value());
    for component in fit.variance_components() {
        println!("{} {:.12}", component.name, component.variance);
    }
    println!("{:?}", fit.convergence());
    group.finish();
}

criterion_group!(benches, fits, campaigns);
criterion_main!(benches);
