//! What all saved documents share: the schema tag, and reading that explains itself.

use serde::Serialize;
use serde::de::DeserializeOwned;

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
    let wanted = schema(kind, version);
    let value: serde_json::Value =
        serde_json::from_str(text).map_err(|e| ErrorKind::document(kind, format!("not JSON: {e}")))?;
    match value.get("schema").and_then(serde_json::Value::as_str) {
        Some(found) if found == wanted => {}
        Some(found) => {
            return Err(ErrorKind::document(
                kind,
                format!("its schema is {found:?}; this version of the crate reads {wanted:?}"),
            ));
        }
        None => {
            return Err(ErrorKind::document(kind, format!("it has no \"schema\" field; expected {wanted:?}")));
        }
    }
    // From the text again, not from the tree: positions in messages stay those of the file.
    serde_json::from_str(text).map_err(|e| ErrorKind::document(kind, e.to_string()))
}

/// Pretty JSON with a closing newline.
pub(crate) fn to_json<T: Serialize>(document: &T, kind: &str) -> Result<String> {
    let mut text = serde_json::to_string_pretty(document).map_err(|e| ErrorKind::document(kind, e.to_string()))?;
    text.push('\n');
    Ok(text)
}
