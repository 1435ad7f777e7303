//! Axes in pixels with ticks that a person would choose.

use super::canvas::text_width;

/// A straight map from values to pixels, on a logarithmic or a linear scale.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Axis {
    log: bool,
    from: f64,
    to: f64,
    start: f64,
    end: f64,
}

impl Axis {
    /// A logarithmic axis over positive `values`, with a little room at both ends.
    pub(crate) fn log(values: impl IntoIterator<Item = f64>, start: f64, end: f64) -> Self {
        let logs = values.into_iter().filter(|v| v.is_finite() && *v > 0.0).map(libm::log);
        let (from, to) = spread(logs, 0.4);
        Self { log: true, from, to, start, end }
    }

    /// A linear axis over `values`, with a little room at both ends.
    pub(crate) fn linear(values: impl IntoIterator<Item = f64>, start: f64, end: f64) -> Self {
        let (from, to) = spread(values.into_iter().filter(|v| v.is_finite()), 1.0);
        Self { log: false, from, to, start, end }
    }

    /// The same values on other pixels.
    pub(crate) fn moved(self, start: f64, end: f64) -> Self {
        Self { start, end, ..self }
    }

    /// Pixel of a value; a value beyond the axis lands on its end.
    pub(crate) fn at(&self, value: f64) -> f64 {
        let v = if self.log { libm::log(value.max(f64::MIN_POSITIVE)) } else { value };
        let share = ((v - self.from) / (self.to - self.from)).clamp(0.0, 1.0);
        self.start + share * (self.end - self.start)
    }

    /// True when the axis reaches `value`.
    pub(crate) fn holds(&self, value: f64) -> bool {
        let v = if self.log { libm::log(value.max(f64::MIN_POSITIVE)) } else { value };
        self.from <= v && v <= self.to
    }

    /// Ends of the axis as values.
    pub(crate) fn range(&self) -> (f64, f64) {
        if self.log { (libm::exp(self.from), libm::exp(self.to)) } else { (self.from, self.to) }
    }

    /// Ticks with their labels: the densest of the usual series whose labels of text size `size` do not touch.
    pub(crate) fn ticks(&self, size: f64) -> Vec<(f64, String)> {
        let narrow = self.to - self.from < 1.2;
        let mut candidates = Vec::new();
        if self.log && !narrow {
            let usual = self.decades(&[1.0, 2.0, 5.0], 1);
            // Less than about a decade: more digits, else hardly a tick falls on the axis.
            if usual.len() < 5 {
                candidates.push(self.decades(&[1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0], 1));
                candidates.push(self.decades(&[1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0], 1));
                candidates.push(self.decades(&[1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0], 1));
                candidates.push(self.decades(&[1.0, 1.5, 2.0, 3.0, 5.0, 7.0], 1));
                candidates.push(self.decades(&[1.0, 2.0, 3.0, 5.0, 7.0], 1));
            }
            candidates.push(usual);
            candidates.push(self.decades(&[1.0, 3.0], 1));
            candidates.push(self.decades(&[1.0], 1));
            candidates.extend([2, 3, 5, 10, 20, 50, 100].map(|step| self.decades(&[1.0], step)));
        } else {
            let (from, to) = self.range();
            let raw = libm::floor(libm::log10((to - from) / 40.0));
            for e in 0..4 {
                for digit in [1.0, 2.0, 5.0] {
                    candidates.push(self.even(digit, raw + f64::from(e)));
                }
            }
        }
        let readable = |ticks: &Vec<(f64, String)>| {
            ticks.windows(2).all(|pair| {
                let gap = (self.at(pair[1].0) - self.at(pair[0].0)).abs();
                gap >= 0.5 * (text_width(&pair[0].1, size) + text_width(&pair[1].1, size)) + 0.7 * size
            })
        };
        let fewest = candidates.iter().map(Vec::len).max().unwrap_or(0).min(2);
        candidates.into_iter().find(|c| (fewest..40).contains(&c.len()) && readable(c)).unwrap_or_default()
    }

