//! The seal of a document made a second time, from its description in the guide: SHA-256 of the JSON without `sha256` and
//! without blanks, members sorted by name. With it tests write documents that are whole but say nonsense.

use serde_json::Value;
use sha2::{Digest, Sha256};

fn sorted(value: &Value) -> String {
    match value {
        Value::Object(members) => {
            let mut names: Vec<&String> = members.keys().collect();
            names.sort();
            let members: Vec<String> = names
                .into_iter()
                .map(|name| format!("{}:{}", Value::from(name.as_str()), sorted(&members[name])))
                .collect();
            format!("{{{}}}", members.join(","))
        }
        Value::Array(list) => format!("[{}]", list.iter().map(sorted).collect::<Vec<_>>().join(",")),
        leaf => leaf.to_string(),
    }
}

/// SHA-256 of what a document says, in hexadecimal.
pub(crate) fn seal(document: &Value) -> String {
    let mut content = document.clone();
    if let Some(members) = content.as_object_mut() {
        members.remove("sha256");
    }
    format!("{:x}", Sha256::digest(sorted(&content)))
}

/// The document with the seal that it should have; one without a seal stays without.
pub(crate) fn sealed(mut document: Value) -> Value {
    if document.get("sha256").is_some() {
        document["sha256"] = seal(&document).into();
    }
    document
}
