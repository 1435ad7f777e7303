use super::*;

/// A small stream of numbers for tables; nothing here depends on its quality.
fn draws(seed: u64) -> impl FnMut() -> f64 {
    let mut state = seed * 2 + 1;
    move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        f64::from(u32::try_from(state >> 33).unwrap_or(0)) / f64::from(1u32 << 31)
    }
}

/// Unbalanced: 5 materials fixed, `days` and cells random.
fn table(seed: u64, n: usize, days: usize, criterion: Criterion) -> Problem {
    let mut next = draws(seed);
    let mut normal = || (0..12).map(|_| next()).sum::<f64>() - 6.0;
    let (sd_day, sd_cell) = (0.4 * normal().abs(), 0.3 * normal().abs());
    let day_effect: Vec<f64> = (0..days).map(|_| sd_day * normal()).collect();
    let cell_effect: Vec<f64> = (0..15).map(|_| sd_cell * normal()).collect();
    let mut rows = Rows::new(days + 15 + 5);
    let mut y = Vec::new();
    for i in 0..n {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let pick = (normal().abs() * 1e6) as usize;
        let (day, cell) = (if i < days { i } else { pick % days }, (i * 7 + pick % 3) % 15);
        rows.push([(day, 1.0), (days + cell, 1.0), (days + 15 + cell / 3, 1.0)]);
        y.push(3.0 + day_effect[day] + cell_effect[cell] + 0.2 * normal());
    }
    let names = vec!["day".into(), "cell".into()];
    Problem::new(&rows, &y, names, vec![0..days, days..days + 15], &|a| a.to_string(), criterion).unwrap()
}

/// Forty unbalanced tables, with and without effects: nothing on a wide grid of variance ratios,
/// zero included, lies below the minimum that was found.
#[test]
fn nothing_lies_below_the_minimum() {
    let mut zeros = 0;
    for seed in 0..40 {
        let criterion = if seed % 2 == 0 { Criterion::Reml } else { Criterion::Ml };
        let problem = table(seed, 45, 6, criterion);
        let best = problem.minimise(Pin::Nothing, &problem.start().unwrap()).unwrap();
        zeros += best.state.gamma.iter().filter(|&&g| g == 0.0).count();
        assert!(best.decrement < 1e-6, "{seed}");
        let ladder: Vec<f64> = std::iter::once(0.0).chain((-24..=12).map(|i| libm::exp(f64::from(i) * 0.5))).collect();
        for &a in &ladder {
            for &b in &ladder {
                let state = problem.state(&[a, b]).unwrap();
                let value = state.log_determinant
                    + problem.nu() * (libm::log(state.r2 / problem.nu()) + 1.0)
                    + problem.constant();
                assert!(value >= best.value - 1e-9, "seed {seed}, ratios {a} {b}: {value} {}", best.value);
            }
        }
        // From elsewhere, the same place.
        let again = problem.minimise(Pin::Nothing, &[50.0, 1e-3]).unwrap();
        assert!((again.value - best.value).abs() < 1e-9, "{seed}: {} {}", again.value, best.value);
    }
    assert!(zeros > 5, "the tables include singular ones: {zeros}");
}

/// The exact Hessian and the one by differences of the gradient, which large tables use.
#[test]
fn two_routes_to_the_hessian() {
    for (seed, criterion) in [(3, Criterion::Reml), (4, Criterion::Ml), (8, Criterion::Reml)] {
        let problem = table(seed, 90, 10, criterion);
        let best = problem.minimise(Pin::Nothing, &problem.start().unwrap()).unwrap();
        let positive: Vec<usize> = (0..2).filter(|&j| best.state.gamma[j] > 0.0).collect();
        assert!(!positive.is_empty());
        let information = problem.exact_information(&best.state);
        let exact = problem.hessian(&best, &positive, information.as_deref()).unwrap();
        let mut other = DMatrix::zeros(positive.len() + 1, positive.len() + 1);
        problem.differenced(&best, &positive, &mut other).unwrap();
        for a in 0..positive.len() {
            for b in 0..positive.len() {
                let size = (exact[(a, a)] * exact[(b, b)]).sqrt();
                assert!((exact[(a, b)] - other[(a, b)]).abs() < 1e-8 * size, "{seed}: {exact} {other}");
            }
        }
    }
}

/// Gradient and profile slope against differences of the value.
#[test]
fn slopes_are_those_of_the_value() {
    let problem = table(6, 80, 9, Criterion::Reml);
    let start = problem.start().unwrap();
    for pin in [Pin::Nothing, Pin::Residual(0.05), Pin::Component(1, 0.02)] {
        let phi = [-0.4, 0.3];
        let at = |phi: &[f64]| problem.local(pin, &[0, 1], phi).unwrap();
        let h = 1e-5;
        for j in 0..2 {
            let (mut up, mut down) = (phi, phi);
            up[j] += h;
            down[j] -= h;
            let want = (at(&up).value - at(&down).value) / (2.0 * h);
            assert!((at(&phi).gradient[j] - want).abs() < 1e-6 * (1.0 + want.abs()), "{pin:?} {j}");
        }
    }
    let profile = |v: f64| problem.minimise(Pin::Component(0, v), &start).unwrap();
    let (v, h) = (0.03, 1e-5);
    let want = (profile(v * (1.0 + h)).value - profile(v * (1.0 - h)).value) / (2.0 * h);
    assert!((profile(v).slope - want).abs() < 1e-5 * (1.0 + want.abs()), "{} {want}", profile(v).slope);
}
