//! Composite Gauss–Legendre quadrature on an interval.

/// Abscissae and weights of 8-point Gauss–Legendre quadrature (Abramowitz & Stegun, Table 25.4).
const NODES: [(f64, f64); 4] = [
    (0.183_434_642_495_649_8, 0.362_683_783_378_362),
    (0.525_532_409_916_329, 0.313_706_645_877_887_3),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_48),
    (0.960_289_856_497_536_2, 0.101_228_536_290_376_26),
];

/// Nodes of `[a, b]` in `panels` equal parts, with their weights.
pub(crate) fn nodes(a: f64, b: f64, panels: u32) -> impl Iterator<Item = (f64, f64)> {
    let half = 0.5 * (b - a) / f64::from(panels.max(1));
    (0..panels.max(1)).flat_map(move |k| {
        let middle = a + half * f64::from(2 * k + 1);
        NODES.into_iter().flat_map(move |(x, w)| [(middle - half * x, w * half), (middle + half * x, w * half)])
    })
}

/// Integral of `f`, smooth, over `[a, b]` in `panels` equal parts of eight nodes each; several integrands at once.
pub(crate) fn integrate<const N: usize>(a: f64, b: f64, panels: u32, mut f: impl FnMut(f64) -> [f64; N]) -> [f64; N] {
    let mut sum = [0.0; N];
    for (x, w) in nodes(a, b, panels) {
        for (total, value) in sum.iter_mut().zip(f(x)) {
            *total += w * value;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_integrals() {
        let [sine, cube] = integrate(0.0, std::f64::consts::PI, 4, |x| [libm::sin(x), x * x * x]);
        approx::assert_relative_eq!(sine, 2.0, max_relative = 1e-14);
        approx::assert_relative_eq!(cube, std::f64::consts::PI.powi(4) / 4.0, max_relative = 1e-14);
        let [normal] = integrate(-10.0, 10.0, 20, |x| [libm::exp(-0.5 * x * x)]);
        approx::assert_relative_eq!(normal, (2.0 * std::f64::consts::PI).sqrt(), max_relative = 1e-13);
    }
}
