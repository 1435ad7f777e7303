//! The methods of a study, with their sources.

use crate::severity::Distribution;
use crate::study::StudyResult;

use super::html::Html;

pub(super) fn methods(html: &mut Html, study: &StudyResult) {
    let mut references = Vec::new();
    severity(html, study, &mut references);
    if !study.belts.is_empty() {
        belt_and_road(html, study, &mut references);
    }
    screening(html, study, &mut references);
    if let Some(bootstrap) = &study.bootstrap {
        html.subsection("Resampling");
        html.paragraph(&format!(
            "Bootstrap of independent trials: {}, and everything is fitted again, once for each replicate.",
            bootstrap.replicates().plan().scheme()
        ));
        references
            .push("A. C. Davison, D. V. Hinkley, Bootstrap Methods and their Application, 1997, chapters 3 and 5.");
    }
    html.subsection("References");
    let mut seen = std::collections::BTreeSet::new();
    references.retain(|r| seen.insert(*r));
    html.list(references.iter().map(|r| (*r).to_owned()));
}

fn severity(html: &mut Html, study: &StudyResult, references: &mut Vec<&'static str>) {
    let fit = &study.severity;
    html.subsection("Severity");
    let shared = !fit.groupings().is_empty();
    html.formula(if shared {
        "log T = μ(material) − log k(surface) + effects of day, run, belt and cell + σ W"
    } else {
        "log T = μ(material) − log k(surface) + σ W"
    });
    let w = match fit.distribution() {
        Distribution::LogNormal => "standard normal: times are log-normal",
        Distribution::Weibull => "standard smallest extreme value: times follow a Weibull distribution",
        Distribution::LogLogistic => "standard logistic: times are log-logistic",
    };
    html.paragraph(&format!(
        "T is the abrasion time in seconds, k the abrasiveness factor with k = 1 on {}, σ the scatter of specimens, W {w}. A \
         perforated trial contributes its density, a run-out the probability of lasting longer, a contact opening the \
         probability of lasting less. Void trials contribute nothing.",
        fit.reference()
    ));
    if shared {
        html.paragraph(
            "The effects are normal with mean 0 and a variance of their own for each grouping that the table records and can tell \
             apart. Variances by restricted likelihood where nothing is censored, otherwise by the adjusted profile likelihood \
             with the effects integrated out; in the limits no variance is taken as known: they are mixed over its confidence \
             distribution.",
        );
        references.push("D. Bates, M. Mächler, B. Bolker, S. Walker, J. Statist. Softw. 67 (2015) 1 (mixed models).");
        references.push("F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110 (degrees of freedom).");
        references.push("D. R. Cox, N. Reid, J. R. Statist. Soc. B 49 (1987) 1 (adjusted profile likelihood).");
    }
    references
        .push("J. F. Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed., 2003, chapters 5 and 6.");
    references.push(
        "R. J. Olsen, Econometrica 46 (1978) 1211; J. Burridge, J. R. Statist. Soc. B 43 (1981) 41; J. W. Pratt, J. Amer. \
         Statist. Assoc. 76 (1981) 103 (concave likelihood).",
    );
    if study.distributions.is_some() {
        references.push("C. M. Hurvich, C.-L. Tsai, Biometrika 76 (1989) 297 (AICc).");
    }
    if study.equal_scatter.is_some() {
        references.push("M. S. Bartlett, Proc. R. Soc. A 160 (1937) 268 (equal scatter).");
    }
    references.push("P. K. Dunn, G. K. Smyth, J. Comput. Graph. Statist. 5 (1996) 236 (quantile residuals).");
}

fn belt_and_road(html: &mut Html, study: &StudyResult, references: &mut Vec<&'static str>) {
    html.subsection("Belt and road");
    html.formula("log road = log c + log belt + τ U, or log road = a + b log belt + τ U");
    html.paragraph(
        "c is k of the belt over k of the road, with its limits in the fit. τ is by how much materials differ about it on this \
         road: their medians, adjusted for days and belts, by restricted likelihood; U has mean 0 and variance 1. The slope \
         is York's line with the same scatter. A class has its own c, drawn towards the common one by as much as the classes \
         of the road bear out; it departs where its mean differs from that of the others by t with the scatter inside \
         classes, adjusted over classes and roads. Equivalence is two one-sided tests of c, adjusted over roads.",
    );
    references
        .push("D. York, N. M. Evensen, M. López Martínez, J. De Basabe Delgado, Am. J. Phys. 72 (2004) 367 (line).");
    references.push("D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657 (two one-sided tests).");
    references.push("S. Holm, Scand. J. Statist. 6 (1979) 65 (adjustment).");
    if study.belts.iter().any(|b| b.correction.is_some()) {
        html.paragraph(
            "The limits for one further material hold those of c, τ and what classes differ by, neither of which is taken as known \
             but as a mixture over its confidence distribution; those for a report also the scatter of its specimens and their \
             day. A value outside the belt times or classes of the domain is given unchanged and marked.",
        );
        references.push(
            "K. Nagashima, H. Noma, T. A. Furukawa, Statistical Methods in Medical Research 28 (2019) 1689 (prediction).",
        );
    }
}

fn screening(html: &mut Html, study: &StudyResult, references: &mut Vec<&'static str>) {
    if study.screening.is_none() {
        return;
    }
    html.subsection("Screening");
    html.paragraph(
        "Rules on what was recorded; then, on log times within material and surface, each trial against its cell without it with \
         the scatter of all cells, against its cell's median by median absolute deviations, and generalised ESD over all \
         cells; p-values adjusted by Holm's method over the trials looked at, and for the number of tests.",
    );
    references.push("B. Rosner, Technometrics 25 (1983) 165 (generalised ESD).");
    references.push("R. D. Cook, S. Weisberg, Residuals and Influence in Regression, 1982 (deletion residuals).");
    references.push("B. Iglewicz, D. C. Hoaglin, How to Detect and Handle Outliers, 1993 (median deviations).");
}
