//! One trial's log-likelihood with its derivatives in location and log scale, to third order.
//!
//! `z = (y − m)/σ`, `s = log σ`. The third derivatives move the determinant of Laplace's
//! approximation along with its mode.

use crate::severity::distribution::Distribution;
use crate::severity::newton::LogTime;

/// Log-likelihood (time scale) and derivatives by location m and log scale s.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Slopes {
    pub(super) value: f64,
    pub(super) m: f64,
    pub(super) mm: f64,
    pub(super) mmm: f64,
    pub(super) s: f64,
    pub(super) ss: f64,
    pub(super) ms: f64,
    pub(super) mms: f64,
}

impl Slopes {
    /// Of both.
    pub(super) fn plus(self, other: Self) -> Self {
        Self {
            value: self.value + other.value,
            m: self.m + other.m,
            mm: self.mm + other.mm,
            mmm: self.mmm + other.mmm,
            s: self.s + other.s,
            ss: self.ss + other.ss,
            ms: self.ms + other.ms,
            mms: self.mms + other.mms,
        }
    }
}

pub(super) fn slopes(distribution: Distribution, time: LogTime, m: f64, log_sigma: f64) -> Slopes {
    let sigma = libm::exp(log_sigma);
    match time {
        LogTime::Exact(y) => {
            let z = (y - m) / sigma;
            let mut out = point(Kind::Density, distribution, z, sigma);
            out.value -= log_sigma + y;
            out.s -= 1.0;
            out
        }
        LogTime::Right(y) => point(Kind::Survival, distribution, (y - m) / sigma, sigma),
        LogTime::Left(y) => point(Kind::Cumulative, distribution, (y - m) / sigma, sigma),
        LogTime::Between(a, b) => between(distribution, (a - m) / sigma, (b - m) / sigma, sigma),
    }
}

#[derive(Clone, Copy)]
enum Kind {
    Density,
    Survival,
    Cumulative,
}

fn point(kind: Kind, distribution: Distribution, z: f64, sigma: f64) -> Slopes {
    let g = match kind {
        Kind::Density => distribution.log_density(z),
        Kind::Survival => distribution.log_survival(z),
        Kind::Cumulative => distribution.log_cumulative(z),
    };
    let third = third(kind, distribution, z, g.first, g.second);
    Slopes {
        value: g.value,
        m: -g.first / sigma,
        mm: g.second / (sigma * sigma),
        mmm: -third / (sigma * sigma * sigma),
        s: -g.first * z,
        ss: g.second * z * z + g.first * z,
        ms: (g.first + g.second * z) / sigma,
        mms: -(2.0 * g.second + third * z) / (sigma * sigma),
    }
}

/// Third derivative of the log density, log survival or log distribution function.
fn third(kind: Kind, distribution: Distribution, z: f64, first: f64, second: f64) -> f64 {
    match (distribution, kind) {
        (Distribution::LogNormal, Kind::Density) => 0.0,
        // g' = -h(z), h' = h(h - z); for the lower tail g' = h(-z).
        (Distribution::LogNormal, Kind::Survival) => mills(z, -first, -second),
        (Distribution::LogNormal, Kind::Cumulative) => -mills(-z, first, -second),
        // Second derivative -e^z of both.
        (Distribution::Weibull, Kind::Density | Kind::Survival) => second,
        // g' = r, g'' = r(1 - e - r).
        (Distribution::Weibull, Kind::Cumulative) => {
            let e = libm::exp(z);
            if first <= 0.0 || !e.is_finite() {
                return 0.0;
            }
            second * second / first - first * (e + second)
        }
        // g'' = -F S times 1 (tails) or 2 (density); its derivative multiplies by S - F.
        (Distribution::LogLogistic, Kind::Density) => second * first,
        (Distribution::LogLogistic, Kind::Survival) => second * (1.0 + 2.0 * first),
        (Distribution::LogLogistic, Kind::Cumulative) => second * (2.0 * first - 1.0),
    }
}

