//! placeholder
mod core;
mod descent;
mod deviance;
mod elimination;
mod groups;
mod linear;
mod profile;
pub use self::core::{Contrast, MixedConvergence, Prediction, VarianceComponent, Verdict};
pub use deviance::Criterion;
pub use linear::{LinearMixedFit, LinearMixedModel};
mod censored;
mod contribution;
mod hermite;
mod marginal;
pub use censored::{CensoredMixedFit, CensoredMixedModel, Integration};
