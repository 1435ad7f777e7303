//! Pictures, tables and the page: structure, completeness, escaping, same bytes.
//!
//! What the tests draw is left in the build directory (`target/tmp/`) for looking at.
#![cfg(feature = "report")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::OnceLock;
use std::time::Instant;

use roxmltree::{Document, Node};
use surface_severity::Interval;
use surface_severity::bootstrap::{Bootstrap, SeverityBootstrap};
use surface_severity::campaign::{Campaign, Decision, Decisions, Outcome, SurfaceRole, Trial};
use surface_severity::correction::{ClassBasis, CorrectedTime, Correction, CorrectionOptions, LabReports, Requirement};
use surface_severity::equivalence::{Equivalence, EquivalenceFit, Form};
use surface_severity::report::{CorrectionSheet, Page, Plot, PlotOptions, plots};
use surface_severity::screening::{LeftOut, Screening, ScreeningReport, influence};
use surface_severity::severity::{
    Additivity, CellMeans, ClassFactors, Distribution, DistributionComparison, EqualScatter, Grouping, ScatterBy,
    Severity, SeverityFit, UnequalScatter,
};
use surface_severity::study::{Study, StudyResult};
use surface_severity::tables::{self, Align, Column, Table, Value};

/// Everything that the invented campaign gives.
struct Demo {
    campaign: Campaign,
    fit: SeverityFit,
    cells: CellMeans,
    additivity: Additivity,
    classes: ClassFactors,
    bootstrap: SeverityBootstrap,
    screening: ScreeningReport,
    equivalence: EquivalenceFit,
    correction: Correction,
    power: Correction,
    reports: Vec<CorrectedTime>,
    requirements: Vec<Requirement>,
    distributions: DistributionComparison,
    equal: EqualScatter,
    unequal: UnequalScatter,
    mixed: SeverityFit,
    mixed_intervals: Vec<Option<Interval>>,
}

/// A time that the corrected reports are asked to reach, s.
const REQUIRED: f64 = 4.0;

