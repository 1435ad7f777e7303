//! The trial table from outside: reading, writing, documents and the digest.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use proptest::prelude::*;
use surface_severity::ErrorKind;
use surface_severity::campaign::{Campaign, CampaignBuilder, CampaignReader, Outcome, SurfaceRole, Trial};

fn read(table: impl AsRef<[u8]>) -> Campaign {
    Campaign::from_reader(table.as_ref(), "trials.csv").unwrap()
}

/// The table of tests/reference/campaign_digest.py, written as untidily as the contract allows.
const UNTIDY: &str = "\u{feff}\r\n operator ,trial_id,outcome,surface,material,abrasion_time_s,\"angle, °\",surface_role,day,temperature_c,drop_height_mm,speed_m_per_s,thickness_mm,layers,specimen_mass_g_per_m2,normal_force_n,material_class,run,belt,note\r\n\
    J\u{f6}rg , T2,perforated,\"asphalt\" , aramid knit,2.50,15,road,d1,-5,-0,+8.00,,,,,,,,\r\n\
    \r\n\
    ,T10,opened_at_contact, \"belt\",\"cowhide, 1.2 mm\",5e-2,,laboratory,,,,,1.20,2.0,1234.50,1e22,leather,,\tB7\t,\r\n\
    ,\"T1\",void,belt,\"cowhide, 1.2 mm\",,,,,,,,,,,,, 1 ,,\"the \"\"wet\"\" part\r\nslipped\"\r\n\
    ,t3,run_out,asphalt,\"cowhide, 1.2 mm\",0.30000000000000004,,,,,,,,,,,,,,";

#[test]
fn digest_agrees_with_an_independent_computation() {
    let campaign = read(UNTIDY);
    // Made by tests/reference/campaign_digest.py (Python's hashlib, written from the documented
    // form); its output, with the bytes that are hashed, is stored beside it.
    let stored = include_str!("reference/campaign_digest.txt");
    let pinned = "1de03273eae07c779a219ca5b5cd4e00908bf8f8b5fa4d910f8ec1c3a4352444";
    assert_eq!(stored.lines().next(), Some(pinned));
    assert_eq!(campaign.digest(), pinned);
}

#[test]
fn an_untidy_table_is_read_in_full() {
    let campaign = read(UNTIDY);
    let ids: Vec<_> = campaign.trials().iter().map(|t| t.trial_id.as_str()).collect();
    assert_eq!(ids, ["T2", "T10", "T1", "t3"], "the order of the input");
    let canonical: Vec<_> = campaign.canonical_order().iter().map(|&i| ids[i as usize]).collect();
    assert_eq!(canonical, ["T1", "T10", "T2", "t3"], "sorted by the bytes of the id");
    let expected = Trial::perforated("T2", "asphalt", "aramid knit", 2.5)
        .surface_role(SurfaceRole::Road)
        .day("d1")
        .temperature_c(-5.0)
        .drop_height_mm(0.0)
        .speed_m_per_s(8.0)
        .covariate("operator", "Jörg")
        .covariate("angle, °", "15");
    assert_eq!(campaign.trials()[0], expected);
    let expected = Trial::opened_at_contact("T10", "belt", "cowhide, 1.2 mm", 0.05)
        .material_class("leather")
        .surface_role(SurfaceRole::Laboratory)
        .belt("B7")
        .thickness_mm(1.2)
        .layers(2)
        .specimen_mass_g_per_m2(1234.5)
        .normal_force_n(1e22);
    assert_eq!(campaign.trials()[1], expected);
    let void = &campaign.trials()[2];
    assert_eq!(void.note.as_deref(), Some("the \"wet\" part\nslipped"));
    assert_eq!(void.material_class.as_deref(), Some("leather"), "a class given once holds for the material");
    assert_eq!(campaign.trials()[3].surface_role, Some(SurfaceRole::Road), "a role given once holds for the surface");

    assert_eq!(campaign.covariate_columns(), ["angle, °", "operator"]);
    assert_eq!(campaign.laboratory_surfaces(), ["belt"]);
    assert_eq!(campaign.road_surfaces(), ["asphalt"]);
    assert_eq!(campaign.voids().map(|t| t.trial_id.as_str()).collect::<Vec<_>>(), ["T1"]);
    assert_eq!(campaign.surface("belt").unwrap(), 1);
    assert_eq!(campaign.surface_index(), [0, 1, 1, 0]);
    assert_eq!(campaign.material_index(), [0, 1, 1, 1]);
    assert_eq!(campaign.materials()[1].class.as_deref(), Some("leather"));
    assert_eq!(campaign.materials()[0].class, None);
    assert!(
        matches!(campaign.material("suede").unwrap_err().kind(), ErrorKind::UnknownMaterial { known, .. } if known.len() == 2)
    );
    assert_eq!(campaign.to_string(), "4 trials (1 void) of 2 materials on 2 surfaces (1 laboratory, 1 road)");
    assert!(format!("{campaign:?}").len() < 120, "a notebook shows Debug");

    let mut cells = std::collections::BTreeMap::<(&str, &str), (usize, usize)>::new();
    for trial in campaign.trials() {
        let (valid, void) = cells.entry((&trial.material, &trial.surface)).or_default();
        *if trial.outcome == Outcome::Void { void } else { valid } += 1;
    }
    let expected = [
        (("aramid knit", "asphalt"), (1, 0)),
        (("cowhide, 1.2 mm", "asphalt"), (1, 0)),
        (("cowhide, 1.2 mm", "belt"), (1, 1)),
    ];
    assert!(cells.into_iter().eq(expected));
}

