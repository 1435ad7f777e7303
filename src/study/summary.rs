//! The conclusions on one screen.

use super::conclusions::{BeltConclusion, RoadConclusion};
use super::result::StudyResult;
use crate::estimate::significant;
use crate::tables::{capital, count};

/// Lines of a summary; two are left to the program on a screen of 40.
const LINES: usize = 38;
const COLUMNS: usize = 100;

/// Lines of one answer, the first of which always stands.
struct Section {
    lines: Vec<String>,
    /// Answers of lower rank give up lines first: lists of trials 0, sentences 1, the factors 2.
    rank: u8,
    /// What its lines are, where some are left out.
    what: &'static str,
}

impl StudyResult {
    /// The answers in at most 38 lines of at most 100 columns; what does not fit is counted and stands in the page.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// let study = surface_severity::study::Study::new(plan).run(&campaign, None)?;
    /// let text = study.summary();
    /// assert!(text.lines().count() <= 38 && text.lines().all(|line| line.chars().count() <= 100), "{text}");
    /// assert!(text.contains(&study.conclusions.belts[0].to_string()[1..]), "with a capital first");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn summary(&self) -> String {
        let c = &self.conclusions;
        let mut sections = vec![Section::text(&c.trials.to_string(), "")];
        for caveat in &c.first {
            sections.push(Section::text(&format!("FIRST: {caveat}"), "line"));
        }
        if c.belts.is_empty() {
            sections.push(self.scale());
        }
        for belt in &c.belts {
            sections.push(Section::text(&capital(&belt.to_string()), "line"));
            if belt.roads.iter().any(|r| r.factor.interval().is_some()) {
                sections.push(roads(belt));
            }
            // Out of control it stands at the top.
            if let Some(control) = belt.control.as_ref().filter(|c| c.in_control) {
                sections.push(Section::text(&control.to_string(), "line"));
            }
            sections.push(Section::text(&belt.one_factor.to_string(), "line"));
            if let Some(equivalence) = &belt.equivalence {
                sections.push(Section::text(&equivalence.to_string(), "line"));
            }
            if let Some(domain) = &belt.domain {
                sections.push(Section::text(&format!("Holds for: {domain}"), "line"));
            }
        }
        sections.push(self.questions());
        sections.push(Section::text(&c.sensitivity.to_string(), "line"));
        sections.extend(c.covariate_words().iter().map(|e| Section::text(e, "line")));
        let checks: Vec<String> = c.covariate_checks.iter().filter(|c| !c.departs()).map(ToString::to_string).collect();
        if !checks.is_empty() {
            sections.push(Section::text(&checks.join(" "), "line"));
        }
        sections.extend(c.seasons.iter().map(|s| Section::text(&s.to_string(), "line")));
        sections.extend(c.texture.iter().map(|t| Section::text(&t.to_string(), "line")));
        sections.push(Section::text(&c.scatter.to_string(), "line"));
        sections.extend(c.laboratories.iter().map(|l| Section::text(&l.to_string(), "line")));
        for missing in &c.not_had {
            sections.push(Section::text(&missing.to_string(), "line"));
        }
        for remark in &c.reading {
            sections.push(Section::text(&format!("{}.", capital(remark)), "line"));
        }
        let recorded = self.recorded();
        if !recorded.is_empty() {
            sections.push(Section::text(&recorded, "line"));
        }
        sections.push(Section::text(
            "Defer to the applicable standard, local codes, accredited laboratories; this is no certification.",
            "",
        ));
        fitted(sections)
    }

    fn scale(&self) -> Section {
        let reference = self.severity.reference();
        let mut lines = vec![format!("Abrasiveness factors relative to {reference}:")];
        for row in self.severity.factors().iter().filter(|f| f.surface != reference) {
            lines.push(cut(&format!("  {:<30} {}", row.surface, row.factor)));
        }
        Section { lines, rank: 2, what: "surface" }
    }

    fn questions(&self) -> Section {
        let c = &self.conclusions;
        let aside = match c.decided.len() {
            0 => String::new(),
            n => format!("; {} set aside by decision", count(n, "trial")),
        };
        if c.questioned.is_empty() {
            return Section::text(&format!("No trial to question{aside}."), "");
        }
        let mut lines = vec![format!("{} to question{aside}:", capital(&count(c.questioned.len(), "trial")))];
        for trial in &c.questioned {
            lines.push(cut(&format!("  {}  {}", trial.trial_id, trial.reason)));
        }
        Section { lines, rank: 0, what: "trial" }
    }

    /// What is not in the model by name; of groupings that are, what to know.
    fn recorded(&self) -> String {
        let c = &self.conclusions;
        let hardly: Vec<String> =
            c.recorded.iter().filter(|r| r.in_model).map(|r| format!("{}.", capital(&r.text))).collect();
        c.unused().into_iter().chain(hardly).collect::<Vec<_>>().join(" ")
    }
}

