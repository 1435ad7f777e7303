//! The crate inside another tool: a campaign built in code, fitted, and read as plain numbers.

use surface_severity::campaign::{Campaign, Trial};
use surface_severity::severity::Severity;

fn main() -> Result<(), surface_severity::Error> {
    let times = [
        ("asphalt", "cowhide 1.2 mm", [9.8, 11.6, 10.3]),
        ("asphalt", "aramid denim", [3.1, 3.9, 3.4]),
        ("belt", "cowhide 1.2 mm", [3.9, 3.4, 4.1]),
        ("belt", "aramid denim", [1.3, 1.1, 1.4]),
    ];
    let trials = times.iter().flat_map(|(surface, material, seconds)| {
        seconds
            .iter()
            .enumerate()
            .map(move |(i, t)| Trial::perforated(format!("{surface}/{material}/{i}"), *surface, *material, *t))
    });
    let campaign = Campaign::from_trials(trials)?;
    let fit = Severity::new("asphalt").fit(&campaign)?;
    let belt = fit.factor("belt")?;
    println!("belt against asphalt: {belt}, from {} trials", fit.trials());
    println!("cowhide on asphalt: {} s", fit.median("cowhide 1.2 mm", "asphalt")?);
    // Geometric means by hand: (9.8·11.6·10.3·3.1·3.9·3.4 / (3.9·3.4·4.1·1.3·1.1·1.4))^(1/6).
    assert!((belt.estimate() - 2.760_191).abs() < 1e-6, "{belt:?}");
    Ok(())
}