#[test]
fn every_value_is_in_the_digest() {
    let base = read(UNTIDY);
    let mut digests = vec![base.digest()];
    let changes: [fn(&mut Trial); 19] = [
        |t| t.trial_id = "T4".into(),
        |t| t.surface = "concrete".into(),
        |t| t.material = "suede".into(),
        |t| t.abrasion_time_s = Some(2.500_000_000_000_000_4),
        |t| t.outcome = Outcome::RunOut,
        |t| t.material_class = Some("knit".into()),
        |t| t.surface_role = Some(SurfaceRole::Laboratory),
        |t| t.day = None,
        |t| t.run = Some("d1".into()),
        |t| t.belt = Some("d1".into()),
        |t| t.speed_m_per_s = Some(8.1),
        |t| t.drop_height_mm = None,
        |t| t.temperature_c = Some(5.0),
        |t| t.normal_force_n = Some(8.0),
        |t| t.specimen_mass_g_per_m2 = Some(8.0),
        |t| t.thickness_mm = Some(8.0),
        |t| t.layers = Some(8),
        |t| t.note = Some("d1".into()),
        |t| *t.covariates.get_mut("operator").unwrap() = "jörg".into(),
    ];
    for change in changes {
        let mut trials = base.trials().to_vec();
        let asphalt = trials[0].surface_role;
        change(&mut trials[0]);
        if trials[0].surface_role != asphalt {
            trials[3].surface_role = trials[0].surface_role; // one role per surface
        }
        digests.push(Campaign::from_trials(trials).unwrap().digest());
    }
    // A text moved to the neighbouring column, and a covariate renamed.
    for change in [(|t: &mut Trial| t.run = t.day.take()) as fn(&mut Trial), |t| {
        let text = t.covariates.remove("operator").unwrap();
        t.covariates.insert("operato".into(), format!("r{text}"));
    }] {
        let mut trials = base.trials().to_vec();
        change(&mut trials[0]);
        digests.push(Campaign::from_trials(trials).unwrap().digest());
    }
    digests.push(Campaign::from_trials(base.trials()[1..].to_vec()).unwrap().digest());
    let count = digests.len();
    digests.sort();
    digests.dedup();
    assert_eq!(digests.len(), count, "two different tables have one digest");
}

