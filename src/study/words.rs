//! The conclusions as sentences.

use std::fmt;

use super::around::Texture;
use super::conclusions::{
    BeltConclusion, Caveat, ClassReading, ControlConclusion, DepartingClass, DomainConclusion, EquivalenceConclusion,
    OneFactor, QuestionedTrial, RecordedRemark, RoadConclusion, ScatterConclusion, TrialCounts,
};
use super::sensitivity::{OtherDistribution, Sensitivity, SensitivityRow, TOLERANCE_PERCENT, Variant};
use crate::estimate::{Estimate, p_value, significant};
use crate::severity::{CovariateEffect, Distribution};
use crate::tables::{capital, count};

/// `a`, `a and b`, `a, b and c`.
pub(crate) fn listed<S: AsRef<str>>(names: &[S]) -> String {
    match names {
        [] => String::new(),
        [one] => one.as_ref().to_owned(),
        [rest @ .., last] => {
            let rest: Vec<&str> = rest.iter().map(AsRef::as_ref).collect();
            format!("{} and {}", rest.join(", "), last.as_ref())
        }
    }
}

pub(crate) fn distribution(distribution: Distribution) -> &'static str {
    match distribution {
        Distribution::LogNormal => "log-normal",
        Distribution::Weibull => "Weibull",
        Distribution::LogLogistic => "log-logistic",
    }
}

impl fmt::Display for TrialCounts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} of {} on {}; {} fitted ({}, {}), {} void.",
            count(self.in_table, "trial"),
            count(self.materials, "material"),
            count(self.surfaces, "surface"),
            self.fitted,
            count(self.run_outs, "run-out"),
            count(self.contact_openings, "contact opening"),
            self.voids
        )
    }
}

impl fmt::Display for Caveat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::UnitSlip(slip) => slip.fmt(f),
            Self::WithoutSharedConditions { reason } => {
                write!(f, "Days, runs and belts are in no limit, which are too narrow where these differ: {reason}.")
            }
            Self::Undetermined { reason } => write!(
                f,
                "Recorded conditions can't be told from surfaces ({reason}): what they share is in no limit, and nothing \
                 can be shown equivalent. Test several surfaces on one day and each surface on several days."
            ),
            Self::RigsDiffer { laboratory, setting, unit, belt, roads } => write!(
                f,
                "{} ran at a {setting} of {} {unit}, the roads at {} {unit}: c holds for these settings alone, and a report \
                 from a belt with others can't be read with it.",
                capital(laboratory),
                significant(*belt, 3),
                significant(*roads, 3)
            ),
            Self::Changed(change) => write!(f, "Since the earlier campaign {change}"),
            Self::Covariate(check) => check.fmt(f),
            Self::OutOfControl(control) => {
                write!(f, "{control} Factors and c are those of the belt as it was on average.")
            }
            Self::Wide { laboratory, road, factor } => write!(
                f,
                "{} on {road}: the limits {} to {} are too far apart for use; what days and belts share rests on too few \
                 of them. Test {laboratory} and {road} on more days.",
                capital(laboratory),
                significant(factor.lower(), 2),
                significant(factor.upper(), 2)
            ),
            Self::Disagrees { row } => write!(
                f,
                "{} would change {} by {} %, from {} to {}: find out why before use.",
                capital(&row.variant.to_string()),
                row.what(),
                significant(row.change_percent, 2),
                significant(row.fitted, 3),
                significant(row.value, 3)
            ),
            Self::BetterDistribution(other) => other.fmt(f),
        }
    }
}

impl fmt::Display for Variant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Robust => f.write_str("the robust fit"),
            Self::WithoutFlagged => f.write_str("the fit without the questioned trials"),
            Self::Distribution(d) => write!(f, "the {} fit", distribution(*d)),
            Self::UnequalScatter => f.write_str("the fit with a scatter for each class"),
        }
    }
}

impl Variant {
    fn in_short(self) -> String {
        match self {
            Self::Robust => "robust".into(),
            Self::WithoutFlagged => "without questioned trials".into(),
            Self::Distribution(d) => distribution(d).into(),
            Self::UnequalScatter => "scatter by class".into(),
        }
    }
}

impl SensitivityRow {
    fn what(&self) -> String {
        format!("the factor {} / {}", self.surface, self.relative_to)
    }
}

impl fmt::Display for Sensitivity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.rows.is_empty() {
            return f.write_str("No other way of fitting could be compared.");
        }
        let said: Vec<String> = self
            .variants()
            .into_iter()
            .filter_map(|v| Some((v, self.largest(v)?)))
            .map(|(v, row)| format!("{} {} %", v.in_short(), significant(row.change_percent.abs().max(0.1), 2)))
            .collect();
        let agree = if self.agree() { "agree" } else { "do not agree" };
        write!(f, "Other ways of fitting {agree} within {TOLERANCE_PERCENT} %; at most: {}.", said.join(", "))
    }
}

