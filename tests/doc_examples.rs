//! Every public item has an example that runs: rustdoc's own count of examples needs a nightly compiler and passes
//! over items that a private module re-exports, so the sources are read here.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::{Path, PathBuf};

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut entries: Vec<_> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    entries.sort();
    let (folders, files): (Vec<_>, Vec<_>) = entries.into_iter().partition(|p| p.is_dir());
    let rust = files.into_iter().filter(|p| p.extension().is_some_and(|e| e == "rs"));
    rust.chain(folders.iter().flat_map(|f| sources(f))).collect()
}

/// What the comment above an item says about examples.
#[derive(Default)]
struct Comment {
    example: bool,
    inside: bool,
    not_run: bool,
}

impl Comment {
    fn line(&mut self, text: &str) {
        let Some(language) = text.trim().strip_prefix("```") else { return };
        self.inside = !self.inside;
        if self.inside {
            self.example |= language.is_empty();
            self.not_run |= !matches!(language, "" | "text");
        }
    }
}

/// `crate::unreachable_pub` keeps `pub` for what users can reach. Getters and setters are covered by the example of
/// their type: a method without one neither makes a value of its type nor returns a `Result`.
fn needs_example(line: &str, signature: &str) -> bool {
    let Some(item) = line.trim_start().strip_prefix("pub ") else { return false };
    let indent = line.len() - line.trim_start().len();
    match item.split_whitespace().next() {
        Some("struct" | "enum" | "trait" | "type") => !item.contains('$'),
        Some("fn" | "const") if signature.contains("fn ") => match indent {
            0 => true,
            4 => !signature.contains("self") || signature.contains("Result<"),
            _ => false,
        },
        _ => false,
    }
}

#[test]
fn every_public_item_has_an_example_that_runs() {
    let (mut missing, mut not_run, mut counted) = (Vec::new(), Vec::new(), 0);
    for path in sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src")) {
        let text = std::fs::read_to_string(&path).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        let (mut comment, mut of_tests) = (Comment::default(), false);
        for (i, line) in lines.iter().enumerate() {
            let code = line.trim();
            if let Some(text) = code.strip_prefix("///").or_else(|| code.strip_prefix("//!")) {
                comment.line(text);
                if comment.not_run {
                    not_run.push(format!("{}:{}", path.display(), i + 1));
                    comment.not_run = false;
                }
                continue;
            }
            if code.starts_with("#[") {
                of_tests |= code.starts_with("#[cfg(test)]") || code.starts_with("#[cfg(doctest)]");
                continue;
            }
            if of_tests && code.starts_with("mod tests") {
                break;
            }
            let end = lines[i..].iter().position(|l| l.trim_end().ends_with(['{', ';', '}'])).unwrap_or(0);
            if needs_example(line, &lines[i..=i + end].join(" ")) && !of_tests {
                counted += 1;
                if !comment.example {
                    missing.push(format!("{}:{}: {code}", path.display(), i + 1));
                }
            }
            (comment, of_tests) = (Comment::default(), false);
        }
    }
    assert!(counted > 300, "only {counted} items found: is this still reading the sources?");
    assert!(missing.is_empty(), "without an example:\n{}", missing.join("\n"));
    assert!(not_run.is_empty(), "an example that does not run:\n{}", not_run.join("\n"));
}
