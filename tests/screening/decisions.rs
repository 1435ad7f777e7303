//! Decisions: the caller decides, with a reason that every later result carries.

use sha2::Digest;
use surface_severity::campaign::{Campaign, Decisions};
use surface_severity::screening::{Screening, ScreeningDocument, ScreeningNote};
use surface_severity::severity::{CellMeans, Distribution, Note, Robust, Severity};

use super::{campaign, demo_trials};

const REFERENCE: &str = "dense asphalt concrete";

fn decisions() -> Decisions {
    Decisions::new().set_aside("R-0030", "stop wire broke late", "test engineer").set_aside(
        "L-0068",
        "stop wire broke early",
        "test engineer",
    )
}

#[test]
fn a_set_aside_trial_stays_in_the_table_and_is_not_fitted() {
    let table = campaign(demo_trials());
    let decided = table.with_decisions(&decisions()).unwrap();
    assert_eq!(decided.trials(), table.trials());
    assert_eq!(decided.trials_in_use().count(), table.trials_in_use().count() - 2);
    let gone = ["R-0030", "L-0068"];
    let removed = campaign(demo_trials().into_iter().filter(|t| !gone.contains(&t.trial_id.as_str())));
    let plan = Severity::new(REFERENCE).independent();
    let (a, b) = (plan.fit(&decided).unwrap(), plan.fit(&removed).unwrap());
    assert_eq!(a.factors(), b.factors());
    assert_eq!(a.materials(), b.materials());
    assert_eq!(a.trials(), b.trials());
    // Every other way of fitting honours them too.
    let cells = |c: &Campaign| CellMeans::fit(c, Distribution::LogNormal, 0.95).unwrap();
    assert_eq!(cells(&decided), cells(&removed));
    let robust = |c: &Campaign| Robust::student_t(4.0).fit(&plan, c).unwrap().factors().to_vec();
    assert_eq!(robust(&decided), robust(&removed));
    let named: Vec<_> = a.notes().iter().filter(|n| matches!(n, Note::SetAside { .. })).collect();
    assert_eq!(named.len(), 2);
    assert!(
        named[0].to_string().contains("L-0068 is set aside by test engineer and not fitted: stop wire broke early")
    );
    assert!(a.document(None).to_json().unwrap().contains("stop wire broke late"));
}

#[test]
fn decisions_are_part_of_the_digest_and_of_the_campaign_document() {
    let table = campaign(demo_trials());
    let decided = table.with_decisions(&decisions()).unwrap();
    assert_ne!(decided.digest(), table.digest());
    assert_eq!(decided.undecided().digest(), table.digest());
    assert_eq!(table.with_decisions(&Decisions::new()).unwrap(), table);
    // The order of deciding does not matter, the words do.
    let turned = Decisions::new().set_aside("L-0068", "stop wire broke early", "test engineer").set_aside(
        "R-0030",
        "stop wire broke late",
        "test engineer",
    );
    assert_eq!(table.with_decisions(&turned).unwrap(), decided);
    let other = Decisions::new().set_aside("L-0068", "stop wire broke early", "head of laboratory").set_aside(
        "R-0030",
        "stop wire broke late",
        "test engineer",
    );
    assert_ne!(table.with_decisions(&other).unwrap().digest(), decided.digest());
    let text = serde_json::to_string(&decided).unwrap();
    let back: Campaign = serde_json::from_str(&text).unwrap();
    assert_eq!(back, decided);
    assert_eq!(serde_json::to_string(&back).unwrap(), text);
    assert!(decided.to_string().contains("2 set aside"), "{decided}");
    let list = serde_json::to_string(&decisions()).unwrap();
    assert!(list.starts_with(r#"[{"trial_id":"R-0030","action":"set_aside","#), "{list}");
    assert_eq!(serde_json::from_str::<Decisions>(&list).unwrap(), decisions());
}

/// SHA-256 of the stated bytes, by coreutils: see the comment.
#[test]
fn the_digest_is_that_of_the_documented_bytes() {
    let table = campaign(demo_trials().into_iter().take(1));
    let one = table.with_decisions(&Decisions::new().set_aside("L-0001", "why", "me")).unwrap();
    // printf 'surface-severity/decisions/1\n%s\n6:L-0001,9:set_aside,3:why,2:me,\n' DIGEST | sha256sum
    let bytes = format!("surface-severity/decisions/1\n{}\n6:L-0001,9:set_aside,3:why,2:me,\n", table.digest());
    let want: String = sha2::Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect();
    assert_eq!(one.digest(), want);
}

#[test]
fn bad_decisions_are_refused_all_at_once() {
    let table = campaign(demo_trials());
    let bad = Decisions::new()
        .set_aside("R-9999", "no such trial", "me")
        .set_aside("R-0178", "void already", "me")
        .set_aside("R-0030", "", " ")
        .set_aside("R-0077", "once", "me")
        .set_aside("R-0077", "twice", "me");
    let message = table.with_decisions(&bad).unwrap_err().to_string();
    for part in ["R-9999", "R-0178", "decisions:3: column reason", "decisions:3: column decided_by", "decisions:5"] {
        assert!(message.contains(part), "{part}: {message}");
    }
}

#[test]
fn the_screening_shows_three_answers_and_keeps_testing_what_is_set_aside() {
    let table = campaign(demo_trials());
    let decided = table.with_decisions(&decisions()).unwrap();
    let plan = Severity::new(REFERENCE).independent();
    let report = Screening::default().screen(&decided, &plan).unwrap();
    let plain = Screening::default().screen(&table, &plan).unwrap();
    for (a, b) in report.headline().iter().zip(plain.headline()) {
        assert_eq!((&a.all_trials, &a.robust, &a.without_flagged), (&b.all_trials, &b.robust, &b.without_flagged));
        assert_eq!(
            a.decided.as_ref().unwrap(),
            &plan.fit(&decided).unwrap().factors().iter().find(|f| f.surface == a.surface).unwrap().factor
        );
        assert!(b.decided.is_none());
    }
    let verdict = report.verdict("R-0030").unwrap();
    assert!(verdict.flagged, "a decision does not hide the evidence");
    assert_eq!(verdict.decision.as_ref().unwrap().reason, "stop wire broke late");
    assert_eq!(report.decisions().count(), 2);
    assert!(
        report.notes().iter().any(|n| matches!(n, ScreeningNote::SetAside { trial_id, .. } if trial_id == "R-0030"))
    );
    assert_eq!(report.campaign_digest(), decided.digest());
    let text = report.document().to_json().unwrap();
    assert_eq!(ScreeningDocument::from_json(&text).unwrap().to_json().unwrap(), text);
}