#[test]
fn laboratory_surfaces_by_option() {
    let table = "trial_id,surface,material,abrasion_time_s,outcome,surface_role\n\
        T1,belt,cowhide,4.1,perforated,\nT2,old belt,cowhide,4.1,perforated,laboratory\nT3,asphalt,cowhide,4.1,perforated,\n";
    let unknown = read(table);
    assert_eq!(unknown.to_string(), "3 trials of 1 material on 3 surfaces (1 laboratory, 0 road, 2 without a role)");
    let named = CampaignReader::new().laboratory_surface(" belt ").from_reader(table.as_bytes(), "t").unwrap();
    assert_eq!((named.laboratory_surfaces(), named.road_surfaces()), (vec!["belt", "old belt"], vec!["asphalt"]));
    assert_eq!(named.trials()[0].surface_role, Some(SurfaceRole::Laboratory));
    assert_ne!(named.digest(), unknown.digest(), "the digest holds the role, wherever it came from");
    // Once written, the option is no longer needed.
    assert_eq!(read(named.to_csv()), named);
    let built = unknown.trials().iter().cloned().collect::<CampaignBuilder>().laboratory_surface("belt").build();
    assert_eq!(built.unwrap(), named);
}

#[test]
fn written_tables_are_plain() {
    let campaign = Campaign::from_trials([
        Trial::perforated("T1", "asphalt", "cowhide", 2.50).covariate("b", "x").covariate("a", "y, z"),
        Trial::void("T2", "asphalt", "cowhide", "two\r\nlines").abrasion_time_s(1e-4).normal_force_n(1e-7),
        Trial::run_out("T3", "asphalt", "cowhide", 1e5).layers(3).normal_force_n(1e300),
    ])
    .unwrap();
    let expected = "trial_id,surface,material,abrasion_time_s,outcome,normal_force_n,layers,note,a,b\n\
        T1,asphalt,cowhide,2.5,perforated,,,,\"y, z\",x\n\
        T2,asphalt,cowhide,0.0001,void,1e-7,,\"two\nlines\",,\n\
        T3,asphalt,cowhide,100000,run_out,1e300,3,,,\n";
    assert_eq!(campaign.to_csv(), expected);
    let mut written = Vec::new();
    campaign.write_csv(&mut written).unwrap();
    assert_eq!(written, expected.as_bytes());
    let json = r#"{"schema":"surface-severity/campaign/1","trials":[{"trial_id":"T1","surface":"asphalt","material":"cowhide","abrasion_time_s":2.5,"outcome":"perforated","covariates":{"a":"y, z","b":"x"}},"#;
    assert!(serde_json::to_string(&campaign).unwrap().starts_with(json));
}

#[test]
fn a_refusing_writer_is_an_error() {
    struct Full;
    impl std::io::Write for Full {
        fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
            Err(std::io::Error::other("disk full"))
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    let campaign = Campaign::from_trials([Trial::perforated("T1", "asphalt", "cowhide", 2.5)]).unwrap();
    let error = campaign.write_csv(Full).unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::NotSaved { reason, .. } if reason.contains("disk full")), "{error}");
    assert!(!error.is_input(), "nothing in the input to mend");
}

#[test]
fn numbers_are_read_in_every_decimal_form() {
    for (text, value) in
        [("4", 4.0), ("+4.10", 4.1), (".5", 0.5), ("5.", 5.0), ("41e-1", 4.1), ("4.1E+0", 4.1), ("1e-4", 1e-4)]
    {
        let table =
            format!("trial_id,surface,material,abrasion_time_s,outcome\nT1,asphalt,cowhide,{text},perforated\n");
        assert_eq!(read(&table).trials()[0].abrasion_time_s, Some(value), "{text}");
    }
}

#[test]
fn the_demo_campaign_is_read() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo/trials.csv");
    let campaign = Campaign::read_path(&path).unwrap();
    let lines = std::fs::read_to_string(&path).unwrap().lines().count();
    assert_eq!(campaign.len() + 1, lines);
    assert_eq!(campaign.covariate_columns(), ["operator_shift"]);
    assert_eq!(campaign.laboratory_surfaces(), ["laboratory belt"]);
    assert_eq!(read(campaign.to_csv()), campaign);
}

#[test]
fn words_of_the_table_are_parsed_exactly() {
    for outcome in Outcome::ALL {
        assert_eq!(outcome.to_string().parse::<Outcome>().unwrap(), outcome);
    }
    for role in SurfaceRole::ALL {
        assert_eq!(role.to_string().parse::<SurfaceRole>().unwrap(), role);
    }
    assert!("Void".parse::<Outcome>().is_err() && " road".parse::<SurfaceRole>().is_err());
}

// Arbitrary tables.

