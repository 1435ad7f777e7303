//! Passing–Bablok lines, which no single pair can pull away, as a check on the power law.
//!
//! Both forms take the middle of the slopes of all pairs of pairs in an order that treats x and y alike, so that swapping
//! them inverts the line: by angle from −45° upwards over the vertical (1983, for slopes near 1), or by |slope| (1988,
//! follows a change of unit). Passing and Bablok, J. Clin. Chem. Clin. Biochem. 21 (1983) 709; Bablok, Passing, Bender and
//! Schneider, ibid. 26 (1988) 783; Dufey, Int. J. Biostat. 16 (2020). Ranks of the limits from the variance of Kendall's
//! statistic, n(n − 1)(2n + 5)/18.

use std::f64::consts::{FRAC_PI_2, PI};

use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};
use surface_severity::campaign::Campaign;
use surface_severity::equivalence::Equivalence;
use surface_severity::severity::Severity;

use super::{assert_digits, column};

/// The normal quantile of 0.975.
const Z: f64 = 1.959_963_984_540_054;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Form {
    Original,
    Equivariant,
}

struct Line {
    slope: f64,
    intercept: f64,
    /// Slopes below −1, or below minus the slope for the later form.
    offset: usize,
    slopes: Vec<f64>,
    points: Vec<(f64, f64)>,
}

impl Line {
    /// Ranks of the 95 % limits of the slope among the slopes, from 1.
    fn ranks(&self) -> (usize, usize) {
        let (n, used) = (self.points.len() as f64, self.slopes.len());
        let spread = Z * (n * (n - 1.0) * (2.0 * n + 5.0) / 18.0).sqrt();
        let wanted = ((used as f64 - spread) / 2.0).round();
        let first = (1..=used).find(|k| *k as f64 >= wanted).unwrap();
        (first, used - first + 1)
    }

    fn limits(&self) -> (f64, f64) {
        let (first, last) = self.ranks();
        (self.slopes[first - 1], self.slopes[last - 1])
    }
}

fn median_residual(points: &[(f64, f64)], slope: f64) -> f64 {
    let mut values: Vec<f64> = points.iter().map(|(x, y)| y - slope * x).collect();
    values.sort_by(f64::total_cmp);
    let n = values.len();
    0.5 * (values[(n - 1) / 2] + values[n / 2])
}

fn line(x: &[f64], y: &[f64], form: Form) -> Line {
    let mut slopes = Vec::new();
    for i in 0..x.len() {
        for j in 0..i {
            let (dx, dy) = (x[i] - x[j], y[i] - y[j]);
            if dx != 0.0 || dy != 0.0 {
                slopes.push(if dx == 0.0 { f64::INFINITY } else { dy / dx });
            }
        }
    }
    match form {
        Form::Original => {
            slopes.retain(|s| *s != -1.0);
            slopes.sort_by(|a, b| (*a < -1.0).cmp(&(*b < -1.0)).then(a.total_cmp(b)));
        }
        Form::Equivariant => slopes.sort_by(|a, b| a.abs().total_cmp(&b.abs())),
    }
    let signed = slopes.clone();
    if form == Form::Equivariant {
        slopes.iter_mut().for_each(|s| *s = s.abs());
    }
    let (a, b) = (slopes[(slopes.len() - 1) / 2], slopes[slopes.len() / 2]);
    // Halfway in angle or by the geometric mean: the means that keep the inversion on swapping exact.
    let turned = |s: f64| if s < -1.0 { s.atan() + PI } else { s.atan() };
    let slope = match form {
        _ if a == b => a,
        Form::Original => {
            Some(0.5 * (turned(a) + turned(b))).filter(|v| *v < FRAC_PI_2).map_or(f64::INFINITY, f64::tan)
        }
        Form::Equivariant => a.sqrt() * b.sqrt(),
    };
    let threshold = if form == Form::Original { -1.0 } else { -slope };
    let offset = signed.iter().filter(|s| **s < threshold).count();
    let points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
    Line { slope, intercept: median_residual(&points, slope), offset, slopes, points }
}

