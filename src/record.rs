//! One macro for result types: private fields, a getter for each, and reading that is as strict as building.

pub(crate) use crate::document::present;

/// Declares a result type with private fields, one documented getter a field, and `Deserialize` through a mirror that
/// refuses unknown and missing fields and then calls `check(&self) -> Result<(), String>` of the type.
///
/// `copy field: T` returns `T`; `borrow field: T => U` returns `&U`; `text field: Option<String>` returns `Option<&str>`,
/// `maybe field: Option<T> => T` returns `Option<&T>`.
macro_rules! record {
    (
        $(#[$meta:meta])*
        pub struct $name:ident as $raw:ident {
            $( $(#[$field_meta:meta])* $mode:ident $field:ident : $ty:ty $(=> $target:ty)? ),* $(,)?
        }
    ) => {
        $(#[$meta])*
        #[derive(Debug, Clone, PartialEq, serde::Serialize)]
        pub struct $name { $( pub(crate) $field: $ty ),* }

        #[derive(serde::Deserialize)]
        #[serde(deny_unknown_fields)]
        struct $raw { $( #[serde(deserialize_with = "crate::record::present")] $field: $ty ),* }

        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> std::result::Result<Self, D::Error> {
                let raw = $raw::deserialize(deserializer)?;
                let value = Self { $( $field: raw.$field ),* };
                value.check().map_err(serde::de::Error::custom)?;
                Ok(value)
            }
        }

        impl $name {
            $( record!(@getter $mode [$(#[$field_meta])*] $field $ty $(, $target)?); )*
        }
    };
    (@getter copy [$(#[$meta:meta])*] $field:ident $ty:ty) => {
        $(#[$meta])*
        #[must_use]
        pub fn $field(&self) -> $ty { self.$field }
    };
    (@getter clone [$(#[$meta:meta])*] $field:ident $ty:ty) => {
        $(#[$meta])*
        #[must_use]
        pub fn $field(&self) -> $ty { self.$field.clone() }
    };
    (@getter text [$(#[$meta:meta])*] $field:ident $ty:ty) => {
        $(#[$meta])*
        #[must_use]
        pub fn $field(&self) -> Option<&str> { self.$field.as_deref() }
    };
    (@getter maybe [$(#[$meta:meta])*] $field:ident $ty:ty, $target:ty) => {
        $(#[$meta])*
        #[must_use]
        pub fn $field(&self) -> Option<&$target> { self.$field.as_ref() }
    };
    (@getter borrow [$(#[$meta:meta])*] $field:ident $ty:ty, $target:ty) => {
        $(#[$meta])*
        #[must_use]
        pub fn $field(&self) -> &$target { &self.$field }
    };
}
pub(crate) use record;

/// Sizes of numbers whose squares and quotients are numbers: no result of this crate is beyond.
const LEAST: f64 = 1e-100;
const LARGEST: f64 = 1e100;

fn within_reach(value: f64) -> bool {
    value.abs() <= LARGEST
}

/// Fails unless all are finite.
pub(crate) fn all_finite(values: &[(&str, f64)]) -> Result<(), String> {
    match values.iter().find(|v| !within_reach(v.1)) {
        Some((name, value)) => Err(format!("{name} = {value}: expected a finite number")),
        None => Ok(()),
    }
}

/// Fails unless all are finite and at least 0.
pub(crate) fn all_at_least_zero(values: &[(&str, f64)]) -> Result<(), String> {
    match values.iter().find(|v| !(within_reach(v.1) && v.1 >= 0.0)) {
        Some((name, value)) => Err(format!("{name} = {value}: expected a finite number of at least 0")),
        None => Ok(()),
    }
}

/// Fails unless all are finite and above 0.
pub(crate) fn all_positive(values: &[(&str, f64)]) -> Result<(), String> {
    match values.iter().find(|v| !(within_reach(v.1) && v.1 >= LEAST)) {
        Some((name, value)) => Err(format!("{name} = {value}: expected a finite number above 0")),
        None => Ok(()),
    }
}

/// Fails unless `level` lies in (0, 1).
pub(crate) fn level(level: f64) -> Result<(), String> {
    if level > 0.0 && level < 1.0 { Ok(()) } else { Err(format!("level = {level}: expected a level between 0 and 1")) }
}

/// Fails unless every label says something and none is there twice.
pub(crate) fn labels<'a>(what: &str, labels: impl IntoIterator<Item = &'a str>) -> Result<(), String> {
    let mut seen = std::collections::BTreeSet::new();
    for label in labels {
        if label.trim().is_empty() {
            return Err(format!("a {what} without a name"));
        }
        if !seen.insert(label) {
            return Err(format!("{what} {label:?} is there twice"));
        }
    }
    Ok(())
}

/// Fails unless the rows are a covariance matrix: square, symmetric, positive semidefinite but for rounding.
pub(crate) fn covariance(what: &str, rows: &[Vec<f64>]) -> Result<(), String> {
    let n = rows.len();
    if n == 0 {
        return Ok(());
    }
    if rows.iter().any(|row| row.len() != n) {
        return Err(format!("{what} is not square"));
    }
    if let Some(i) = (0..n).find(|&i| !(rows[i][i] >= 0.0 && rows[i][i].is_finite())) {
        return Err(format!("{what}: the variance {} in row {} is not one", rows[i][i], i + 1));
    }
    // On the scale of correlations, so that a small variance counts as much as a large one.
    let deviations: Vec<f64> = (0..n).map(|i| rows[i][i].sqrt()).collect();
    let scaled = |i: usize, j: usize| {
        let of = deviations[i] * deviations[j];
        if of > 0.0 { rows[i][j] / of } else { rows[i][j] }
    };
    for i in 0..n {
        for j in 0..i {
            if !((scaled(i, j) - scaled(j, i)).abs() <= ROUNDING && scaled(i, j).abs() <= 1.0 + ROUNDING) {
                return Err(format!("{what} is not symmetric, or no covariance, in rows {} and {}", j + 1, i + 1));
            }
        }
    }
    let matrix = nalgebra::DMatrix::from_fn(n, n, |i, j| if i >= j { scaled(i, j) } else { scaled(j, i) });
    match matrix.symmetric_eigenvalues().iter().copied().reduce(f64::min) {
        Some(least) if least < -ROUNDING => Err(format!("{what} is not positive semidefinite")),
        _ => Ok(()),
    }
}

/// Rounding that a correlation may carry.
const ROUNDING: f64 = 1e-9;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_covariance_is_symmetric_and_positive_semidefinite() {
        let rows = |a: f64, b: f64, c: f64| vec![vec![1.0, a, b], vec![a, 1.0, c], vec![b, c, 1.0]];
        // 1 + 2abc - a² - b² - c², the determinant, is 0 at a = b = 0.6, c = -0.28.
        assert!(covariance("v", &rows(0.6, 0.6, -0.28)).is_ok());
        assert!(covariance("v", &rows(0.6, 0.6, -0.29)).unwrap_err().contains("semidefinite"));
        assert!(covariance("v", &[vec![4.0, 1.0], vec![1.1, 9.0]]).unwrap_err().contains("symmetric"));
        assert!(covariance("v", &[vec![1.0, 2.0], vec![2.0, 1.0]]).is_err());
        assert!(covariance("v", &[vec![-1.0]]).is_err() && covariance("v", &[vec![1.0, 0.0]]).is_err());
        // A variance of 0 has no covariance with anything.
        assert!(covariance("v", &[vec![0.0, 0.0], vec![0.0, 1.0]]).is_ok());
        assert!(covariance("v", &[vec![0.0, 0.1], vec![0.1, 1.0]]).is_err());
        assert!(covariance("v", &[]).is_ok());
    }

    #[test]
    fn labels_are_unique_and_say_something() {
        assert!(labels("surface", ["a", "b"]).is_ok());
        assert!(labels("surface", ["a", "a"]).unwrap_err().contains("twice"));
        assert!(labels("surface", ["a", " "]).unwrap_err().contains("without a name"));
    }
}