impl fmt::Display for OtherDistribution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} times describe the trials better than {} ones (AICc lower by {})",
            capital(distribution(self.distribution)),
            distribution(self.fitted),
            significant(self.aicc_difference, 3)
        )?;
        let change = |c: &super::FactorChange| 100.0 * (c.other.estimate() / c.fitted.estimate() - 1.0).abs();
        let width = |i: &crate::Interval| libm::log(i.upper() / i.lower());
        let lengths: Vec<f64> = self.changes.iter().map(|c| width(&c.other) / width(&c.fitted)).collect();
        let most = self.changes.iter().map(change).max_by(f64::total_cmp);
        let least = lengths.iter().copied().filter(|r| r.is_finite()).min_by(f64::total_cmp);
        let longest = lengths.iter().copied().filter(|r| r.is_finite()).max_by(f64::total_cmp);
        if let Some(((most, least), longest)) = most.zip(least).zip(longest) {
            write!(
                f,
                ": factors would change by at most {} %, their limits be {} to {} times as far apart",
                significant(most, 2),
                significant(least, 2),
                significant(longest, 2)
            )?;
        }
        f.write_str(".")
    }
}

impl fmt::Display for BeltConclusion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.laboratory == self.reference {
            return write!(f, "{} is the reference surface: its factor is 1.", self.laboratory);
        }
        match &self.factor {
            Estimate::Interval(k) => write!(
                f,
                "{} wears {} times as fast as {} (limits {} to {}).",
                self.laboratory,
                significant(k.estimate(), 3),
                self.reference,
                significant(k.lower(), 3),
                significant(k.upper(), 3)
            ),
            Estimate::Bound(bound) => {
                write!(f, "{} wears {bound} times as fast as {}: {}.", self.laboratory, self.reference, bound.reason())
            }
            Estimate::NotEstimable(_) => write!(
                f,
                "{} has no factor relative to {}: {}.",
                self.laboratory,
                self.reference,
                self.factor.reason().unwrap_or("it could not be estimated")
            ),
        }
    }
}

impl fmt::Display for RoadConclusion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Some(c) = self.factor.interval() else {
            return write!(f, "{}: no factor: {}", self.surface, self.factor.reason().unwrap_or("not estimable"));
        };
        write!(f, "{}: multiply by {c} for the average material", self.surface)?;
        match (&self.one_material, &self.not_corrected) {
            (Some(one), _) => {
                write!(f, "; {} to {} for one material", significant(one.lower(), 3), significant(one.upper(), 3))
            }
            (None, Some(reason)) => write!(f, "; no correction for further materials: {reason}"),
            (None, None) => Ok(()),
        }
    }
}

impl ClassReading {
    /// Its name, or "any other class".
    #[must_use]
    pub fn name(&self) -> &str {
        self.class.as_deref().unwrap_or("any other class")
    }
}

impl fmt::Display for DepartingClass {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let r = &self.ratio_to_others;
        let direction = if r.estimate() < 1.0 { "shorter" } else { "longer" };
        write!(
            f,
            "{} on {} lasts {direction} than its belt time says, {} times ({} to {}) as long as others ({})",
            self.class,
            self.surface,
            significant(r.estimate(), 2),
            significant(r.lower(), 2),
            significant(r.upper(), 2),
            p_value("adjusted p", self.adjusted_p_value)
        )
    }
}

impl fmt::Display for OneFactor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotTested => f.write_str(
                "Whether one factor serves all classes could not be tested: that takes two classes, one of them with two \
                 materials.",
            ),
            Self::NotRefuted { compared, adjusted_p_value } => write!(
                f,
                "No class is seen to depart ({} of class and road, least {}); that is no proof that one factor serves all.",
                count(*compared, "pair"),
                p_value("adjusted p", *adjusted_p_value)
            ),
            Self::Departs { classes, .. } => {
                let all: Vec<String> = classes.iter().map(ToString::to_string).collect();
                write!(f, "One factor does not serve all: {}.", all.join("; "))
            }
        }
    }
}

