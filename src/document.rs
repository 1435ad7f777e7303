//! What all saved documents share: a schema tag first, the seal last, and one way to read, check and write.
//!
//! A document is a JSON object: `schema` (`surface-severity/<kind>/1`), the members of its content (the version of the
//! crate, the digest of the campaign, options and seed among them), and `sha256`, the SHA-256 of its canonical content:
//! all other members as JSON without blanks, the members of every object sorted by the bytes of their names. Blanks and the
//! order of members may change on the way through other programs; any other change is refused here, before the content is
//! looked at. What a kind then checks ([`Document::check`]) is what gives its numbers meaning.

use std::fmt;
use std::path::Path;

use serde::de::{DeserializeOwned, DeserializeSeed, MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};
use serde_json::Value;
use sha2::{Digest, Sha256};

use crate::error::{ErrorKind, Result};

/// Version of this crate, as written into documents.
pub(crate) const CRATE_VERSION: &str = env!("CARGO_PKG_VERSION");
/// Version of the schema of every kind.
const VERSION: u32 = 1;
const SCHEMA: &str = "schema";
const SEAL: &str = "sha256";

/// Content that is saved as a document of its own.
pub(crate) trait Document: Serialize + DeserializeOwned {
    /// `<kind>` of its schema.
    const KIND: &'static str;

    /// Fails where a number has no meaning: limits out of order, a level outside (0, 1), a variance below 0, a covariance
    /// that is none, labels twice or empty.
    fn check(&self) -> std::result::Result<(), String>;
}

/// Schema tag of a kind.
fn schema(kind: &str) -> String {
    format!("surface-severity/{kind}/{VERSION}")
}

/// Pretty JSON with a closing newline: the schema before the members of the content, the seal behind them.
///
/// One serialiser, compiled once for each type: the seal is made of the text as it is read back.
pub(crate) fn to_json<T: Document>(content: &T) -> Result<String> {
    let failed = |e: &dyn std::fmt::Display| ErrorKind::not_saved(T::KIND, &e);
    let mut text = serde_json::to_string_pretty(content).map_err(|e| failed(&e))?;
    if !(text.starts_with('{') && text.ends_with("\n}")) {
        return Err(failed(&"its content is no object with members"));
    }
    text.insert_str(1, &format!("\n  \"{SCHEMA}\": \"{}\",", schema(T::KIND)));
    let seal = seal(&mut serde_json::Deserializer::from_str(&text)).map_err(|e| failed(&e))?;
    text.truncate(text.len() - "\n}".len());
    text.push_str(&format!(",\n  \"{SEAL}\": \"{seal}\"\n}}\n"));
    Ok(text)
}

/// Reads and checks a document: the schema, the seal, the members, and what gives its numbers meaning, in this order.
pub(crate) fn from_json<T: Document>(text: &str) -> Result<T> {
    let refused = |reason: String| ErrorKind::document(T::KIND, reason);
    let mut value: Value = serde_json::from_str(text).map_err(|e| refused(format!("not JSON: {e}")))?;
    let wanted = schema(T::KIND);
    let Some(members) = value.as_object_mut() else {
        return Err(refused(format!("not a JSON object; expected one with \"schema\" = {wanted:?}")));
    };
    match members.get(SCHEMA).and_then(Value::as_str) {
        Some(found) if found == wanted => {}
        Some(found) => {
            return Err(refused(format!("its schema is {found:?}; this version of the crate reads {wanted:?}")));
        }
        None => return Err(refused(format!("it has no \"schema\" member; expected {wanted:?}"))),
    }
    let Some(Value::String(stated)) = members.remove(SEAL) else {
        return Err(refused("it has no \"sha256\" member, with which every document ends: was it edited?".into()));
    };
    if seal(&value).map_err(|e| refused(e.to_string()))? != stated {
        let reason = "it was edited after it was written: its content is not what its \"sha256\" was made of";
        return Err(refused(format!("{reason}; have it written again from the data")));
    }
    if let Some(members) = value.as_object_mut() {
        members.remove(SCHEMA);
    }
    let content: T = serde_json::from_value(value).map_err(|e| refused(e.to_string()))?;
    content.check().map_err(refused)?;
    Ok(content)
}

/// Reads the file at `path`.
pub(crate) fn load_path<T: Document>(path: &Path) -> Result<T> {
    from_json(&std::fs::read_to_string(path).map_err(|e| ErrorKind::io(path, &e))?)
}

/// Writes the file at `path`.
pub(crate) fn save_path<T: Document>(content: &T, path: &Path) -> Result<()> {
    std::fs::write(path, to_json(content)?).map_err(|e| ErrorKind::not_saved(path, &e))
}

/// Text for a spreadsheet: what it would take for a formula gets an apostrophe before it.
pub(crate) fn defused(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() }
}

