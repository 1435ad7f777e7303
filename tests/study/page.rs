//! Page and sheet print the conclusions.

use surface_severity::correction::LabReports;
use surface_severity::report::{CorrectionSheet, Page, files};
use surface_severity::severity::Covariate;

use super::*;

#[test]
fn the_answers_stand_first_and_every_link_leads_somewhere() {
    let result = study().run(&demo(), Some(&reports())).unwrap();
    let html = Page::new(&result).command("run <here> & wait").to_html().unwrap();
    assert!(html.len() < 700_000, "{} bytes", html.len());
    let contents = html.find("<nav").unwrap();
    let (answers, chapters) = html.split_at(contents);
    let c = &result.conclusions;
    for said in [
        c.first[0].to_string(),
        c.belts[0].to_string()[1..].to_owned(),
        c.belts[0].one_factor.to_string(),
        c.belts[0].equivalence.as_ref().unwrap().to_string(),
        c.sensitivity.to_string(),
        c.scatter.to_string(),
    ] {
        assert!(answers.contains(&said), "{said}");
        assert!(!chapters.contains(&said), "said twice: {said}");
    }
    assert!(c.questioned.iter().all(|q| answers.contains(&q.trial_id)));
    assert!(!answers.contains("<svg") && !html.contains("<script") && !html.contains("<here>"));
    for link in html.split("href=\"#").skip(1) {
        let id = &link[..link.find('"').unwrap()];
        assert_eq!(html.matches(&format!(" id=\"{id}\"")).count(), 1, "{id}");
    }
    assert_eq!(html.matches("<details>").count(), html.matches("</details>").count());
    // The same study gives the same bytes.
    assert_eq!(html, Page::new(&result).command("run <here> & wait").to_html().unwrap());
}

#[test]
fn page_and_sheets_of_two_belts_keep_them_apart() {
    let result = Small { belts: 2, specimens: 4, ..Small::default() }.run();
    let all = files(&result, "run", &[]).unwrap();
    for (name, own, other) in
        [("correction_sheet.html", "belt 1", "belt 2"), ("correction_sheet-2.html", "belt 2", "belt 1")]
    {
        let sheet = all.text(name).unwrap();
        assert!(sheet.contains(own) && !sheet.contains(other), "{name}");
    }
    let page = all.text("report.html").unwrap();
    assert!(page.contains("Belt 1 and the roads") && page.contains("Belt 2 and the roads"));
    for link in page.split("href=\"#").skip(1) {
        let id = &link[..link.find('"').unwrap()];
        assert_eq!(page.matches(&format!(" id=\"{id}\"")).count(), 1, "{id}");
    }
}

#[test]
fn every_small_campaign_has_its_page() {
    for small in [
        Small { specimens: 1, materials: 6, ..Small::default() },
        Small { materials: 1, specimens: 5, ..Small::default() },
        Small { belt_runs_out: true, ..Small::default() },
        Small { belts: 0, ..Small::default() },
        Small { day: |surface, _| Some(format!("of {surface}")), ..Small::default() },
    ] {
        let result = small.run();
        let all = files(&result, "run", &[]).unwrap();
        let page = all.text("report.html").unwrap();
        for missing in &result.conclusions.not_had {
            let words: String = missing.to_string().chars().take(20).collect();
            assert!(page.contains(&words), "{missing}");
        }
        assert!(!page.contains("NaN"));
        let with_correction = result.belts.iter().any(|b| b.correction.is_some());
        assert_eq!(all.text("correction_sheet.html").is_some(), with_correction);
    }
}