fn demo() -> &'static Demo {
    static DEMO: OnceLock<Demo> = OnceLock::new();
    DEMO.get_or_init(|| {
        let campaign = Campaign::read_path(Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo/trials.csv")).unwrap();
        let fit = Severity::new("dense asphalt concrete").independent().fit(&campaign).unwrap();
        let mixed = Severity::new("dense asphalt concrete")
            .random(Grouping::Day)
            .random(Grouping::ClassBySurface)
            .fit(&campaign)
            .unwrap();
        let bootstrap = Bootstrap::rescaled(400).severity(fit.plan(), &campaign).unwrap();
        let equivalence = Equivalence::new("laboratory belt").fit(&campaign, &mixed).unwrap();
        let correction = Correction::derive(&equivalence, &CorrectionOptions::default()).unwrap();
        let power = Correction::derive(&equivalence, &CorrectionOptions::default().form(Form::PowerLaw)).unwrap();
        let read =
            LabReports::read_path(Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo/lab_reports.csv")).unwrap();
        let plan = fit.plan();
        Demo {
            distributions: DistributionComparison::of(plan, &campaign).unwrap(),
            equal: EqualScatter::test(plan, &campaign, ScatterBy::Class).unwrap(),
            unequal: UnequalScatter::fit(plan, &campaign, ScatterBy::Class).unwrap(),
            mixed_intervals: vec![mixed.profile_interval(&Grouping::Day).ok(), None, mixed.scatter_interval().ok()],
            mixed,
            screening: Screening::new().screen(&campaign, fit.plan()).unwrap(),
            reports: read.reports().iter().flat_map(|r| correction.apply(r)).collect(),
            equivalence,
            correction,
            power,
            cells: CellMeans::fit(&campaign, Distribution::LogNormal, 0.95).unwrap(),
            additivity: Additivity::test(fit.plan(), &campaign).unwrap(),
            classes: ClassFactors::fit(fit.plan(), &campaign).unwrap(),
            bootstrap,
            requirements: vec![
                Requirement::new("a zone", 4.0).unwrap(),
                Requirement::new("<b>another</b>", 7.0).unwrap(),
            ],
            fit,
            campaign,
        }
    })
}

/// The study of the demo campaign and its laboratory reports, as page and sheet print it.
fn result() -> &'static StudyResult {
    static RESULT: OnceLock<StudyResult> = OnceLock::new();
    RESULT.get_or_init(|| {
        let reports =
            LabReports::read_path(Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo/lab_reports.csv")).unwrap();
        Study::new(Severity::new("dense asphalt concrete")).run(&demo().campaign, Some(&reports)).unwrap()
    })
}

impl Demo {
    fn plots(&self, width: u32) -> Vec<(String, Plot)> {
        let o = PlotOptions::new().width_px(width);
        let diagnostics = self.fit.diagnostics(&self.campaign, 1).unwrap();
        let mut all = vec![
            ("ladder".to_owned(), plots::severity_ladder(&self.fit, &o).unwrap()),
            ("residuals".to_owned(), plots::residual_quantiles(&self.fit, &diagnostics, &o).unwrap()),
            ("bootstrap".to_owned(), plots::bootstrap_distributions(&self.bootstrap, &o).unwrap()),
            ("answers".to_owned(), plots::answers(&self.screening, &o).unwrap()),
            ("influence".to_owned(), plots::influence(self.screening.influence().unwrap(), &o).unwrap()),
        ];
        let many = [
            ("times", plots::abrasion_times(&self.campaign, &self.fit, &o).unwrap()),
            ("lab-road", plots::lab_road(&self.equivalence, Some(&self.correction), &self.reports, &o).unwrap()),
            ("lab-road-power", plots::lab_road(&self.equivalence, Some(&self.power), &[], &o).unwrap()),
            ("lab-road-bare", plots::lab_road(&self.equivalence, None, &[], &o).unwrap()),
            ("reports", plots::corrected_reports(&self.reports, Some(REQUIRED), &o).unwrap()),
        ];
        for (name, plots) in many {
            all.extend(plots.into_iter().enumerate().map(|(i, p)| (format!("{name}-{}", i + 1), p)));
        }
        all
    }

    fn by_class(&self) -> Correction {
        Correction::derive(&self.equivalence, &CorrectionOptions::default().by_class(true)).unwrap()
    }

    fn tables(&self) -> Vec<Table> {
        vec![
            tables::surface_factors(&self.fit),
            tables::durabilities(&self.fit),
            tables::cell_medians(&self.cells),
            tables::fit_summary(&self.fit),
            tables::notes(&self.fit),
            tables::additivity(&self.additivity),
            tables::class_factors(&self.classes),
            tables::bootstrap_intervals(&self.bootstrap),
            tables::equivalence(&self.equivalence),
            tables::lab_road_lines(&self.equivalence),
            tables::prediction_gains(&self.equivalence),
            tables::requirements(&self.reports, &self.requirements).unwrap(),
            tables::class_corrections(&self.by_class()),
            tables::decisions(&decided()),
            tables::corrections(&self.correction),
            tables::corrected_reports(&self.reports, None),
            tables::corrected_reports(&self.reports, Some(REQUIRED)),
            tables::flagged(&self.screening),
            tables::verdicts(&self.screening),
            tables::answers(&self.screening),
            tables::influence(self.screening.influence().unwrap(), 10),
            tables::distributions(&self.distributions),
            tables::scatter(&self.equal, Some(&self.unequal)),
            tables::variance_components(&self.mixed, &self.mixed_intervals),
        ]
    }
}

fn decided() -> Vec<Decision> {
    let campaign = &demo().campaign;
    let decisions = Decisions::new().set_aside("L-0002", "the <clamp> slipped", "A. N.");
    campaign.with_decisions(&decisions).unwrap().decisions().to_vec()
}

/// What is shown of the claims: each number where it belongs, and what there is none of is said.
#[test]
fn claims_stand_in_tables() {
    let demo = demo();
    let roads = demo.equivalence.surfaces();
    let gains = tables::prediction_gains(&demo.equivalence);
    let gain = roads[0].prediction_gain().unwrap();
    assert_eq!(gains.rows()[0][3], Value::digits(gain.standard_error(), 2));
    // Classes: one that falls back says so.
    let options = CorrectionOptions::default().by_class(true).minimum_class_materials(3);
    let by_class = Correction::derive(&demo.equivalence, &options).unwrap();
    let classes = tables::class_corrections(&by_class);
    let few = by_class.corrections().iter().flat_map(|c| c.classes().unwrap().classes());
    let few = few.filter(|c| c.basis() == ClassBasis::TooFewMaterials).count();
    let said = classes.rows().iter().filter(|r| r[7] == Value::text("common: too few materials")).count();
    assert!(few > 0 && said == few, "{few} {said}");
    let common = Correction::derive(&demo.equivalence, &CorrectionOptions::default().by_class(false)).unwrap();
    assert!(tables::class_corrections(&common).rows().is_empty());
    // Requirements: the probabilities of the library; none where only a bound is known.
    let required = tables::requirements(&demo.reports, &demo.requirements).unwrap();
    assert_eq!(required.rows().len(), 2 * demo.reports.len());
    for (row, report) in required.rows().chunks(2).zip(&demo.reports) {
        match report.probability_of_reaching(7.0) {
            Ok(p) => assert_eq!(row[1][5], Value::Probability(p)),
            Err(_) => assert_eq!(row[1][5], Value::Missing),
        }
    }
    let twice = [demo.requirements[0].clone(), demo.requirements[0].clone()];
    assert!(tables::requirements(&demo.reports, &twice).is_err());
    if demo.reports.iter().any(|r| matches!(r.road_median_s(), surface_severity::Estimate::Bound(_))) {
        let table = tables::corrected_reports(&demo.reports, None);
        assert!(table.notes().iter().any(|n| n.contains("a one-sided limit at level 0.95")), "{:?}", table.notes());
    }
    // Decisions on page and sheet.
    let campaign =
        demo.campaign.with_decisions(&Decisions::new().set_aside("L-0002", "the <clamp> slipped", "A. N.")).unwrap();
    let result = Study::new(Severity::new("dense asphalt concrete")).run(&campaign, None).unwrap();
    for html in
        [Page::new(&result).to_html().unwrap(), CorrectionSheet::new(&result, "laboratory belt").unwrap().to_html()]
    {
        assert!(html.contains("the &lt;clamp&gt; slipped"));
    }
}

/// A campaign with names that try to be markup, run-outs only, openings only, and a void.
fn awkward() -> (Campaign, SeverityFit) {
    let road = "<script>alert('road')</script> & \"co\"";
    let long =
        "a laboratory belt whose name goes on and on / and on / and on, because somebody pasted a whole sentence";
    let mut trials = Vec::new();
    for (m, material) in ["<b>cloth</b> | *one*", "路面の布地", "x & y"].into_iter().enumerate() {
        for (s, surface) in [road, long, "plain"].into_iter().enumerate() {
            for i in 0..3u8 {
                let time = [2.0, 5.0, 9.0][m] / [1.0, 2.0, 0.7][s] * [0.9, 1.0, 1.15][usize::from(i)];
                let trial = Trial::perforated(format!("{m}{s}{i}"), surface, material, time);
                let role = if s == 1 { SurfaceRole::Laboratory } else { SurfaceRole::Road };
                trials.push(trial.surface_role(role).material_class(["<i>a", "b&b", "b&b"][m]));
            }
        }
    }
    for i in 0..3 {
        trials.push(Trial::run_out(format!("r{i}"), "plain", "never worn", 30.0));
        trials.push(Trial::opened_at_contact(format!("o{i}"), "saw blade", "路面の布地", 0.05));
    }
    trials.push(Trial::void("v", "plain", "路面の布地", "<clamp> slipped"));
    let campaign = Campaign::from_trials(trials).unwrap();
    let fit = Severity::new("plain").independent().fit(&campaign).unwrap();
    (campaign, fit)
}

fn keep(name: &str, text: &str) {
    std::fs::write(Path::new(env!("CARGO_TARGET_TMPDIR")).join(name), text).unwrap();
}

/// Marks in a layer: every element that is not text.
fn marks<'a>(document: &'a Document<'_>, layer: &str) -> Vec<Node<'a, 'a>> {
    let group = document.descendants().find(|n| n.attribute("id").is_some_and(|id| id.ends_with(layer))).unwrap();
    group.children().filter(Node::is_element).collect()
}

