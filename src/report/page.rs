//! x
/// Page.
#[derive(Debug)]
pub struct Page;
/// R.
#[derive(Debug)]
pub struct Reproduction;
