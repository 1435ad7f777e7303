//! The crate inside a service: rows in, factors as JSON out, and a refusal that the caller can act on.
//!
//! ```text
//! cargo run --release --example embed                   a request of its own
//! cargo run --release --example embed -- < rows.json    [{"surface": …, "material": …, "seconds": …, "ran_out": false}, …]
//! ```

use std::io::{IsTerminal, Read};

use serde::{Deserialize, Serialize};
use surface_severity::campaign::{Campaign, Trial};
use surface_severity::severity::{Severity, SurfaceFactor};
use surface_severity::{Error, ErrorKind};

#[derive(Deserialize)]
struct Row {
    surface: String,
    material: String,
    seconds: f64,
    #[serde(default)]
    ran_out: bool,
}

#[derive(Serialize)]
#[serde(rename_all = "snake_case")]
enum Answer {
    Factors {
        reference: String,
        factors: Vec<SurfaceFactor>,
        remarks: Vec<String>,
    },
    /// The caller's rows are at fault; `rows` says which where it is single ones.
    Refused {
        reason: String,
        rows: Vec<u64>,
    },
    Failed {
        reason: String,
    },
}

fn factors(rows: Vec<Row>, reference: &str) -> Result<Answer, Error> {
    let trials = rows.into_iter().enumerate().map(|(i, row)| {
        let id = i.to_string();
        if row.ran_out {
            Trial::run_out(id, row.surface, row.material, row.seconds)
        } else {
            Trial::perforated(id, row.surface, row.material, row.seconds)
        }
    });
    let fit = Severity::new(reference).fit(&Campaign::from_trials(trials)?)?;
    Ok(Answer::Factors {
        reference: reference.into(),
        factors: fit.factors().to_vec(),
        remarks: fit.notes().iter().map(ToString::to_string).collect(),
    })
}

fn answer(rows: Vec<Row>, reference: &str) -> Answer {
    factors(rows, reference).unwrap_or_else(|error| match error.kind() {
        ErrorKind::Table { problems, .. } => {
            Answer::Refused { reason: error.to_string(), rows: problems.iter().map(|p| p.line - 1).collect() }
        }
        _ if error.is_input() => Answer::Refused { reason: error.to_string(), rows: Vec::new() },
        _ => Answer::Failed { reason: error.to_string() },
    })
}

const REQUEST: &str = r#"[
    {"surface": "asphalt", "material": "cowhide 1.2 mm", "seconds": 9.8},
    {"surface": "asphalt", "material": "cowhide 1.2 mm", "seconds": 11.6},
    {"surface": "asphalt", "material": "cowhide 1.2 mm", "seconds": 10.3},
    {"surface": "asphalt", "material": "aramid denim", "seconds": 3.1},
    {"surface": "asphalt", "material": "aramid denim", "seconds": 3.9},
    {"surface": "asphalt", "material": "aramid denim", "seconds": 3.4},
    {"surface": "belt", "material": "cowhide 1.2 mm", "seconds": 3.9},
    {"surface": "belt", "material": "cowhide 1.2 mm", "seconds": 3.4},
    {"surface": "belt", "material": "cowhide 1.2 mm", "seconds": 4.1},
    {"surface": "belt", "material": "aramid denim", "seconds": 1.3},
    {"surface": "belt", "material": "aramid denim", "seconds": 1.1},
    {"surface": "belt", "material": "aramid denim", "seconds": 1.4}
]"#;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut sent = String::new();
    if !std::io::stdin().is_terminal() {
        std::io::stdin().read_to_string(&mut sent)?;
    }
    let request = if sent.trim().is_empty() { REQUEST } else { &sent };
    println!("{}", serde_json::to_string_pretty(&answer(serde_json::from_str(request)?, "asphalt"))?);
    // Geometric means by hand: (9.8·11.6·10.3·3.1·3.9·3.4 / (3.9·3.4·4.1·1.3·1.1·1.4))^(1/6).
    if let Answer::Factors { factors, .. } = answer(serde_json::from_str(REQUEST)?, "asphalt") {
        let belt = factors.iter().find(|f| f.surface == "belt").and_then(|f| f.factor.value());
        assert!(belt.is_some_and(|k| (k - 2.760_191).abs() < 1e-6), "{belt:?}");
    }
    let wrong = REQUEST.replace("9.8", "-9.8");
    if let Answer::Refused { reason, rows } = answer(serde_json::from_str(&wrong)?, "asphalt") {
        eprintln!("for instance rows {rows:?} refused: {reason}");
    }
    Ok(())
}