impl fmt::Display for EquivalenceConclusion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bounds =
            format!("within a ratio of {} to {}", significant(self.lower_bound, 2), significant(self.upper_bound, 3));
        let of = |outside: bool| -> Vec<&str> {
            self.not_shown.iter().filter(|n| n.outside == outside).map(|n| n.surface.as_str()).collect()
        };
        let (differs, open) = (of(true), of(false));
        if !self.undetermined.is_empty() {
            write!(f, "Nothing may be shown equivalent, since recorded conditions can't be told from surfaces")?;
        } else if self.shown.is_empty() {
            write!(f, "Shown equivalent {bounds}: no road")?;
        } else {
            write!(f, "Shown equivalent {bounds}: {}", listed(&self.shown))?;
        }
        if !open.is_empty() && self.undetermined.is_empty() {
            write!(f, ". Neither shown nor refuted: {}", listed(&open))?;
        }
        if !differs.is_empty() && self.undetermined.is_empty() {
            write!(f, ". Beyond the bounds: {}", listed(&differs))?;
        }
        f.write_str(".")
    }
}

impl fmt::Display for ControlConclusion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} on {}: {}", capital(&self.cloth), self.laboratory, self.text)
    }
}

impl fmt::Display for DomainConclusion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let classes: Vec<String> = self.classes.iter().map(|(name, n)| format!("{name} ({n})")).collect();
        if self.shortest_laboratory_time_s <= self.longest_laboratory_time_s {
            write!(
                f,
                "Belt times of {} to {} s{}; classes (materials): {}.",
                significant(self.shortest_laboratory_time_s, 2),
                significant(self.longest_laboratory_time_s, 2),
                if self.wider.is_empty() { "" } else { " on every road" },
                classes.join(", ")
            )?;
        } else {
            write!(f, "No belt time lies in the domain of every road; classes (materials): {}.", classes.join(", "))?;
        }
        let mut told: Vec<(String, Vec<&str>)> = Vec::new();
        for (road, from, to) in &self.wider {
            let range = format!("{} to {} s", significant(*from, 2), significant(*to, 2));
            match told.iter_mut().find(|t| t.0 == range) {
                Some(known) => known.1.push(road),
                None => told.push((range, vec![road])),
            }
        }
        for (range, roads) in told {
            write!(f, " On {}: {range}.", listed(&roads))?;
        }
        for (road, class) in &self.lacking {
            write!(f, " {} was not tested on {road}.", capital(class))?;
        }
        Ok(())
    }
}

impl fmt::Display for QuestionedTrial {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({} on {}", self.trial_id, self.material, self.surface)?;
        if let Some(day) = &self.day {
            write!(f, ", {day}")?;
        }
        write!(f, "): {}", self.reason)
    }
}

impl fmt::Display for ScatterConclusion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "Specimens of one material on one surface scatter by about {} % (standard deviation of log time {})",
            shown_percent(self.percent),
            significant(self.log_standard_deviation, 2)
        )?;
        let others: Vec<String> = self
            .conditions
            .iter()
            .map(|c| match &c.grouping {
                crate::severity::Grouping::MaterialBySurface => {
                    format!("materials from surface to surface by {} %", shown_percent(c.percent))
                }
                g => format!("{g}s by {} %", shown_percent(c.percent)),
            })
            .collect();
        if others.is_empty() { f.write_str(".") } else { write!(f, "; {}.", others.join(", ")) }
    }
}

fn shown_percent(percent: f64) -> String {
    match percent {
        p if p < 0.05 => "0".into(),
        p if p > 10_000.0 => "more than 10000".into(),
        p => significant(p, 2),
    }
}

impl fmt::Display for RecordedRemark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl super::Conclusions {
    /// The columns that were recorded and are not in the model, and the groupings that are not, by name.
    pub(crate) fn unused(&self) -> Option<String> {
        let mut names: Vec<&str> = Vec::new();
        for remark in self.recorded.iter().filter(|r| !r.in_model) {
            if !names.contains(&remark.name.as_str()) {
                names.push(&remark.name);
            }
        }
        (!names.is_empty()).then(|| format!("Recorded and not in the model: {}.", listed(&names)))
    }
}

impl fmt::Display for Texture {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.line.fmt(f)?;
        for (name, mm, factor) in &self.never_driven {
            match factor {
                Ok(k) => write!(
                    f,
                    " {}, {} mm, never driven: {} ({} to {}).",
                    capital(name),
                    significant(*mm, 2),
                    significant(k.estimate(), 2),
                    significant(k.lower(), 2),
                    significant(k.upper(), 2)
                )?,
                Err(reason) => write!(f, " {}: {reason}.", capital(name))?,
            }
        }
        Ok(())
    }
}

impl super::conclusions::Conclusions {
    /// What recorded numbers do, a sentence for each column.
    pub(crate) fn covariate_words(&self) -> Vec<String> {
        let columns = self.covariates.chunk_by(|a, b| a.covariate.column() == b.covariate.column());
        columns.map(CovariateEffect::in_one).collect()
    }
}
