//! Which classes of materials depart from the others on a road.
//!
//! The log ratios of a class have a mean with the scatter τ between materials inside classes ([`class_effects`]). It is
//! compared with the weighted mean of the other classes by t with the degrees of freedom within classes. The class that
//! departs most is set aside before the others are compared once more, so that it does not drag them; all p-values
//! are adjusted together, over classes and roads (Holm 1979).

use super::classes::{ClassMean, class_effects};
use super::rows::{ClassDeparture, MaterialPair};
use super::scatter_line::ScatterEstimator;
use crate::error::Result;
use crate::estimate::{Interval, IntervalMethod};
use crate::holm;
use crate::numeric::count;
use crate::numeric::special::finite::{t_quantile, two_sided_p};

/// A class against those of `others`.
struct Comparison {
    log_ratio: f64,
    standard_error: f64,
    p_value: f64,
}

fn compare(groups: &[ClassMean], class: usize, others: &[bool], df: f64) -> Option<Comparison> {
    let (mut total, mut sum) = (0.0, 0.0);
    for (_, g) in groups.iter().enumerate().filter(|(i, _)| *i != class && others[*i]) {
        let w = 1.0 / (g.standard_error * g.standard_error);
        total += w;
        sum += w * g.mean;
    }
    let own = groups[class].standard_error;
    let standard_error = libm::sqrt(own * own + 1.0 / total);
    let log_ratio = groups[class].mean - sum / total;
    let usable = total > 0.0 && standard_error > 0.0 && standard_error.is_finite() && log_ratio.is_finite();
    let p_value = two_sided_p(log_ratio, standard_error, Some(df)).filter(|_| usable)?;
    Some(Comparison { log_ratio, standard_error, p_value })
}

/// Of one road; p-values as yet unadjusted. `tests`: how many there will be on all roads, at most.
pub(super) fn departures(
    pairs: &[MaterialPair],
    errors: &[f64],
    (estimator, alpha, level, tests): (ScatterEstimator, f64, f64, usize),
) -> Result<Vec<ClassDeparture>> {
    let ratios: Vec<f64> = pairs.iter().map(MaterialPair::log_ratio).collect();
    let classes: Vec<Option<&str>> = pairs.iter().map(MaterialPair::class).collect();
    let Ok(effects) = class_effects(&ratios, errors, &classes, estimator) else { return Ok(Vec::new()) };
    let (groups, df) = (effects.groups(), count(effects.within_degrees_of_freedom()));
    let named: Vec<usize> = (0..groups.len()).filter(|&i| groups[i].class.is_some()).collect();
    let mut others = vec![true; groups.len()];
    let mut found: Vec<Option<Comparison>> = named.iter().map(|&i| compare(groups, i, &others, df)).collect();
    // With two groups left each is the only other of the other.
    while others.iter().filter(|o| **o).count() > 2 {
        let open = (0..named.len()).filter(|&k| others[named[k]]);
        let p = |k: usize| found[k].as_ref().map_or(1.0, |c| c.p_value);
        let Some(most) = open.min_by(|a, b| p(*a).total_cmp(&p(*b))) else { break };
        if p(most) * count(tests) > alpha {
            break;
        }
        others[named[most]] = false;
        for k in (0..named.len()).filter(|&k| others[named[k]]) {
            found[k] = compare(groups, named[k], &others, df);
        }
    }
    let quantile = t_quantile(0.5 + level / 2.0, Some(df));
    let rows = named.iter().zip(found).filter_map(|(&i, c)| Some((&groups[i], c?, quantile?)));
    rows.map(|(g, c, quantile)| {
        let method = IntervalMethod::StudentT;
        Ok(ClassDeparture {
            class: g.class.clone().unwrap_or_default(),
            materials: g.values,
            ratio_to_others: Interval::from_log(c.log_ratio, c.standard_error, quantile, level, method)?,
            p_value: c.p_value,
            adjusted_p_value: 1.0,
            departs: false,
        })
    })
    .collect()
}

/// Adjusts the p-values of all roads together.
pub(super) fn adjust<'a>(rows: impl Iterator<Item = &'a mut ClassDeparture>, alpha: f64) {
    let mut rows: Vec<&mut ClassDeparture> = rows.collect();
    let p: Vec<f64> = rows.iter().map(|r| r.p_value).collect();
    for (row, adjusted) in rows.iter_mut().zip(holm(&p)) {
        row.adjusted_p_value = adjusted;
        row.departs = adjusted <= alpha;
    }
}
