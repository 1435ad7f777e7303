//! Private numerical helpers: what nalgebra and statrs lack for this crate's purposes.

pub(crate) mod bordered;
pub(crate) mod holm;
pub(crate) mod mills;
pub(crate) mod quadrature;
pub(crate) mod root;
pub(crate) mod special;
