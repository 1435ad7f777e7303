//! Campaigns too small to show how replicates scatter: the error says so and what to test next.

use surface_severity::campaign::{Campaign, CampaignBuilder, Trial};
use surface_severity::severity::{Distribution, Grouping, Severity};
use surface_severity::{Error, ErrorKind};

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Worn(f64),
    RanOut(f64),
    Opened(f64),
    None,
}
use Kind::{Opened, RanOut, Worn};

/// Cells of two materials (rows) on two surfaces.
fn square(cells: [Kind; 4]) -> Campaign {
    let mut builder = CampaignBuilder::default();
    for (i, kind) in cells.into_iter().enumerate() {
        let (id, s, m) = (format!("t{i}"), ["chip seal", "asphalt"][i % 2], ["leather", "denim"][i / 2]);
        let trial = match kind {
            Worn(t) => Trial::perforated(id, s, m, t),
            RanOut(t) => Trial::run_out(id, s, m, t),
            Opened(t) => Trial::opened_at_contact(id, s, m, t),
            Kind::None => continue,
        };
        builder.extend([trial.day(format!("d{}", (i % 2) ^ (i / 2)))]);
    }
    builder.build().unwrap()
}

fn plan() -> Severity {
    Severity::new("chip seal").independent()
}

fn scatter(result: Result<impl std::fmt::Debug, Error>, words: &[&str]) {
    let error = result.unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::ScatterNotEstimable { .. }), "{error}");
    for word in words {
        assert!(error.to_string().contains(word), "{word:?} in {error}");
    }
}

#[test]
fn one_run_out_that_the_rest_allows() {
    // 1·4/2 = 2 s is what three times say of the fourth cell; a run-out at 1.5 s agrees.
    let campaign = square([Worn(1.0), Worn(2.0), Worn(2.0), RanOut(1.5)]);
    let words = ["3 worn-through", "3 level(s)", "1 run-out(s)", "wear through at least one more specimen in a cell"];
    scatter(plan().fit(&campaign), &words);
    for distribution in [Distribution::Weibull, Distribution::LogLogistic] {
        scatter(plan().distribution(distribution).fit(&campaign), &words);
    }
    scatter(Severity::new("chip seal").random(Grouping::Day).fit(&campaign), &words);
    // One at 8 s does not: three trials and it determine three levels and a scatter, just so.
    let fit = plan().fit(&square([Worn(1.0), Worn(2.0), Worn(2.0), RanOut(8.0)])).unwrap();
    assert!(fit.log_scatter() > 0.05 && fit.scatter_degrees_of_freedom() <= 1.0);
    assert!(fit.factor("asphalt").unwrap().lower() > 0.0);
}

#[test]
fn times_that_fit_exactly() {
    let additive = [Worn(1.0), Worn(2.0), Worn(1.5), Worn(3.0)];
    scatter(plan().fit(&square(additive)), &["agree with the fit to the last digit"]);
    scatter(plan().distribution(Distribution::Weibull).fit(&square(additive)), &["4 worn-through", "3 level(s)"]);
    scatter(plan().fit(&square([Worn(1.0), Worn(2.0), Worn(1.5), Kind::None])), &["3 trials determine 3 levels"]);
    // Two of each kind across: each level sits between a lower and an upper limit.
    scatter(plan().fit(&square([Worn(1.0), RanOut(0.5), RanOut(0.6), Worn(1.2)])), &["2 worn-through", "2 run-out(s)"]);
    // A clock of half seconds leaves room for one set of levels.
    scatter(plan().time_resolution_s(0.5).fit(&square([Worn(1.0), Worn(2.0), Worn(2.0), Worn(4.0)])), &["clock"]);
    let fit = plan().time_resolution_s(0.5).fit(&square([Worn(1.0), Worn(2.0), Worn(2.0), Worn(9.0)])).unwrap();
    assert!(fit.log_scatter() > 0.05);
}

/// Every way to fill four cells with nothing, a worn-through trial, a run-out or a contact opening: a
/// finite fit or an error that names the cause, never a search that gave up.
#[test]
fn every_square_has_a_fit_or_a_cause() {
    let (mut fits, mut errors) = (0, 0);
    for times in [[1.0, 2.0, 2.0, 4.0], [1.0, 2.0, 3.0, 1.5], [1.0, 1.0, 1.0, 1.0], [0.3, 7.0, 0.9, 30.0]] {
        for pattern in 0..256usize {
            let cell = |i: usize| match (pattern >> (2 * i)) & 3 {
                0 => Worn(times[i]),
                1 => RanOut(times[i]),
                2 => Opened(times[i]),
                _ => Kind::None,
            };
            let cells = [cell(0), cell(1), cell(2), cell(3)];
            if cells[0] == Kind::None && cells[2] == Kind::None {
                continue;
            }
            let campaign = square(cells);
            for distribution in [Distribution::LogNormal, Distribution::Weibull, Distribution::LogLogistic] {
                match plan().distribution(distribution).fit(&campaign) {
                    Ok(fit) => {
                        fits += 1;
                        assert!(fit.log_scatter().is_finite() && fit.log_scatter() > 1e-6, "{times:?} {pattern}");
                        for row in fit.factors() {
                            assert!(row.factor.value().is_none_or(f64::is_finite), "{times:?} {pattern} {row:?}");
                        }
                    }
                    Err(error) => {
                        errors += 1;
                        let named = matches!(
                            error.kind(),
                            ErrorKind::Disconnected { .. }
                                | ErrorKind::NotEstimable { .. }
                                | ErrorKind::ScatterNotEstimable { .. }
                        );
                        assert!(named, "{times:?} {pattern} {distribution}: {error}");
                    }
                }
            }
        }
    }
    assert!(fits > 30 && errors > 1000, "{fits} {errors}");
}