/// `-h''` from hazard h and `h' = h(h - z)`.
fn mills(z: f64, hazard: f64, slope: f64) -> f64 {
    let rest = if hazard > 0.0 { slope / hazard } else { -z };
    -(slope * rest + hazard * (slope - 1.0))
}

/// `log(F(z_b) − F(z_a))`: derivatives of the difference itself first, then of its logarithm.
fn between(distribution: Distribution, za: f64, zb: f64, sigma: f64) -> Slopes {
    let (near, far) = if za + zb > 0.0 {
        (distribution.log_survival(za).value, distribution.log_survival(zb).value)
    } else {
        (distribution.log_cumulative(zb).value, distribution.log_cumulative(za).value)
    };
    let value = near + libm::log(-libm::expm1(far - near));
    let mut n = Slopes::default();
    for (z, sign) in [(zb, 1.0), (za, -1.0)] {
        let g = distribution.log_density(z);
        let p = sign * libm::exp(g.value - value);
        // f'/f and f''/f.
        let (one, two) = (g.first, g.first * g.first + g.second);
        n.m -= p / sigma;
        n.mm += p * one / (sigma * sigma);
        n.mmm -= p * two / (sigma * sigma * sigma);
        n.s -= p * z;
        n.ss += p * (one * z * z + z);
        n.ms += p * (1.0 + one * z) / sigma;
        n.mms -= p * (2.0 * one + two * z) / (sigma * sigma);
    }
    Slopes {
        value,
        m: n.m,
        mm: n.mm - n.m * n.m,
        mmm: n.mmm - 3.0 * n.mm * n.m + 2.0 * n.m * n.m * n.m,
        s: n.s,
        ss: n.ss - n.s * n.s,
        ms: n.ms - n.m * n.s,
        mms: n.mms - n.mm * n.s - 2.0 * n.m * n.ms + 2.0 * n.m * n.m * n.s,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::severity::newton::contribution;

    const TIMES: [LogTime; 6] = [
        LogTime::Exact(0.4),
        LogTime::Right(0.7),
        LogTime::Left(-0.3),
        LogTime::Between(0.1, 0.9),
        LogTime::Between(-3.0, -2.9),
        LogTime::Right(6.0),
    ];

    #[test]
    fn derivatives_are_those_of_the_value() {
        for distribution in [Distribution::LogNormal, Distribution::Weibull, Distribution::LogLogistic] {
            for time in TIMES {
                for m in [-0.8, 0.25, 1.1] {
                    let (s, h) = (-0.4, 1e-5);
                    let at = |m: f64, s: f64| slopes(distribution, time, m, s);
                    let c = at(m, s);
                    let (up, down) = (at(m + h, s), at(m - h, s));
                    let (wide, tight) = (at(m, s + h), at(m, s - h));
                    for (name, got, want) in [
                        ("m", c.m, (up.value - down.value) / (2.0 * h)),
                        ("mm", c.mm, (up.m - down.m) / (2.0 * h)),
                        ("mmm", c.mmm, (up.mm - down.mm) / (2.0 * h)),
                        ("s", c.s, (wide.value - tight.value) / (2.0 * h)),
                        ("ss", c.ss, (wide.s - tight.s) / (2.0 * h)),
                        ("ms", c.ms, (up.s - down.s) / (2.0 * h)),
                        ("mms", c.mms, (up.ms - down.ms) / (2.0 * h)),
                    ] {
                        let error = (got - want).abs();
                        assert!(error < 2e-6 * (1.0 + want.abs()), "{distribution} {time:?} {m} {name}: {got} {want}");
                    }
                    // The engine of the model without random effects says the same.
                    let lambda = libm::exp(-s);
                    let other = contribution(distribution, time, lambda * m, lambda);
                    assert!((c.value - other.value).abs() < 1e-12 * (1.0 + c.value.abs()));
                }
            }
        }
    }
}