#[test]
fn the_sheet_marks_what_departs_and_has_limits_for_reports() {
    let result = study().run(&demo(), None).unwrap();
    let sheet = CorrectionSheet::new(&result, "laboratory belt").unwrap().entry("Issued", "<by> hand");
    let (html, markdown) = (sheet.to_html(), sheet.to_markdown());
    assert!(html.contains("&lt;by&gt; hand") && !html.contains("<by>"));
    assert_eq!(html.matches("(departs)").count(), 1);
    for road in &result.conclusions.belts[0].roads {
        for limits in road.reports.iter().map(|r| &r.limits) {
            let text = format!(
                "{} to {}",
                surface_severity::significant(limits.lower(), 3),
                surface_severity::significant(limits.upper(), 3)
            );
            assert!(html.contains(&text) && markdown.contains(&text), "{} {text}", road.surface);
        }
    }
    for item in ["Trials on the belt: 83", "Days on the belt: 4", "Belts on the belt: 6", "m/s", " N"] {
        assert!(html.contains(item), "{item}");
    }
}

#[test]
fn the_order_of_rows_moves_no_byte() {
    let mut rows = demo().trials().to_vec();
    rows.reverse();
    rows.rotate_left(57);
    let shuffled = Campaign::from_trials(rows).unwrap();
    let [a, b] = [demo(), shuffled].map(|campaign| {
        let result = study().run(&campaign, Some(&reports())).unwrap();
        assert_ne!(result.summary(), "");
        (result.summary(), files(&result, "run", &[]).unwrap())
    });
    assert_eq!(a.0, b.0);
    for name in a.1.names() {
        assert!(a.1.text(name) == b.1.text(name), "{name}");
    }
}

/// The same table with its rows and columns in another order, other line ends and a byte-order mark, studied on one, two and four
/// threads: every file that is written has the same bytes.
#[test]
fn every_file_has_the_same_bytes_however_the_table_is_written() {
    let read =
        |name: &str| std::fs::read_to_string(format!("{}/data-demo/{name}", env!("CARGO_MANIFEST_DIR"))).unwrap();
    let rewritten = |text: &str| {
        let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(text.as_bytes());
        let mut rows: Vec<Vec<String>> =
            reader.records().map(|r| r.unwrap().iter().map(str::to_owned).collect()).collect();
        rows.iter_mut().for_each(|row| row.reverse());
        rows[1..]
            .sort_by_key(|row| row.join("").bytes().fold(7_u32, |h, b| h.wrapping_mul(31).wrapping_add(u32::from(b))));
        let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
        rows.iter().for_each(|row| writer.write_record(row).unwrap());
        format!("\u{feff}{}", String::from_utf8(writer.into_inner().unwrap()).unwrap())
    };
    let speed = Covariate::power_law("speed_m_per_s", 8.0).by_class();
    let plan = Severity::new("dense asphalt concrete").covariate(speed);
    let study = Study::new(plan).reference_cloth("reference canvas").bootstrap(100).seed(3);
    let text = read("second_season.csv");
    let mut written: Vec<(String, Vec<(String, String)>)> = Vec::new();
    for (how, text) in [("as it is", text.clone()), ("rewritten", rewritten(&text))] {
        let folder = std::env::temp_dir().join(format!("surface-severity-bytes-{}-{}", std::process::id(), how.len()));
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join("trials.csv"), text).unwrap();
        let campaign = Campaign::read_path(folder.join("trials.csv")).unwrap();
        std::fs::remove_dir_all(&folder).unwrap();
        let reports = LabReports::read(read("second_season_reports.csv").as_bytes(), "reports.csv").unwrap();
        for threads in [1, 2, 4] {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let result = pool.install(|| study.run(&campaign, Some(&reports)).unwrap());
            let written_files = pool.install(|| files(&result, "severity_study", &[]).unwrap());
            let texts = written_files
                .names()
                .map(|n| (n.to_owned(), written_files.text(n).unwrap_or_default().to_owned()))
                .collect();
            written.push((format!("{how}, {threads} threads"), texts));
        }
    }
    let (first, rest) = written.split_first().unwrap();
    assert!(first.1.len() > 5, "{:?}", first.1.iter().map(|f| &f.0).collect::<Vec<_>>());
    for (how, files) in rest {
        for (a, b) in first.1.iter().zip(files) {
            assert!(a == b, "{} differs: {how}", a.0);
        }
    }
}
