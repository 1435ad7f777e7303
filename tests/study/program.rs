//! The command line of the program and its small tables.

use std::fs;
use std::path::{Path, PathBuf};

use surface_severity::correction::Requirement;
use surface_severity::severity::Covariate;

use super::examples::options::{Options, decisions, pairs};

fn parse(line: &[&str]) -> Result<Options, String> {
    let parsed = Options::parse(line.iter().map(Into::into)).map_err(|failure| failure.to_string());
    parsed.map(|options| options.expect("no help was asked for"))
}

#[test]
fn without_arguments_it_is_the_demo_without_a_bootstrap() {
    let options = parse(&[]).unwrap();
    assert_eq!((options.reference.as_str(), options.bootstrap, options.level), ("dense asphalt concrete", 0, 0.95));
    assert!(options.inputs().all(Path::exists) && options.inputs().count() == 2);
}

#[test]
fn options_are_told_apart_from_slips() {
    let line = ["--trials", "t.csv", "--reference", "asphalt", "--laboratory", "a", "--laboratory", "b", "--level=0.9"];
    let options = parse(&line).unwrap();
    assert_eq!((options.laboratory.len(), options.level), (2, 0.9));
    assert!(options.reports.is_none() && options.command.starts_with("severity_study --trials t.csv"));
    for (line, said) in [
        (&["--referense", "a"][..], "did you mean --reference?"),
        (&["--zzz"], "unknown option --zzz\n"),
        (&["-x"], "unknown option -x"),
        (&["--seed", "1", "--seed", "1"], "--seed is given twice"),
        (&["--reference", "dense", "asphalt"], "quotation marks"),
        (&["--trials", "t.csv"], "--trials needs --reference"),
        (&["--reference"], "reference"),
        (&["--level", "95"], "such as 0.95"),
        (&["--bootstrap", "7"], "at least 100"),
        (&["--distribution", "normal"], "loglogistic"),
        (&["--seed", "one"], "whole number"),
        (&["--by-class"], "unknown option --by-class"),
        (&["--budget", "100"], "such as 2000,60,15"),
        (&["--budget", "100,0,5"], "such as 2000,60,15"),
        (&["--covariate", "speed_m_per_s=8,by-shoe"], "such as speed_m_per_s=8"),
        (&["--covariate", "wetness="], "wetness=dry"),
    ] {
        let error = parse(line).unwrap_err();
        assert!(error.contains(said), "{line:?}: {error}");
    }
}

#[test]
fn covariates_and_seasons_are_taken_as_they_are_written() {
    let line =
        ["--covariate", "speed_m_per_s=8,by-class", "--covariate", "wetness=dry", "--covariate", "temperature_c=20"];
    let options = parse(&line).unwrap();
    let speed = Covariate::power_law("speed_m_per_s", 8.0).by_class();
    let others = [Covariate::categories("wetness", "dry"), Covariate::linear("temperature_c", 20.0)];
    assert_eq!(options.covariates, [speed, others[0].clone(), others[1].clone()]);
    let line = ["--season", "a.json", "--season", "b.json", "--texture", "t.csv", "--budget", "900,60,15"];
    let options = parse(&line).unwrap();
    assert_eq!((options.seasons.len(), options.budget), (2, Some([900.0, 60.0, 15.0])));
    let inputs: Vec<&Path> = options.inputs().collect();
    assert!(["a.json", "b.json", "t.csv"].iter().all(|name| inputs.contains(&Path::new(name))), "none is written over");
}

fn table(name: &str, text: &str) -> PathBuf {
    let path = std::env::temp_dir().join(format!("surface-severity-{}-{name}", std::process::id()));
    fs::write(&path, text).unwrap();
    path
}

#[test]
fn small_tables_say_file_and_line() {
    let good = table("good.csv", "\u{feff}seconds,name\n4.0,zone 1\n 1 , zone 2\n");
    let read = pairs(&good, ["name", "seconds"], Requirement::new).unwrap();
    assert_eq!((read[1].name(), read[1].seconds()), ("zone 2", 1.0));
    let list = table("decisions.csv", "trial_id,reason,decided_by\nT1,\"slipped, see film\",J.\n");
    assert_eq!(decisions(&list).unwrap().list()[0].reason, "slipped, see film");
    for (text, said) in [
        ("name,second\na,1\n", "line 1: expected the columns name, seconds"),
        ("name,seconds,more\na,1,2\n", "\"more\" is not used"),
        ("name,seconds\na,1\nb,\"4,5\"\n", "line 3: column seconds: found \"4,5\""),
        ("name,seconds\na,-1\n", "line 2"),
        ("name,seconds\na\n", "line"),
    ] {
        let error = pairs(&table("bad.csv", text), ["name", "seconds"], Requirement::new).unwrap_err().to_string();
        assert!(error.contains(said) && error.contains("bad.csv"), "{error}");
    }
}
