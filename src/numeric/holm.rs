//! Holm's step-down adjustment of p-values for many tests at once (Holm 1979, Scandinavian Journal
//! of Statistics 6, 65–70). Valid under any dependence of the tests.

/// Adjusted p-values, in the order given: `max over j ≤ k of min(1, (m − j + 1) p₍ⱼ₎)` for the k-th
/// smallest of m.
///
/// Shape: as the input. Values outside [0, 1] are taken as 1, so that nothing is ever made
/// significant by an undefined p-value.
///
/// ```
/// use surface_severity::holm;
/// assert_eq!(holm(&[0.01, 0.5, 0.02]), [0.03, 0.5, 0.04]);
/// ```
#[must_use]
pub fn holm(p_values: &[f64]) -> Vec<f64> {
    let m = p_values.len();
    let clean: Vec<f64> = p_values.iter().map(|&p| if (0.0..=1.0).contains(&p) { p } else { 1.0 }).collect();
    let mut order: Vec<usize> = (0..m).collect();
    order.sort_by(|&a, &b| clean[a].total_cmp(&clean[b]).then(a.cmp(&b)));
    let mut adjusted = vec![1.0; m];
    let mut largest: f64 = 0.0;
    for (rank, &i) in order.iter().enumerate() {
        #[allow(clippy::cast_precision_loss)]
        let multiplied = (clean[i] * (m - rank) as f64).min(1.0);
        largest = largest.max(multiplied);
        adjusted[i] = largest;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;

    /// R 4.2.2: `p.adjust(c(0.01, 0.02, 0.03, 0.04, 0.05, 0.001), "holm")`.
    #[test]
    fn agrees_with_r() {
        let got = holm(&[0.01, 0.02, 0.03, 0.04, 0.05, 0.001]);
        for (got, want) in got.iter().zip([0.05, 0.08, 0.09, 0.09, 0.09, 0.006]) {
            assert!((got - want).abs() < 1e-15, "{got} {want}");
        }
        assert_eq!(holm(&[f64::NAN, 0.01]), [1.0, 0.02]);
        assert!(holm(&[]).is_empty());
    }
}
