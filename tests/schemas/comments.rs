//! What the sources say of each field, for the descriptions of the schemas.

use std::collections::BTreeMap;
use std::path::Path;

/// First paragraphs of the comments on types and on their fields and variants.
#[derive(Debug, Default)]
pub(crate) struct Comments {
    types: BTreeMap<String, Vec<String>>,
    /// Of types that are not public: where a public one has the same name, that is meant.
    private: BTreeMap<String, Vec<String>>,
    fields: BTreeMap<(String, String), Vec<String>>,
}

impl Comments {
    /// Reads every source file of the library.
    pub(crate) fn read() -> Self {
        let mut comments = Self::default();
        let mut folders = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join("src")];
        while let Some(folder) = folders.pop() {
            let mut entries: Vec<_> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
            entries.sort();
            for path in entries {
                if path.is_dir() {
                    folders.push(path);
                } else if path.extension().is_some_and(|e| e == "rs") {
                    comments.file(&std::fs::read_to_string(path).unwrap());
                }
            }
        }
        comments
    }

    fn file(&mut self, text: &str) {
        let (mut comment, mut inside) = (Vec::new(), None::<(String, usize)>);
        let mut variant = None::<(String, usize)>;
        for line in text.lines() {
            let indent = line.len() - line.trim_start().len();
            let line = line.trim();
            if let Some(text) = line.strip_prefix("///") {
                comment.push(text.trim().to_owned());
                continue;
            }
            if line.starts_with("#[") {
                continue;
            }
            let said = paragraph(&std::mem::take(&mut comment));
            let bare = ["pub(crate) ", "pub(super) ", "pub ", "copy ", "borrow ", "text "]
                .iter()
                .fold(line, |line, prefix| line.strip_prefix(prefix).unwrap_or(line));
            let word =
                |text: &str| text.split(|c: char| !c.is_alphanumeric() && c != '_').next().unwrap_or("").to_owned();
            if let Some(rest) = bare.strip_prefix("struct ").or_else(|| bare.strip_prefix("enum ")) {
                let name = word(rest);
                if let Some(said) = said {
                    let types = if line.starts_with("pub ") { &mut self.types } else { &mut self.private };
                    types.entry(name.clone()).or_default().push(said);
                }
                inside = line.ends_with('{').then_some((name, indent));
                variant = None;
                continue;
            }
            let Some((name, start)) = &inside else { continue };
            if indent <= *start && line.starts_with('}') {
                inside = None;
                continue;
            }
            if variant.as_ref().is_some_and(|v| indent <= v.1) {
                variant = None;
            }
            let field = word(bare);
            let Some(said) = said.filter(|_| !field.is_empty()) else { continue };
            let owner = variant.as_ref().map_or_else(|| name.clone(), |v| format!("{name}_{}", v.0));
            let key = if field.starts_with(char::is_uppercase) { snake(&field) } else { field };
            if line.ends_with('{') {
                variant = Some((key.clone(), indent));
            }
            self.fields.entry((owner, key)).or_default().push(said);
        }
    }

    /// The comment on a type, where only one type has that name.
    pub(crate) fn of_type(&self, name: &str) -> Option<&str> {
        only(self.types.get(name).or_else(|| self.private.get(name)))
    }

    /// The comment on a field or variant, where only one is meant.
    pub(crate) fn of_field(&self, name: &str, field: &str) -> Option<&str> {
        only(self.fields.get(&(name.to_owned(), field.to_owned())))
    }
}

fn only(said: Option<&Vec<String>>) -> Option<&str> {
    match said?.as_slice() {
        [one] => Some(one),
        _ => None,
    }
}

/// The first paragraph, before any heading or example, links reduced to their text.
fn paragraph(lines: &[String]) -> Option<String> {
    let prose = |l: &&String| !l.is_empty() && !l.starts_with("```") && !l.starts_with('#');
    let text = lines.iter().take_while(prose).cloned().collect::<Vec<_>>().join(" ");
    let mut out = String::new();
    let mut rest = text.as_str();
    while let Some(at) = rest.find("](") {
        out.push_str(&rest[..at].replace('[', ""));
        rest = rest[at..].find(')').map_or("", |end| &rest[at + end + 1..]);
    }
    out.push_str(rest);
    let out = out.replace("[`", "`").replace("`]", "`");
    (!out.is_empty()).then_some(out)
}

fn snake(name: &str) -> String {
    let mut out = String::new();
    for (i, c) in name.chars().enumerate() {
        if c.is_uppercase() && i > 0 {
            out.push('_');
        }
        out.extend(c.to_lowercase());
    }
    out
}
