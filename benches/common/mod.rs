//! Simulated campaigns for the benches: fixed seeds, log-normal times, optional run-outs.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use surface_severity::campaign::{Campaign, CampaignBuilder, Trial};

/// `trials` drops spread evenly over `materials` × `surfaces`; about a quarter run out where
/// `censored`.
pub(crate) fn campaign(trials: usize, materials: usize, surfaces: usize, censored: bool) -> Campaign {
    let mut rng = ChaCha8Rng::seed_from_u64(20);
    let durability: Vec<f64> = (0..materials).map(|_| rng.sample::<f64, _>(StandardNormal)).collect();
    let severity: Vec<f64> = (0..surfaces).map(|s| 0.3 * s as f64 / surfaces as f64).collect();
    (0..trials)
        .map(|i| {
            let cell = i % (materials * surfaces);
            let (m, s) = (cell / surfaces, cell % surfaces);
            let z: f64 = rng.sample(StandardNormal);
            let t = (durability[m] - severity[s] + 0.2 * z).exp();
            // A run length about the third quartile of each material.
            let limit = (durability[m] - 0.15 + 0.2 * 0.67).exp();
            let (id, surface, material) = (format!("{i:07}"), format!("s{s:02}"), format!("m{m:04}"));
            if censored && t > limit {
                Trial::run_out(id, surface, material, limit)
            } else {
                Trial::perforated(id, surface, material, t)
            }
        })
        .collect::<CampaignBuilder>()
        .build()
        .expect("a simulated campaign is well formed")
}
