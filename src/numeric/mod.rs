//! The ground floor: what nalgebra, statrs and rand lack for this crate's purposes. Imports no room.

pub(crate) mod bordered;
pub(crate) mod holm;
pub(crate) mod mills;
pub(crate) mod quadrature;
pub(crate) mod root;
pub(crate) mod special;
pub(crate) mod stream;

/// The count as a number: exact up to 2⁵³, rounded to the nearest above.
pub(crate) fn count(n: usize) -> f64 {
    #[allow(clippy::cast_precision_loss)]
    let number = n as f64;
    number
}

#[cfg(test)]
mod tests {
    use super::count;

    /// Whole numbers up to 2⁵³ have a double of their own (IEEE 754, 53 bits of significand).
    #[test]
    fn counts_are_exact_up_to_two_to_the_53() {
        for exponent in [0_u32, 8, 31, 32, 33, 52, 53] {
            let n = 1_u64 << exponent;
            for n in [n - 1, n] {
                let number = count(usize::try_from(n).unwrap());
                assert_eq!(format!("{number:.0}"), n.to_string());
            }
        }
    }
}