fn roads(belt: &BeltConclusion) -> Section {
    let departs = |road: &RoadConclusion| road.classes.iter().any(|c| c.departs);
    let classes = belt.roads.iter().filter(|r| departs(r)).flat_map(|r| &r.classes);
    let names = belt.roads.iter().map(|r| r.surface.chars().count());
    let width = names.chain(classes.map(|c| c.name().chars().count() + 2)).max().unwrap_or(0).clamp(4, 44);
    let head = format!("  {:<width$} {:>6}   {:<17}{}", "road", "c", "average", "one further material");
    let mut lines = vec!["Multiply a belt time by c to read it as a road time; limits of c for".to_owned(), head];
    for road in &belt.roads {
        lines.push(cut(&road_line(road, width)));
        for class in road.classes.iter().filter(|c| departs(road) && c.class.is_some()) {
            let one = class.one_material.as_ref().map_or(String::new(), |i| range(i.lower(), i.upper()));
            lines.push(cut(&format!(
                "    {:<w$} {:>6}   {:<17}{one}",
                clip(class.name(), width - 2),
                significant(class.factor.estimate(), 3),
                range(class.factor.lower(), class.factor.upper()),
                w = width - 2
            )));
        }
    }
    Section { lines, rank: 2, what: "row" }
}

fn road_line(road: &RoadConclusion, width: usize) -> String {
    let name = clip(&road.surface, width);
    let Some(c) = road.factor.interval() else {
        return format!("  {name:<width$} {:>6}   {}", "–", road.factor.reason().unwrap_or("not estimable"));
    };
    let one = match (&road.one_material, &road.not_corrected) {
        (Some(one), _) => {
            let departs = road.classes.iter().any(|k| k.departs);
            format!("{}{}", range(one.lower(), one.upper()), if departs { ", by class:" } else { "" })
        }
        (None, reason) => format!("none: {}", reason.as_deref().unwrap_or("no correction")),
    };
    format!("  {name:<width$} {:>6}   {:<17}{one}", significant(c.estimate(), 3), range(c.lower(), c.upper()))
}

fn range(lower: f64, upper: f64) -> String {
    format!("{} to {}", significant(lower, 3), significant(upper, 3))
}

fn clip(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    text.chars().take(width.saturating_sub(1)).chain(['…']).collect()
}

fn cut(line: &str) -> String {
    clip(line, COLUMNS)
}

impl Section {
    /// Wrapped at blanks.
    fn text(text: &str, what: &'static str) -> Self {
        let mut lines = Vec::new();
        let mut line = String::new();
        for word in text.split_whitespace() {
            let more = word.chars().count() + 1;
            if !line.is_empty() && line.chars().count() + more > COLUMNS {
                lines.push(cut(&line));
                line = "  ".to_owned();
            }
            if !line.trim().is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
        lines.push(cut(&line));
        Self { lines, rank: 1, what }
    }
}

/// Lists of trials, then the longest sentences, then the factors give up lines until all fit; further sections beyond the end are counted.
fn fitted(mut sections: Vec<Section>) -> String {
    let mut left_out = vec![0_usize; sections.len()];
    let length = |sections: &[Section], left_out: &[usize]| -> usize {
        sections.iter().zip(left_out).map(|(s, &l)| s.lines.len() + usize::from(l > 0)).sum()
    };
    while length(&sections, &left_out) > LINES {
        let long = (0..sections.len()).filter(|&i| sections[i].lines.len() > 2);
        let longest = long.max_by_key(|&i| (std::cmp::Reverse(sections[i].rank), sections[i].lines.len()));
        let Some(i) = longest else { break };
        sections[i].lines.pop();
        left_out[i] += 1;
    }
    let mut out: Vec<String> = Vec::new();
    for (section, left) in sections.into_iter().zip(left_out) {
        out.extend(section.lines);
        if left > 0 {
            let noun = if section.what.is_empty() { "line" } else { section.what };
            out.push(format!("  … and {} more, see the report", count(left, noun)));
        }
    }
    if out.len() > LINES {
        let more = out.len() - (LINES - 1);
        out.truncate(LINES - 1);
        out.push(format!("… and {} more, see the report", count(more, "line")));
    }
    let mut text = out.join("\n");
    text.push('\n');
    text
}