    fn decades(&self, digits: &[f64], step: usize) -> Vec<(f64, String)> {
        const LAST: i32 = 300;
        let mut ticks = Vec::new();
        let (from, to) = self.range();
        let (from, to) = (libm::log10(from) - 1.5, libm::log10(to) + 0.5);
        for exponent in (-LAST..=LAST).step_by(step).filter(|e| (from..to).contains(&f64::from(*e))) {
            for &digit in digits {
                // Parsed, not computed: 5e-2 and not 0.050000000000000003.
                let Ok(value) = format!("{digit}e{exponent}").parse::<f64>() else { continue };
                if self.holds(value) {
                    let label =
                        if (-4..6).contains(&exponent) { value.to_string() } else { format!("{digit}e{exponent}") };
                    ticks.push((value, label));
                }
            }
        }
        ticks
    }

    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    fn even(&self, digit: f64, exponent: f64) -> Vec<(f64, String)> {
        let step = digit * libm::pow(10.0, exponent);
        let (from, to) = self.range();
        if !(step.is_finite() && step > 0.0 && (to - from) / step < 200.0) {
            return Vec::new();
        }
        let decimals = (-exponent).clamp(0.0, 12.0) as usize;
        let mut ticks = Vec::new();
        let mut k = libm::ceil(from / step);
        while k * step <= to {
            // Adding zero turns -0 into 0.
            let value = k * step + 0.0;
            ticks.push((value, format!("{value:.decimals$}")));
            k += 1.0;
        }
        ticks
    }
}

/// Range of the values with 4 % of room at both ends; `alone` is the half width around a single value.
fn spread(values: impl Iterator<Item = f64>, alone: f64) -> (f64, f64) {
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
    if low > high {
        return (-alone, alone);
    }
    let room = if high - low < 1e-9 * high.abs().max(1.0) { alone } else { 0.04 * (high - low) };
    (low - room, high + room)
}

/// Values that the axis of an interval plot should reach: all estimates, and limits up to a factor of
/// 30 beyond them. Farther limits would press everything else together; they are drawn as cut.
pub(crate) fn reach(intervals: &[[f64; 3]]) -> Vec<f64> {
    const FACTOR: f64 = 30.0;
    let low = intervals.iter().map(|i| i[1]).fold(f64::INFINITY, f64::min);
    let high = intervals.iter().map(|i| i[1]).fold(0.0, f64::max);
    intervals.iter().flat_map(|&[l, e, u]| [l.max(low / FACTOR), e, u.min(high * FACTOR)]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(axis: Axis) -> Vec<String> {
        axis.ticks(12.0).into_iter().map(|t| t.1).collect()
    }

    #[test]
    fn ticks_are_those_a_person_would_choose() {
        assert_eq!(
            labels(Axis::log([0.05, 20.0], 0.0, 500.0)),
            ["0.05", "0.1", "0.2", "0.5", "1", "2", "5", "10", "20"]
        );
        assert_eq!(labels(Axis::log([0.05, 20.0], 0.0, 120.0)), ["0.1", "1", "10"]);
        assert_eq!(labels(Axis::log([0.6, 3.2], 0.0, 280.0)), ["0.6", "0.8", "1", "1.5", "2", "2.5", "3"]);
        assert_eq!(labels(Axis::log([1.0, 1.5], 0.0, 300.0)), ["1.0", "1.1", "1.2", "1.3", "1.4", "1.5"]);
        assert_eq!(
            labels(Axis::linear([-2.0, 2.0], 0.0, 300.0)),
            ["-2.0", "-1.5", "-1.0", "-0.5", "0.0", "0.5", "1.0", "1.5", "2.0"]
        );
        assert_eq!(labels(Axis::log([1.45, 1.85], 0.0, 150.0)), ["1.5", "1.6", "1.7", "1.8"]);
        assert_eq!(labels(Axis::log([1e-9, 1e12], 0.0, 300.0)).len(), 4);
    }

    #[test]
    fn odd_ranges_give_an_axis_all_the_same() {
        for values in [vec![], vec![3.0], vec![3.0, 3.0], vec![1e-300, 1e300], vec![f64::NAN, -1.0]] {
            let axis = Axis::log(values.clone(), 10.0, 400.0);
            assert!(axis.at(3.0).is_finite());
            assert!(axis.ticks(12.0).iter().all(|t| t.0.is_finite()), "{values:?}");
        }
    }
}
