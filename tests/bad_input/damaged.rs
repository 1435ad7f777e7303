//! Damaged demo tables: what is read holds every line that the damage left whole.

use std::collections::{BTreeMap, BTreeSet};

use surface_severity::campaign::Campaign;
use surface_severity::correction::LabReports;

/// Numbers that scatter; the same in every run.
struct Scatter(u64);

impl Scatter {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        usize::try_from(self.0 >> 33).unwrap() % n
    }
}

/// One to four edits: bytes put in, taken out or replaced, mostly those that tables are made of; or quotation marks at two
/// places that a hand might reach, field starts and row ends among them.
fn damage(table: &str, scatter: &mut Scatter) -> String {
    const PUT: &[u8] = b"\"\"\"\"\"\",,,;\n\n\r\t .0a-";
    let mut bytes = table.as_bytes().to_vec();
    if scatter.below(2) == 0 {
        let first = scatter.below(bytes.len() - 400);
        let reach = [20, 400][scatter.below(2)];
        let mut places = vec![first, first + scatter.below(reach)];
        for place in &mut places {
            // To the next field start or line end.
            let ends = |b: &u8| matches!(b, b',' | b'\n');
            *place += bytes[*place..].iter().position(ends).unwrap_or(0);
            *place += usize::from(bytes[*place] == b',' && scatter.below(3) > 0);
        }
        places.sort_unstable();
        for place in places.into_iter().rev() {
            bytes.insert(place, b'"');
        }
    } else {
        for _ in 0..=scatter.below(3) {
            let place = scatter.below(bytes.len());
            match scatter.below(3) {
                0 => bytes[place] = PUT[scatter.below(PUT.len())],
                1 => bytes.insert(place, PUT[scatter.below(PUT.len())]),
                _ => _ = bytes.remove(place),
            }
        }
    }
    String::from_utf8(bytes).unwrap()
}

/// The first fields of the lines that are as they were, with how many lines there are of each.
fn whole_lines<'t>(damaged: &'t str, lines: &BTreeSet<&str>) -> BTreeMap<&'t str, usize> {
    let mut whole = BTreeMap::new();
    for line in damaged.split(['\n', '\r']).filter(|line| lines.contains(line)) {
        *whole.entry(line.split(',').next().unwrap()).or_default() += 1;
    }
    whole
}

/// Lines with anything in them, the header among them.
fn filled(text: &str) -> usize {
    text.split(['\n', '\r']).filter(|line| line.contains(|c: char| !c.is_whitespace() && c != ',')).count()
}

#[test]
fn no_damage_loses_a_trial() {
    let table: String = include_str!("../../data-demo/trials.csv").lines().take(60).map(|l| format!("{l}\n")).collect();
    let lines: BTreeSet<&str> = table.lines().skip(1).collect();
    let mut scatter = Scatter(1);
    let (mut read, mut refused) = (0, 0);
    for _ in 0..5000 {
        let damaged = damage(&table, &mut scatter);
        let Ok(campaign) = Campaign::from_reader(damaged.as_bytes(), "trials.csv") else {
            refused += 1;
            continue;
        };
        read += 1;
        let ids: BTreeSet<&str> = campaign.trials().iter().map(|t| t.trial_id.as_str()).collect();
        let whole = whole_lines(&damaged, &lines);
        assert!(whole.keys().all(|id| ids.contains(id)), "a trial is lost:\n{damaged}");
        // A note on several lines is the one way for a line to be no row.
        let in_texts: usize = campaign
            .trials()
            .iter()
            .flat_map(|t| t.note.iter().chain(t.covariates.values()))
            .map(|text| text.matches('\n').count())
            .sum();
        let rows = filled(&damaged) - 1;
        assert!(campaign.len() == rows || (campaign.len() < rows && damaged.contains('"')), "{damaged}");
        assert!(campaign.len() + in_texts + 1 >= rows, "{damaged}");
    }
    assert!(read > 250 && refused > 3000, "{read} read, {refused} refused");
}

#[test]
fn no_damage_loses_a_report() {
    let table = include_str!("../../data-demo/lab_reports.csv").replace("\r\n", "\n");
    let lines: BTreeSet<&str> = table.lines().skip(1).collect();
    let mut scatter = Scatter(2);
    let (mut read, mut refused) = (0, 0);
    for _ in 0..5000 {
        let damaged = damage(&table, &mut scatter);
        let Ok(reports) = LabReports::read(damaged.as_bytes(), "lab_reports.csv") else {
            refused += 1;
            continue;
        };
        read += 1;
        let rows: BTreeMap<&str, usize> =
            reports.reports().iter().map(|r| (r.report_id(), r.specimens().len().max(1))).collect();
        for (id, count) in whole_lines(&damaged, &lines) {
            assert!(rows.get(id).is_some_and(|rows| *rows >= count), "a row of {id} is lost:\n{damaged}");
        }
        assert_eq!(rows.values().sum::<usize>() + 1, filled(&damaged), "{damaged}");
    }
    assert!(read > 120 && refused > 3000, "{read} read, {refused} refused");
}