fn label() -> impl Strategy<Value = String> {
    // Printable, with the characters that CSV minds; trimmed, so that it is in normal form.
    "[!-~äß°]([ -~äß°\u{200d}]{0,8}[!-~äß°])?"
}

fn text() -> impl Strategy<Value = String> {
    "[!-~ä\"]([ -~ä\",\n\t]{0,12}[!-~ä\"])?"
}

fn positive() -> impl Strategy<Value = f64> {
    prop_oneof![
        (1u32..100_000).prop_map(|n| f64::from(n) / 100.0),
        any::<f64>().prop_map(f64::abs).prop_filter("positive", |x| x.is_finite() && *x > 0.0)
    ]
}

/// A time that a clock gives.
fn time() -> impl Strategy<Value = f64> {
    prop_oneof![(1u32..100_000).prop_map(|n| f64::from(n) / 100.0), 1e-4..=1e5]
}

prop_compose! {
    fn trial()(
        surface in 0usize..4, material in 0usize..4, time in time(), outcome in 0usize..4,
        groups in proptest::array::uniform3(proptest::option::of(0usize..4)),
        numbers in proptest::array::uniform4(proptest::option::of(positive())),
        height in proptest::option::of(prop_oneof![Just(0.0), positive()]),
        temperature in proptest::option::of(-60.0f64..60.0),
        layers in proptest::option::of(1u32..), note in text(), noted in any::<bool>(), timed in any::<bool>(),
        covariates in proptest::collection::btree_map("x[ -~é]{0,6}x", text(), 0..3),
    ) -> (usize, usize, [Option<usize>; 3], Trial) {
        let mut trial = Trial::perforated("", "", "", time);
        trial.outcome = Outcome::ALL[outcome];
        if trial.outcome == Outcome::Void && !timed {
            trial.abrasion_time_s = None;
        }
        trial.note = (noted || trial.outcome == Outcome::Void).then_some(note);
        [trial.speed_m_per_s, trial.normal_force_n, trial.specimen_mass_g_per_m2, trial.thickness_mm] = numbers;
        (trial.drop_height_mm, trial.temperature_c, trial.layers) = (height, temperature, layers);
        trial.covariates = covariates;
        (surface, material, groups, trial)
    }
}

prop_compose! {
    fn campaign()(
        rows in proptest::collection::vec(trial(), 1..12),
        surfaces in proptest::array::uniform4((label(), proptest::option::of(any::<bool>()))),
        materials in proptest::array::uniform4((label(), proptest::option::of(label()))),
        names in proptest::array::uniform4(label()),
        prefix in label(),
    ) -> Campaign {
        let trials = rows.into_iter().enumerate().map(|(i, (s, m, groups, mut trial))| {
            trial.trial_id = format!("{prefix}{i}");
            // The number keeps names apart, so that each has one role or class and no two look alike.
            [trial.day, trial.run, trial.belt] = groups.map(|g| g.map(|g| format!("{}{g}", names[g])));
            trial.surface = format!("{}{s}", surfaces[s].0);
            trial.material = format!("{}{m}", materials[m].0);
            trial.surface_role = surfaces[s].1.map(|lab| if lab { SurfaceRole::Laboratory } else { SurfaceRole::Road });
            trial.material_class = materials[m].1.as_ref().map(|class| format!("{class}{m}"));
            trial
        });
        Campaign::from_trials(trials).unwrap()
    }
}

/// The table again with rows and columns in another order, other line ends, quotes and blanks.
fn rewrite(csv: &str, rotate: usize, crlf: bool, quote: bool, pad: bool) -> String {
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(csv.as_bytes());
    let mut rows: Vec<Vec<String>> = reader.records().map(|r| r.unwrap().iter().map(String::from).collect()).collect();
    let columns = rows[0].len();
    for row in &mut rows {
        row.rotate_left(rotate % columns);
        row.reverse();
    }
    rows[1..].reverse();
    let end = if crlf { "\r\n" } else { "\n" };
    let mut out = String::new();
    for row in rows {
        let fields: Vec<String> = row
            .into_iter()
            .map(|field| {
                let must = quote || field.contains([',', '"', '\n', '\r']);
                let field = if must { format!("\"{}\"", field.replace('"', "\"\"").replace('\n', end)) } else { field };
                if pad { format!(" {field}\t") } else { field }
            })
            .collect();
        out.push_str(&fields.join(","));
        out.push_str(end);
    }
    out
}

