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

/// Fails unless all are finite.
pub(crate) fn all_finite(values: &[(&str, f64)]) -> Result<(), String> {
    match values.iter().find(|v| !v.1.is_finite()) {
        Some((name, value)) => Err(format!("{name} = {value}: expected a finite number")),
        None => Ok(()),
    }
}

/// Fails unless all are finite and at least 0.
pub(crate) fn all_at_least_zero(values: &[(&str, f64)]) -> Result<(), String> {
    match values.iter().find(|v| !(v.1.is_finite() && v.1 >= 0.0)) {
        Some((name, value)) => Err(format!("{name} = {value}: expected a finite number of at least 0")),
        None => Ok(()),
    }
}

/// Fails unless `a` and `b` agree to nine digits relative to the larger of both and 1.
pub(crate) fn agree(what: &str, a: f64, b: f64) -> Result<(), String> {
    if (a - b).abs() <= 1e-9 * a.abs().max(b.abs()).max(1.0) {
        Ok(())
    } else {
        Err(format!("{what}: {a} and {b} should agree"))
    }
}
