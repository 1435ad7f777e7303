//! What all saved documents share: the schema tag, and reading that explains itself.

use std::ops::RangeInclusive;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Deserializer, Serialize};

use crate::error::{ErrorKind, Result};

/// Version of this crate, as written into documents.
pub(crate) const CRATE_VERSION: &str = env!("CARGO_PKG_VERSION");

/// Schema tag of a document kind, `surface-severity/<kind>/<version>`.
pub(crate) fn schema(kind: &str, version: u32) -> String {
    format!("surface-severity/{kind}/{version}")
}

/// Refuses a document of another kind or version before its fields are looked at, so that the
/// message names the schema and not the first field that differs.
pub(crate) fn from_json<T: DeserializeOwned>(text: &str, kind: &str, version: u32) -> Result<T> {
    version_of(text, kind, version..=version)?;
    parse(text, kind)
}

/// Version of a document of `kind`, refused outside `readable`.
pub(crate) fn version_of(text: &str, kind: &str, readable: RangeInclusive<u32>) -> Result<u32> {
    let value: serde_json::Value =
        serde_json::from_str(text).map_err(|e| ErrorKind::document(kind, format!("not JSON: {e}")))?;
    let wanted = || {
        let list: Vec<String> = readable.clone().map(|v| format!("{:?}", schema(kind, v))).collect();
        list.join(" and ")
    };
    match value.get("schema").and_then(serde_json::Value::as_str) {
        Some(found) => readable.clone().find(|v| schema(kind, *v) == found).ok_or_else(|| {
            let reason = format!("its schema is {found:?}; this version of the crate reads {}", wanted());
            ErrorKind::document(kind, reason)
        }),
        None => Err(ErrorKind::document(kind, format!("it has no \"schema\" field; expected {}", wanted()))),
    }
}

/// Reads the fields of a document whose version is known.
pub(crate) fn parse<T: DeserializeOwned>(text: &str, kind: &str) -> Result<T> {
    // From the text again, not from the tree: positions in messages stay those of the file.
    serde_json::from_str(text).map_err(|e| ErrorKind::document(kind, e.to_string()))
}

/// Reads a field that must be there, even where `null` is a value of it.
pub(crate) fn present<'de, D: Deserializer<'de>, T: Deserialize<'de>>(deserializer: D) -> Result<T, D::Error> {
    T::deserialize(deserializer)
}

/// Pretty JSON with a closing newline.
pub(crate) fn to_json<T: Serialize>(document: &T, kind: &str) -> Result<String> {
    let mut text = serde_json::to_string_pretty(document).map_err(|e| ErrorKind::not_saved(kind, &e))?;
    text.push('\n');
    Ok(text)
}