/// Three published data sets (a statistics manual's 30 pairs; Bland and Altman, Lancet 1986, first readings; the ten
/// pairs of the Deming example), 1983 form: values computed independently after the paper's algorithm.
#[test]
fn published_pairs() {
    let of = |file: &str, x: &str, y: &str| line(&column(file, x), &column(file, y), Form::Original);
    let l = of("passing_bablok_30.csv", "x", "y");
    assert_eq!((l.slopes.len(), l.offset, l.points.len()), (434, 4, 30));
    assert_digits(l.slope, 1.0, 12);
    assert_digits(l.intercept, -0.15, 10);
    assert_eq!(l.ranks(), (162, 273));
    assert_digits(l.limits().0, 0.987635239567, 11);
    assert_digits(l.limits().1, 1.012315270936, 11);
    assert_digits(median_residual(&l.points, l.limits().1), -0.853078817734, 9);
    assert_digits(median_residual(&l.points, l.limits().0), 0.654945904173, 9);

    let l = of("bland_altman_pefr.csv", "wright", "mini_wright");
    assert_eq!((l.slopes.len(), l.offset), (135, 13));
    assert_digits(l.slope, 1.06481481481, 10);
    assert_digits(l.intercept, -24.30555556, 9);
    assert_digits(l.limits().0, 0.837078651685, 11);
    assert_digits(l.limits().1, 1.396825396825, 11);
    assert_digits(of("bland_altman_pefr.csv", "mini_wright", "wright").slope, 0.939130434783, 11);

    let l = of("deming_10.csv", "x", "y");
    assert_eq!((l.slopes.len(), l.offset), (45, 4));
    assert_digits(l.slope, 1.0, 12);
    assert_digits(l.intercept, -0.05, 10);
    assert_digits(l.limits().0, 0.71875, 12);
    assert_digits(l.limits().1, 1.42105263158, 11);
}

/// Swapping x and y inverts slope and limits; the later form follows a change of unit, and at its slope Kendall's C − D of
/// y − βx and y + βx is 0 (Dufey 2020).
#[test]
fn ranks_treat_both_sides_alike() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    for _ in 0..100 {
        let n = rng.random_range(10..25);
        let (x, y): (Vec<f64>, Vec<f64>) = (0..n)
            .map(|_| {
                let t: f64 = rng.random_range(0.5..9.0);
                (t + rng.random_range(-0.8..0.8), 0.3 + 1.1 * t + rng.random_range(-0.8..0.8))
            })
            .unzip();
        for form in [Form::Original, Form::Equivariant] {
            let (there, back) = (line(&x, &y, form), line(&y, &x, form));
            assert_digits(there.slope * back.slope, 1.0, 12);
            assert_digits(there.limits().0 * back.limits().1, 1.0, 12);
        }
        let l = line(&x, &y, Form::Equivariant);
        let scaled: Vec<f64> = y.iter().map(|v| 37.0 * v - 5.0).collect();
        assert_digits(line(&x, &scaled, Form::Equivariant).slope, 37.0 * l.slope, 11);
        let pairs = (0..n).flat_map(|i| (0..i).map(move |j| (i, j)));
        let kendall: i32 = pairs
            .map(|(i, j)| {
                let (dx, dy) = (x[i] - x[j], y[i] - y[j]);
                let product: f64 = (dy - l.slope * dx) * (dy + l.slope * dx);
                i32::from(product > 0.0) - i32::from(product < 0.0)
            })
            .sum();
        assert!(kendall.abs() <= 1, "{kendall}");
    }
}

/// The slopes of the demo's power laws agree with what ranks of the same medians say.
#[test]
fn power_laws_lie_within_the_limits_of_ranks() {
    let campaign = Campaign::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/trials.csv")).unwrap();
    let fit = Severity::new("dense asphalt concrete").fit(&campaign).unwrap();
    let relation = Equivalence::new("laboratory belt").fit(&campaign, &fit).unwrap();
    let mut roads = 0;
    for road in relation.surfaces() {
        let logs = road.pairs().iter().map(|p| (p.laboratory_log_median(), p.road_log_median()));
        let (x, y): (Vec<f64>, Vec<f64>) = logs.unzip();
        let Some(power) = road.power_law().fitted() else { continue };
        let (lower, upper) = line(&x, &y, Form::Equivariant).limits();
        let slope = power.slope().estimate();
        assert!(lower < slope && slope < upper, "{}: {slope} outside {lower} to {upper}", road.surface());
        roads += 1;
    }
    assert_eq!(roads, relation.surfaces().len());
}
