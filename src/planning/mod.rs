//! Design of the next campaign: what it would tell, how large it must be, where further trials tell most.
//!
//! | | |
//! |---|---|
//! | in  | a [`Plan`]: materials with supposed durabilities, surfaces with supposed factors, run lengths and days, specimens per cell, scatters; by hand or from an earlier fit |
//! | out | [`Precision`] (expected standard errors and intervals), [`Requirement`] (how many), [`Augmentation`] (which cells), [`EquivalencePower`], and [`Simulated`]: the plan run many times through the real fits |
//!
//! # Model
//! `log T = μ(material) − log k(surface) + u(material, surface) + d(day) + σ W`, T in s, k dimensionless; W as in
//! [`severity`](crate::severity), u and d normal with mean 0. A run ends at the run length of its surface.
//!
//! # Formulas
//! - Factors: inverse of the expected information; with W log-normal and nothing run out, generalised least squares.
//!   A run that may end first tells ∫ (d log h/dz)² f dz up to its end, in units of 1/σ² (h the hazard of W), and the like for σ:
//!   by quadrature, checked against the closed forms.
//! - Degrees of freedom: of σ, what its information is worth in exact trials less the levels; under random effects
//!   Satterthwaite's, from the expected restricted-likelihood information on the variances.
//! - Correction: mean over materials with weights 1/(v + τ²), v a material's variance through its specimens, τ² the sum of the
//!   departures' variances on belt and road; t with materials − 1 degrees of freedom. Days add what their shares in the mean say.
//! - Power: the bivariate non-central t probability of both one-sided tests ([`tost_power`]).
//!
//! # What is approximate
//! With random effects *and* run-outs, a run ends where it would with every random effect at zero. The correction's interval
//! holds the expected width, not the chance that a campaign reaches it: with few materials widths vary much. Values that were
//! supposed wrongly make the answer wrong; run it with others too.
//!
//! # When it refuses
//! Options outside their range; a plan in parts ([`ErrorKind::Disconnected`](crate::ErrorKind::Disconnected) names cells that
//! would join them, [`Augment`] adds the best ones); nothing repeated; a goal out of reach, with what is reached.
//!
//! # Sources
//! Efron & Johnstone, Ann. Statist. 18 (1990) 38; Escobar & Meeker, Appl. Statist. 43 (1994) 533 (information); Henderson, Ann.
//! Math. Statist. 21 (1950) 309; Searle, Casella & McCulloch, Variance Components, 1992; Satterthwaite, Biometrics Bull. 2
//! (1946) 110; Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657 (tests); Atkinson, Donev & Tobias, Optimum Experimental
//! Designs, 2007 (criteria, sequential augmentation).

mod allocation;
mod augmentation;
mod cells;
mod expected;
mod expected_precision;
mod information;
mod plan;
mod power;
mod precision;
mod run_order;
mod simulate;

pub use allocation::{Goal, Requirement, Resource};
pub use augmentation::{Augment, AugmentStep, Augmentation, Criterion};
pub use cells::{DaySpread, PlannedCell, PlannedSurface};
pub use plan::Plan;
pub use power::tost_power;
pub use precision::{CorrectionPrecision, EquivalencePower, FactorPrecision, PlanNote, Precision};
pub use simulate::{Simulated, SimulatedEquivalence, SimulatedFactor, Simulation};
