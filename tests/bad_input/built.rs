//! Tables built in code and campaign documents are held to the same rules.

use surface_severity::campaign::{Campaign, SurfaceRole, Trial};

use crate::snapshot;

#[test]
fn built_in_code() {
    let mut spaced = Trial::perforated("T9", "asphalt", "cowhide", 4.0).covariate("operator", "a");
    spaced.covariates.insert("operator ".into(), "b".into());
    let mut untimed = Trial::perforated("T10", "asphalt", "cowhide", 4.0);
    untimed.abrasion_time_s = None;
    let error = Campaign::builder()
        .trial(Trial::perforated("T1", "asphalt", "cowhide", f64::NAN))
        .trial(Trial::run_out("T2", "asphalt", "cowhide", f64::INFINITY))
        .trial(Trial::opened_at_contact("T3", "", "cowhide", 0.0))
        .trial(Trial::void("T4", "asphalt", "cowhide", " \n"))
        .trial(Trial::perforated(" T1", "asphalt", "cowhide", 1.0).layers(0).thickness_mm(-1e-300))
        .trial(Trial::perforated("T6", "asphalt", "cowhide", 1.0).material_class("leather").day("d\n1"))
        .trial(Trial::perforated("T7", "belt", "cowhide", 1.0).material_class("suede").surface_role(SurfaceRole::Road))
        .trial(
            Trial::perforated("T8", "belt", "cowhide", 1.0)
                .covariate("Day", "1")
                .covariate("day", "1")
                .covariate("", "x"),
        )
        .trial(spaced)
        .trial(untimed)
        .laboratory_surface("belt")
        .build()
        .unwrap_err();
    snapshot("built_in_code", &error.to_string());
    snapshot("built_from_nothing", &Campaign::from_trials([]).unwrap_err().to_string());
    let one = Trial::perforated("T1", "asphalt", "cowhide", 4.0);
    let error = Campaign::builder().trial(one).laboratory_surface("lab").build().unwrap_err();
    snapshot("built_with_unknown_laboratory", &error.to_string());
}

#[test]
fn documents() {
    let trial =
        r#"{"trial_id":"T1","surface":"asphalt","material":"cowhide","abrasion_time_s":4.0,"outcome":"perforated"}"#;
    let schema = r#""schema":"surface-severity/campaign/1""#;
    let good = format!("{{{schema},\"trials\":[{trial}]}}");
    assert_eq!(serde_json::from_str::<Campaign>(&good).unwrap().len(), 1);
    let mut texts = String::new();
    for (what, document) in [
        ("newer schema", good.replace("campaign/1", "campaign/2")),
        ("other kind", good.replace("/campaign/", "/severity/")),
        ("no schema", good.replace(&format!("{schema},"), "")),
        ("unknown field", good.replacen('{', "{\"digest\":\"\",", 1)),
        ("unknown field of a trial", good.replace("\"surface\"", "\"speed\":8,\"surface\"")),
        ("no trials", format!("{{{schema},\"trials\":[]}}")),
        ("negative time", good.replace("4.0", "-4.0")),
        ("time not a number", good.replace("4.0", "\"4.0\"")),
        ("time too large", good.replace("4.0", "1e999")),
        ("time absent", good.replace("4.0", "null")),
        ("repeated id", good.replace(trial, &format!("{trial},{trial}"))),
        ("unknown outcome", good.replace("perforated", "Perforated")),
        ("repeated covariate", good.replace("4.0,", "4.0,\"covariates\":{\"a\":\"1\",\"a\":\"2\"},")),
        ("covariate named as a column", good.replace("4.0,", "4.0,\"covariates\":{\"day\":\"1\"},")),
    ] {
        let error = serde_json::from_str::<Campaign>(&document).expect_err(what);
        texts.push_str(&format!("{what}\n  {}\n", error.to_string().replace('\n', "\n  ")));
    }
    snapshot("documents", &texts);
}