/// SHA-256 of the canonical form of an object, in hexadecimal.
fn seal<'de, D: Deserializer<'de>>(content: D) -> std::result::Result<String, D::Error> {
    let mut canonical = String::new();
    Canonical(&mut canonical).deserialize(content)?;
    Ok(Sha256::digest(canonical.as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect())
}

/// Writes whatever comes as JSON without blanks, the members of every object sorted by the bytes of their names: here and not
/// by the map of `serde_json`, whose order depends on a feature that any other crate may set. Nothing is kept but the text, so
/// that a document of a million trials can be sealed.
struct Canonical<'t>(&'t mut String);

impl Canonical<'_> {
    fn leaf(self, value: impl Into<Value>) {
        self.0.push_str(&value.into().to_string());
    }
}

impl<'de> DeserializeSeed<'de> for Canonical<'_> {
    type Value = ();
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> std::result::Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Canonical<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("JSON")
    }
    fn visit_unit<E>(self) -> std::result::Result<(), E> {
        self.leaf(Value::Null);
        Ok(())
    }
    fn visit_bool<E>(self, value: bool) -> std::result::Result<(), E> {
        self.leaf(value);
        Ok(())
    }
    fn visit_u64<E>(self, value: u64) -> std::result::Result<(), E> {
        self.leaf(value);
        Ok(())
    }
    fn visit_i64<E>(self, value: i64) -> std::result::Result<(), E> {
        self.leaf(value);
        Ok(())
    }
    fn visit_f64<E>(self, value: f64) -> std::result::Result<(), E> {
        self.leaf(value);
        Ok(())
    }
    fn visit_str<E>(self, value: &str) -> std::result::Result<(), E> {
        self.leaf(value);
        Ok(())
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut elements: A) -> std::result::Result<(), A::Error> {
        let before = self.0.len();
        loop {
            self.0.push(if self.0.len() == before { '[' } else { ',' });
            if elements.next_element_seed(Canonical(self.0))?.is_none() {
                break;
            }
        }
        // The comma before an element that did not come.
        if self.0.len() > before + 1 {
            self.0.pop();
        }
        self.0.push(']');
        Ok(())
    }
    fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> std::result::Result<(), A::Error> {
        let mut sorted: Vec<(String, String)> = Vec::new();
        while let Some(name) = members.next_key()? {
            let mut member = String::new();
            members.next_value_seed(Canonical(&mut member))?;
            sorted.push((name, member));
        }
        sorted.sort_unstable();
        self.0.push('{');
        for (i, (name, member)) in sorted.into_iter().enumerate() {
            if i > 0 {
                self.0.push(',');
            }
            self.0.push_str(&Value::from(name).to_string());
            self.0.push(':');
            self.0.push_str(&member);
        }
        self.0.push('}');
        Ok(())
    }
}

/// Reads a field that must be there, even where `null` is a value of it.
pub(crate) fn present<'de, D: Deserializer<'de>, T: Deserialize<'de>>(deserializer: D) -> Result<T, D::Error> {
    T::deserialize(deserializer)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, PartialEq, Serialize, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Small {
        name: String,
        level: f64,
    }

    impl Document for Small {
        const KIND: &'static str = "small";
        fn check(&self) -> std::result::Result<(), String> {
            if self.level < 1.0 { Ok(()) } else { Err(format!("level = {}", self.level)) }
        }
    }

    /// `printf '{"level":0.95,"name":"a b","schema":"surface-severity/small/1"}' | sha256sum`.
    const SEALED: &str = "ee9c2bd847df69dfeca381f6ec1fe826e392848d6dedc901ce4b5bfa83da20c9";

    #[test]
    fn the_seal_is_the_sha_256_of_the_canonical_content() {
        let small = Small { name: "a b".into(), level: 0.95 };
        let text = to_json(&small).unwrap();
        let tail = format!("  \"sha256\": \"{SEALED}\"\n}}\n");
        assert!(
            text.starts_with("{\n  \"schema\": \"surface-severity/small/1\",\n  \"name\"") && text.ends_with(&tail),
            "{text}"
        );
        // In another order and with other blanks it is the same document.
        let other =
            format!(r#"{{"sha256":"{SEALED}", "level":0.95,"name":"a b","schema":"surface-severity/small/1"}}"#);
        assert_eq!(from_json::<Small>(&other).unwrap(), small);
        let error = from_json::<Small>(&other.replace("a b", "a  b")).unwrap_err();
        assert!(error.to_string().contains("edited after it was written"), "{error}");
    }

    #[test]
    fn what_is_sealed_is_checked_all_the_same() {
        let text = to_json(&Small { name: String::new(), level: 95.0 }).unwrap();
        assert_eq!(from_json::<Small>(&text).unwrap_err().to_string(), "small: level = 95");
        for text in ["", "[]", "7", "{}", r#"{"schema":7}"#, r#"{"schema":"surface-severity/small/1"}"#] {
            assert!(matches!(from_json::<Small>(text).unwrap_err().kind(), ErrorKind::Document { .. }), "{text}");
        }
    }
}