/// The page as XML: what HTML leaves open is closed.
fn as_xml(html: &str) -> String {
    html.replace("<!DOCTYPE html>\n", "")
        .replace("<meta charset=\"utf-8\">", "")
        .replace("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">", "")
        .replace("<br>", "<br/>")
}

#[test]
fn every_picture_is_well_formed_titled_and_draws_the_same_bytes_twice() {
    for width in [350, 720, 1100] {
        for ((name, plot), (_, again)) in demo().plots(width).into_iter().zip(demo().plots(width)) {
            keep(&format!("{name}-{width}.svg"), plot.to_svg());
            assert_eq!(plot, again, "{name}");
            let document = Document::parse(plot.to_svg()).unwrap_or_else(|e| panic!("{name}: {e}"));
            let root = document.root_element();
            assert_eq!(root.attribute("role"), Some("img"), "{name}");
            let text = |tag| root.children().find(|n| n.has_tag_name(tag)).and_then(|n| n.text()).unwrap().to_owned();
            assert_eq!(text(("http://www.w3.org/2000/svg", "title")), plot.title());
            assert_eq!(text(("http://www.w3.org/2000/svg", "desc")), plot.caption());
            assert!(
                plot.caption().len() > 40 && plot.size_px().1 <= if width < 560 { 1600 } else { 1000 },
                "{name}: {plot:?}"
            );
            // No text starts left of the picture or above it; what ends where is for the eye.
            let (w, h) = (f64::from(plot.size_px().0), f64::from(plot.size_px().1));
            for node in document.descendants().filter(|n| n.has_tag_name(("http://www.w3.org/2000/svg", "text"))) {
                let at = |a| node.attribute(a).unwrap().parse::<f64>().unwrap() / 10.0;
                assert!((0.0..=w).contains(&at("x")) && (0.0..=h).contains(&at("y")), "{name}: {:?}", node.text());
            }
        }
    }
}

#[test]
fn every_trial_is_drawn_with_the_shape_of_its_outcome() {
    for width in [350, 720] {
        let options = PlotOptions::new().width_px(width);
        let plots = plots::abrasion_times(&demo().campaign, &demo().fit, &options).unwrap();
        let (mut discs, mut rings, mut arrows) = (0, 0, 0);
        for plot in &plots {
            let document = Document::parse(plot.to_svg()).unwrap();
            for mark in marks(&document, "-trials") {
                match (mark.tag_name().name(), mark.attribute("fill")) {
                    ("circle", Some("none")) => rings += 1,
                    ("circle", _) => discs += 1,
                    ("polygon", _) => arrows += 1,
                    other => panic!("{other:?}"),
                }
            }
        }
        let of = |o: Outcome| demo().campaign.trials().iter().filter(|t| t.outcome == o).count();
        let expected = (of(Outcome::Perforated), of(Outcome::Void), of(Outcome::RunOut) + of(Outcome::OpenedAtContact));
        assert_eq!((discs, rings, arrows), expected);
        let ids: BTreeSet<String> = plots.iter().flat_map(ids_of).collect();
        assert_eq!(ids.len(), plots.iter().map(|p| ids_of(p).len()).sum::<usize>(), "ids are unique across pictures");
    }
}

fn ids_of(plot: &Plot) -> Vec<String> {
    let document = Document::parse(plot.to_svg()).unwrap();
    document.descendants().filter_map(|n| n.attribute("id")).map(str::to_owned).collect()
}

#[test]
fn marks_stand_where_the_numbers_are() {
    // Two surfaces at k = 1 and k = 4 exactly (no scatter between cells), ticks at 1 and 2: on a log
    // axis the tick at 2 is the middle between both estimates.
    let trials = (0..4u8).flat_map(|i| {
        let time = [6.0, 8.0, 9.0, 12.0][usize::from(i)];
        [("even", 1.0), ("rough", 4.0)]
            .map(|(s, k)| Trial::perforated(format!("{s}{i}"), s, "cloth", time / k).surface_role(SurfaceRole::Road))
    });
    let fit = Severity::new("even").independent().fit(&Campaign::from_trials(trials).unwrap()).unwrap();
    assert!((fit.factor("rough").unwrap().estimate() - 4.0).abs() < 1e-9);
    let plot = plots::severity_ladder(&fit, &PlotOptions::new()).unwrap();
    let document = Document::parse(plot.to_svg()).unwrap();
    let x = |n: &Node<'_, '_>, a: &str| n.attribute(a).unwrap().parse::<f64>().unwrap();
    let estimates: Vec<f64> = marks(&document, "-estimates").iter().map(|n| x(n, "cx")).collect();
    let tick = |label: &str| {
        let text = document.descendants().find(|n| n.text().map(str::trim) == Some(label)).unwrap();
        x(&text.parent().filter(|p| p.has_attribute("x")).unwrap_or(text), "x")
    };
    // Harshest first.
    assert!((estimates[0] - tick("4")).abs() <= 1.0, "{estimates:?}");
    assert!((estimates[1] - tick("1")).abs() <= 1.0);
    assert!((0.5 * (estimates[0] + estimates[1]) - tick("2")).abs() <= 1.0);
}

#[test]
fn names_are_text_wherever_they_appear() {
    let (campaign, fit) = awkward();
    let classes = ClassFactors::fit(fit.plan(), &campaign).unwrap();
    let result = Study::new(Severity::new("plain")).run(&campaign, None).unwrap();
    let page = Page::new(&result).title("<script>title</script>").command("run --out \"<here>\" & wait");
    let html = page.to_html().unwrap();
    keep("awkward.html", &html);
    let document = Document::parse_with_options(&as_xml(&html), roxmltree::ParsingOptions::default())
        .map(|d| d.descendants().filter(|n| n.tag_name().name() == "script").count());
    assert_eq!(document, Ok(0));
    assert!(html.contains("&lt;script&gt;alert(&#39;road&#39;)&lt;/script&gt; &amp; &quot;co&quot;"));
    for table in [tables::surface_factors(&fit), tables::durabilities(&fit), tables::class_factors(&classes)] {
        let markdown = table.to_markdown();
        assert!(!markdown.contains("<script") && !markdown.contains("<b>"), "{markdown}");
        let lines = markdown.lines().filter(|l| l.starts_with('|'));
        let bars: BTreeSet<usize> = lines.map(|l| l.replace("\\|", "").matches('|').count()).collect();
        assert_eq!(bars.len(), 1, "every row has the same number of cells: {markdown}");
    }
    assert!(!html.contains("NaN"));
}

#[test]
fn bounds_and_missing_estimates_are_drawn_and_said() {
    let (_, fit) = awkward();
    let table = tables::surface_factors(&fit);
    let saw = table.rows().iter().find(|r| r[0] == Value::text("saw blade")).unwrap();
    assert!(saw[2].shown().starts_with("at least "), "{saw:?}");
    assert!(table.notes().iter().any(|n| n.starts_with("saw blade: at least")));
    let plot = plots::severity_ladder(&fit, &PlotOptions::new()).unwrap();
    assert!(plot.caption().contains("one-sided bound"));
    let document = Document::parse(plot.to_svg()).unwrap();
    let finite = fit.factors().iter().filter(|f| f.factor.interval().is_some()).count();
    assert_eq!(marks(&document, "-estimates").len(), finite, "a bound has no estimate");
}

#[test]
fn tables_survive_csv_with_every_digit() {
    for table in demo().tables() {
        let mut reader = csv::Reader::from_reader(table.to_csv().into_bytes().leak() as &[u8]);
        let header: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
        assert_eq!(header, table.columns().iter().map(Column::name).collect::<Vec<_>>());
        assert_eq!(header.iter().collect::<BTreeSet<_>>().len(), header.len(), "{}: names are unique", table.title());
        let rows: Vec<csv::StringRecord> = reader.records().collect::<Result<_, _>>().unwrap();
        assert_eq!(rows.len(), table.rows().len());
        for (read, row) in rows.iter().zip(table.rows()) {
            for (field, value) in read.iter().zip(row) {
                match value {
                    Value::Number { value, .. } | Value::Probability(value) => {
                        assert_eq!(field.parse::<f64>().unwrap().to_bits(), value.to_bits());
                    }
                    Value::Count(n) => assert_eq!(field.parse::<usize>().unwrap(), *n),
                    Value::Missing => assert_eq!(field, ""),
                    other => assert_eq!(field, other.shown()),
                }
            }
        }
    }
}

#[test]
fn text_tables_are_aligned_also_with_wide_letters() {
    let (_, fit) = awkward();
    for table in [tables::durabilities(&fit), tables::surface_factors(&demo().fit)] {
        let text = table.to_text();
        keep("aligned.txt", &text);
        let rule = text.lines().position(|l| l.starts_with("---")).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        let width = |l: &str| unicode_width::UnicodeWidthStr::width(l);
        // The last column is numbers: every row ends where the rule ends.
        for line in &lines[rule + 1..=rule + table.rows().len()] {
            assert_eq!(width(line), width(lines[rule]), "{text}");
        }
    }
    assert_eq!(demo().fit.table().to_text(), tables::surface_factors(&demo().fit).to_string());
    assert!(demo().fit.to_string().contains("coarse surface dressing"));
}

#[test]
fn a_table_of_ones_own_reads_as_expected() {
    let mut table = Table::new(
        "Slide",
        vec![Column::words("road", "road"), Column::numbers("time_s", "time").unit("s"), Column::numbers("p", "p")],
    )
    .with_caption("Made up.");
    table.push(vec![Value::text("wet, \"new\""), Value::number(2.3149), Value::Probability(0.0004)]).unwrap();
    table.push(vec![Value::text("dry"), Value::Missing, Value::Probability(0.25)]).unwrap();
    assert!(table.push(vec![Value::Missing]).is_err());
    assert!(table.push(vec![Value::Missing; 4]).is_err());
    table.note("Nothing was slid.");
    assert_eq!(table.columns()[1].align(), Align::Right);
    insta::assert_snapshot!(table.to_text(), @r#"
    Slide
    Made up.

    road        time, s        p
    ----------  -------  -------
    wet, "new"     2.31  < 0.001
    dry               –    0.250
    - Nothing was slid.
    "#);
    insta::assert_snapshot!(table.to_csv(), @r#"
    road,time_s,p
    "wet, ""new""",2.3149,0.0004
    dry,,0.25
    "#);
    insta::assert_snapshot!(table.to_markdown(), @r#"
    **Slide**

    Made up.

    | road | time, s | p |
    | --- | ---: | ---: |
    | wet, "new" | 2.31 | &lt; 0.001 |
    | dry | – | 0.250 |

    - Nothing was slid.
    "#);
}

#[test]
fn the_page_is_complete_accessible_and_the_same_twice() {
    let page = Page::new(result()).title("Quenlow valley, first campaign").command("severity_study --seed 1");
    let html = page.to_html().unwrap();
    keep("page.html", &html);
    assert_eq!(html, page.to_html().unwrap());
    let xml = as_xml(&html);
    let document = Document::parse(&xml).unwrap();
    let all = |name: &str| document.descendants().filter(|n| n.tag_name().name() == name).collect::<Vec<_>>();

    // Nothing is fetched, nothing runs.
    for word in ["<script", "<link", "<img", "src=", "url(", "@import", "javascript:"] {
        assert!(!html.contains(word), "{word}");
    }
    assert!(all("a").iter().all(|a| a.attribute("href").is_some_and(|to| to.starts_with('#'))));

    // Headings in order, one h1.
    let levels: Vec<u32> = document
        .descendants()
        .filter_map(|n| n.tag_name().name().strip_prefix('h').and_then(|l| l.parse().ok()))
        .collect();
    assert_eq!(levels.iter().filter(|l| **l == 1).count(), 1);
    assert!(levels[0] == 1 && levels.windows(2).all(|w| w[1] <= w[0] + 1), "{levels:?}");
    assert!(all("h2").len() > 4);

    // Tables: a caption each, a scope for every header cell.
    for table in all("table") {
        assert!(table.children().any(|n| n.has_tag_name("caption")));
    }
    assert!(all("th").iter().all(|n| matches!(n.attribute("scope"), Some("col" | "row" | "rowgroup"))));

    // Ids are unique; every label names one.
    let ids: Vec<&str> = document.descendants().filter_map(|n| n.attribute("id")).collect();
    let unique: BTreeSet<&&str> = ids.iter().collect();
    assert_eq!(unique.len(), ids.len());
    for svg in all("svg").iter().filter(|n| n.attribute("aria-hidden") != Some("true")) {
        let names = svg.attribute("aria-labelledby").unwrap();
        assert!(names.split(' ').all(|n| unique.contains(&n)), "{names}");
    }

    assert!(html.contains(demo().fit.campaign_digest()) && html.contains("severity_study"));
    for phrase in ["EN 17092", "EN 13595", "not a certification", "accredited laboratory"] {
        assert!(html.contains(phrase), "{phrase}");
    }
}

/// Relative luminance and contrast after WCAG 2.1.
fn contrast(a: &str, b: &str) -> f64 {
    let luminance = |hex: &str| {
        let channel = |i: usize| {
            let v = f64::from(u8::from_str_radix(&hex[1 + 2 * i..3 + 2 * i], 16).unwrap()) / 255.0;
            if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * channel(0) + 0.7152 * channel(1) + 0.0722 * channel(2)
    };
    let (x, y) = (luminance(a), luminance(b));
    (x.max(y) + 0.05) / (x.min(y) + 0.05)
}

#[test]
fn text_and_marks_stand_out_from_their_ground() {
    for (name, plot) in demo().plots(720) {
        let document = Document::parse(plot.to_svg()).unwrap();
        for node in document.descendants().filter(Node::is_element) {
            match node.tag_name().name() {
                "text" => assert!(contrast(node.attribute("fill").unwrap(), "#ffffff") >= 4.5, "{name}"),
                "circle" => {
                    let colour = [node.attribute("fill"), node.attribute("stroke")];
                    let colour = colour.into_iter().flatten().find(|c| c.starts_with('#')).unwrap();
                    if colour == "#FFFFFF" {
                        // The ground of a hollow mark.
                        continue;
                    }
                    assert!(contrast(colour, "#ffffff") >= 3.0, "{name}: {colour}");
                }
                _ => {}
            }
        }
    }
}

#[test]
fn options_of_pictures_outside_their_range_are_refused() {
    for width in [10, 319, 2001] {
        assert!(plots::severity_ladder(&demo().fit, &PlotOptions::new().width_px(width)).is_err());
    }
    for id in ["", "1st", "a b", "a\"b"] {
        assert!(plots::severity_ladder(&demo().fit, &PlotOptions::new().id(id)).is_err(), "{id:?}");
    }
}

#[test]
fn a_thousand_materials_stay_readable_and_quick() {
    let surfaces = 8u16;
    let mut trials = Vec::new();
    for m in 0..1000u16 {
        for s in 0..surfaces {
            for i in 0..2u16 {
                // Scatter by a short arithmetic sequence.
                let noise = f64::from((m * 7 + s * 13 + i * 5) % 11) * 0.03;
                let time = 2.0 * (f64::from(m % 40) * 0.05 - f64::from(s) * 0.1 + noise).exp();
                let trial =
                    Trial::perforated(format!("{m}-{s}-{i}"), format!("road {s}"), format!("material {m}"), time);
                trials.push(trial.material_class(format!("class {}", m % 5)));
            }
        }
    }
    let campaign = Campaign::from_trials(trials).unwrap();
    let fit = Severity::new("road 0").independent().fit(&campaign).unwrap();
    let start = Instant::now();
    let plots = plots::abrasion_times(&campaign, &fit, &PlotOptions::new()).unwrap();
    assert!(plots.iter().all(|p| p.size_px().1 <= 1000));
    let drawn: usize = plots.iter().map(|p| marks(&Document::parse(p.to_svg()).unwrap(), "-trials").len()).sum();
    assert_eq!(drawn, 16_000);
    let seconds = start.elapsed().as_secs_f64();
    assert!(seconds < 5.0, "{seconds} s");
}

#[test]
fn a_thousand_surfaces_are_thinned_and_the_caption_says_so() {
    let trials = (0..1000u16).flat_map(|s| {
        (0..2u16).map(move |i| {
            let time = 2.0 + f64::from(s % 37) + 0.1 * f64::from(i);
            let trial = Trial::perforated(format!("{s}-{i}"), format!("road {s:04}"), "cloth", time);
            trial.surface_role(if s == 500 { SurfaceRole::Laboratory } else { SurfaceRole::Road })
        })
    });
    let fit = Severity::new("road 0007").independent().fit(&Campaign::from_trials(trials).unwrap()).unwrap();
    let plot = plots::severity_ladder(&fit, &PlotOptions::new()).unwrap();
    keep("thousand-surfaces.svg", plot.to_svg());
    let drawn = marks(&Document::parse(plot.to_svg()).unwrap(), "-estimates").len();
    assert!((25..=42).contains(&drawn), "{drawn}");
    assert!(plot.caption().contains(&format!("{drawn} of 1000 surfaces are drawn")), "{}", plot.caption());
    for name in ["road 0500", "road 0007 (reference)"] {
        assert!(plot.to_svg().contains(name), "{name}");
    }
}

#[test]
fn everything_can_be_looked_at() {
    let mut text = demo().fit.to_string();
    for table in demo().tables() {
        text.push_str(&format!("\n{table}"));
        keep(&format!("{}.html", table.title().replace([' ', '?'], "-")), &table.to_html());
    }
    keep("tables.txt", &text);
    let d = demo();
    let htmls = [
        d.fit.to_html(),
        d.cells.to_html(),
        d.additivity.to_html(),
        d.classes.to_html(),
        d.bootstrap.to_html(),
        d.equivalence.to_html(),
        d.correction.to_html(),
        d.screening.to_html(),
        d.screening.influence().unwrap().to_html(),
        d.mixed.to_html(),
        d.distributions.to_html(),
        d.equal.to_html(),
    ];
    for html in &htmls {
        let wrapped = format!("<div>{}</div>", as_xml(html));
        let document = Document::parse(&wrapped).unwrap();
        assert!(document.descendants().any(|n| n.has_tag_name("table")));
        // Viewers strip style sheets and scripts.
        assert!(document.descendants().all(|n| !n.has_tag_name("style") && !n.has_tag_name("script")));
    }
    keep("notebook.html", &htmls.concat());
    let error = d.fit.factor("<b>").unwrap_err();
    assert!(error.to_html().contains("&lt;b&gt;"));
}

#[test]
fn the_committed_picture_is_what_the_demo_gives() {
    let committed =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo/picture.svg")).unwrap();
    let fit = Severity::new("dense asphalt concrete").fit(&demo().campaign).unwrap();
    let plot = plots::severity_ladder(&fit, &PlotOptions::new()).unwrap();
    assert!(
        committed == plot.to_svg(),
        "write it again: cargo run --example make_picture -- --out data-demo/picture.svg"
    );
}

#[test]
fn a_correction_has_a_sheet_of_its_own() {
    let sheet = || CorrectionSheet::new(result(), "laboratory belt").unwrap().entry("Issued", "<by> hand");
    let (html, markdown) = (sheet().to_html(), sheet().to_markdown());
    keep("sheet.html", &html);
    keep("sheet.md", &markdown);
    assert_eq!((&html, &markdown), (&sheet().to_html(), &sheet().to_markdown()));
    assert!(Document::parse(&as_xml(&html)).is_ok());
    assert!(!html.contains("<script") && !html.contains("src=") && html.contains("&lt;by&gt;"));
    for text in [&html, &markdown] {
        assert!(text.contains(&demo().campaign.digest()));
        for phrase in ["not a certification", "EN 17092", "laboratory belt"] {
            assert!(text.contains(phrase), "{phrase}");
        }
        for c in demo().correction.corrections() {
            assert!(text.contains(c.surface()));
        }
    }
}

#[test]
fn influence_and_answers_draw_what_their_tables_say() {
    let d = demo();
    let table = d.screening.influence().unwrap();
    let plot = plots::influence(table, &PlotOptions::new()).unwrap();
    let names: Vec<&str> = table.most_influential(20).iter().map(|r| r.name.as_str()).collect();
    assert!(names.iter().all(|n| plot.to_svg().contains(&format!("{n}\n"))), "{}", plot.caption());
    let first = &table.most_influential(1)[0];
    let shown = tables::influence(table, 10);
    assert_eq!(shown.rows().len(), 10);
    assert_eq!(shown.rows()[0][0], Value::text(&first.name));
    assert_eq!(shown.rows()[0][2].exact(), first.largest_percent.unwrap().to_string());
    // Three answers for every surface but the reference, each an estimate here.
    let answers = plots::answers(&d.screening, &PlotOptions::new()).unwrap();
    let others = d.fit.factors().len() - 1;
    let document = Document::parse(answers.to_svg()).unwrap();
    let drawn = marks(&document, "-marks");
    let intervals = drawn.iter().filter(|n| n.has_tag_name("polyline")).count();
    assert_eq!(intervals, 3 * others);
}

#[test]
fn decisions_and_lost_factors_are_said() {
    let d = demo();
    let decisions = Decisions::new().set_aside("R-0030", "stop wire broke late", "A. N.");
    let decided = d.campaign.with_decisions(&decisions).unwrap();
    let screening = Screening::new().screen(&decided, d.fit.plan()).unwrap();
    let table = tables::answers(&screening);
    let names: Vec<&str> = table.columns().iter().map(Column::name).collect();
    assert!(names.contains(&"decided") && names.contains(&"decided_change_percent"), "{names:?}");
    let at = names.iter().position(|n| *n == "decided").unwrap();
    for (row, headline) in table.rows().iter().zip(screening.headline()) {
        let value = headline.decided.as_ref().unwrap().value().unwrap();
        assert_eq!(row[at].exact(), value.to_string());
    }
    let plot = plots::answers(&screening, &PlotOptions::new()).unwrap();
    assert!(plot.to_svg().contains("as decided") && plot.caption().contains("as decided"));

    // A day that a surface cannot do without: no change to draw, and the reason under the table.
    let trials = (0..12u8).map(|i| {
        let (surface, day) = if i < 8 { ("lane", ["mon", "tue"][usize::from(i % 2)]) } else { ("track", "wed") };
        Trial::perforated(format!("{i:02}"), surface, "cloth", 3.0 + 0.1 * f64::from((i * 5) % 7)).day(day)
    });
    let campaign = Campaign::from_trials(trials).unwrap();
    let days = influence(&Severity::new("lane").independent(), &campaign, LeftOut::Day).unwrap();
    let table = tables::influence(&days, 10);
    assert_eq!(table.rows()[0][0], Value::text("wed"));
    assert_eq!(table.rows()[0][2], Value::Missing);
    assert!(table.notes()[0].starts_with("Without wed: "), "{:?}", table.notes());
    let plot = plots::influence(&days, &PlotOptions::new()).unwrap();
    assert!(plot.caption().contains("Without wed a factor has no estimate"), "{}", plot.caption());

    let shares: f64 = tables::variance_components(&d.mixed, &[])
        .rows()
        .iter()
        .map(|row| row[2].exact().parse::<f64>().unwrap())
        .sum();
    assert!((shares - 100.0).abs() < 1e-9, "{shares}");
}