proptest! {
    #[test]
    fn read_write_read_is_the_same(campaign in campaign()) {
        let csv = campaign.to_csv();
        let again = Campaign::from_reader(csv.as_bytes(), "t").unwrap();
        prop_assert_eq!(again.to_csv(), csv);
        prop_assert_eq!(again.trials(), campaign.trials());
        prop_assert_eq!(again.digest(), campaign.digest());
        prop_assert!(again == campaign);
    }

    #[test]
    fn documents_read_back_the_same(campaign in campaign()) {
        let json = serde_json::to_string(&campaign).unwrap();
        let again: Campaign = serde_json::from_str(&json).unwrap();
        prop_assert!(again == campaign);
        prop_assert_eq!(serde_json::to_string(&again).unwrap(), json);
    }

    #[test]
    fn the_way_of_writing_does_not_change_the_digest(
        campaign in campaign(), rotate in 0usize..20, crlf: bool, quote: bool, pad: bool,
    ) {
        let csv = rewrite(&campaign.to_csv(), rotate, crlf, quote, pad);
        let again = Campaign::from_reader(csv.as_bytes(), "t").unwrap();
        prop_assert_eq!(again.digest(), campaign.digest());
        prop_assert_eq!(again.surfaces(), campaign.surfaces());
        prop_assert_eq!(again.materials(), campaign.materials());
        let canonical = |c: &Campaign| c.canonical_order().iter().map(|&i| c.trials()[i as usize].clone()).collect::<Vec<_>>();
        prop_assert_eq!(canonical(&again), canonical(&campaign));
    }

    #[test]
    fn another_value_is_another_digest(campaign in campaign(), row in 0usize..12, time in time()) {
        let mut trials = campaign.trials().to_vec();
        let row = row % trials.len();
        let changed = trials[row].abrasion_time_s.replace(time) != Some(time);
        prop_assert_eq!(Campaign::from_trials(trials).unwrap().digest() != campaign.digest(), changed);
    }

    #[test]
    fn arbitrary_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        let _ = Campaign::from_reader(&bytes[..], "t");
        let mut table = b"trial_id,surface,material,abrasion_time_s,outcome,note,layers,x\n".to_vec();
        table.extend(&bytes);
        let _ = Campaign::from_reader(&table[..], "t").map_err(|error| error.to_string());
    }

    #[test]
    fn damaged_tables_never_panic_or_lose_a_row(
        campaign in campaign(), cuts in proptest::collection::vec((any::<proptest::sample::Index>(), "[,\"\n\r;. \0a-é\u{feff}]{0,3}"), 1..4),
    ) {
        let mut csv = campaign.to_csv();
        for (at, put) in cuts {
            let places: Vec<usize> = csv.char_indices().map(|(i, _)| i).collect();
            csv.insert_str(places[at.index(places.len())], &put);
        }
        match Campaign::from_reader(csv.as_bytes(), "t") {
            // A strict parse of our own gives the number of rows.
            Ok(read) => prop_assert_eq!(read.len() + 1, rows(&csv)),
            Err(error) => prop_assert!(error.is_input() && !error.to_string().is_empty()),
        }
    }
}

/// Rows of a table by the plain rule: line ends outside quotation marks, blank lines and empty fields not counted.
/// A quotation mark counts where a field starts with it.
fn rows(csv: &str) -> usize {
    let (mut rows, mut blank) = (0, true);
    let (mut at_start, mut quoted, mut inside) = (true, false, false);
    for c in csv.chars() {
        match c {
            '\n' | '\r' if !inside => {
                rows += usize::from(!blank);
                (blank, at_start, quoted) = (true, true, false);
            }
            ',' if !inside => (at_start, quoted) = (true, false),
            // An empty quoted field alone on its line is a blank line too.
            '"' if at_start || quoted => (at_start, quoted, inside) = (false, true, !inside),
            _ => {
                blank &= c.is_whitespace();
                at_start &= c == ' ' || c == '\t';
            }
        }
    }
    rows + usize::from(!blank)
}
