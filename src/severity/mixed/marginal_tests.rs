use super::*;

/// Twelve trials of two materials, three days crossed with two runs, all kinds of censoring.
fn small(distribution: Distribution, factors: usize, nodes: usize) -> Marginal {
    let times: Vec<LogTime> = (0..12u32)
        .map(|i| {
            let y = 0.3 * libm::sin(f64::from(i) * 2.3) + 0.2 * f64::from(i % 3);
            match i % 6 {
                0 => LogTime::Right(y),
                3 => LogTime::Left(y),
                4 => LogTime::Between(y - 0.2, y + 0.3),
                _ => LogTime::Exact(y),
            }
        })
        .collect();
    let (mut x, mut z) = (Rows::new(2), Rows::new(if factors == 2 { 5 } else { 3 }));
    for i in 0..12 {
        x.push([(i % 2, 1.0), (1 - i % 2, 0.25)]);
        let mut row = vec![(i % 3, 1.0)];
        if factors == 2 {
            row.push((3 + (i / 2) % 2, 1.0));
        }
        z.push(row);
    }
    let names = vec!["day".into(), "run".into()];
    let components = [0..3, 3..5].into_iter().take(factors).collect();
    Marginal::new(distribution, &times, &x, &z, names, components, nodes)
}

#[test]
fn gradients_are_those_of_the_likelihood() {
    for distribution in [Distribution::LogNormal, Distribution::Weibull, Distribution::LogLogistic] {
        for (factors, nodes) in [(1, 1), (1, 2), (1, 5), (1, 20), (2, 1)] {
            let model = small(distribution, factors, nodes);
            let parameters = Parameters { beta: vec![0.1, 0.25], log_sigma: -0.7, log_tau: vec![-0.6, -1.1] };
            let start = vec![0.0; model.z.columns];
            let at = model.evaluate(&parameters, &start).unwrap();
            for a in 0..3 + factors {
                let h = 1e-5;
                let value = |shift: f64| {
                    let mut moved = parameters.clone();
                    let v = read(&moved, a, 2) + shift;
                    write(&mut moved, a, 2, v);
                    model.evaluate(&moved, &start).unwrap().log_likelihood
                };
                let want = (value(h) - value(-h)) / (2.0 * h);
                assert!(
                    (at.gradient[a] - want).abs() < 1e-7 * (1.0 + want.abs()),
                    "{distribution}, {factors} factor(s), {nodes} node(s), parameter {a}: {} {want}",
                    at.gradient[a]
                );
            }
        }
    }
}

/// Fixed coefficients among the modes: gradient, and the derivatives of a contrast's variance.
#[test]
fn restricted_gradients_are_those_of_the_likelihood() {
    for distribution in [Distribution::LogNormal, Distribution::Weibull, Distribution::LogLogistic] {
        for (factors, nodes) in [(1, 1), (1, 3), (1, 15), (2, 1)] {
            let model = small(distribution, factors, nodes).restricted(&[0.1, 0.25]);
            let parameters = Parameters { beta: Vec::new(), log_sigma: -0.7, log_tau: vec![-0.6, -1.1] };
            let moved = |a: usize, h: f64| {
                let mut moved = parameters.clone();
                let v = read(&moved, a, 0) + h;
                write(&mut moved, a, 0, v);
                moved
            };
            let at = model.evaluate(&parameters, &model.begin).unwrap();
            let slopes = model.weight_slopes(&parameters, &at);
            let q = model.z.columns - 2;
            // A fixed contrast, and one of a fixed column with a level.
            for weights in [vec![(q, 1.0), (q + 1, -0.5)], vec![(q + 1, 1.0), (1, 1.0)]] {
                let variance = |p: &Parameters| {
                    let at = model.evaluate(p, &model.begin).unwrap();
                    model.joint_variance(p, &at, &slopes, &weights).0
                };
                let (_, got, _) = model.joint_variance(&parameters, &at, &slopes, &weights);
                for a in 0..=factors {
                    let h = 1e-5;
                    let want = (variance(&moved(a, h)) - variance(&moved(a, -h))) / (2.0 * h);
                    assert!((got[a] - want).abs() < 1e-7, "{distribution} {factors} {nodes} {a}: {} {want}", got[a]);
                    let value = |h: f64| model.evaluate(&moved(a, h), &model.begin).unwrap().log_likelihood;
                    let want = (value(h) - value(-h)) / (2.0 * h);
                    assert!(
                        (at.gradient[a] - want).abs() < 1e-7 * (1.0 + want.abs()),
                        "{distribution}, {factors} factor(s), {nodes} node(s), parameter {a}: {} {want}",
                        at.gradient[a]
                    );
                }
            }
        }
    }
}

/// One node of the quadrature and the approximation for several factors are the same thing,
/// reached by different code.
#[test]
fn one_node_is_laplace() {
    let parameters = Parameters { beta: vec![0.1, 0.25], log_sigma: -0.7, log_tau: vec![-0.6] };
    for distribution in [Distribution::LogNormal, Distribution::Weibull, Distribution::LogLogistic] {
        let model = small(distribution, 1, 1);
        let at = model.evaluate(&parameters, &[0.0; 3]).unwrap();
        let scale = model.tau(&parameters);
        let (modes, _, terms) = model.modes(&parameters, &scale, &[0.0; 3]).unwrap();
        let mut gradient = vec![0.0; 4];
        let value = model.quadrature(&parameters, &modes, &terms, &mut gradient);
        assert!((value - at.log_likelihood).abs() < 1e-12);
        for (a, b) in gradient.iter().zip(&at.gradient) {
            assert!((a - b).abs() < 1e-10, "{a} {b}");
        }
    }
}
