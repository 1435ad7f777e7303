//! Labels: one spelling for what looks the same, and a question for what looks nearly the same.
//!
//! A surface written `Belt` in one row and `belt` in the others is a second surface to a computer: it would get a factor of
//! its own without a word. Composed and decomposed letters (Unicode NFC) and kinds and numbers of blanks cannot be told
//! apart by eye, so they are made one. Capitals, punctuation, hyphens and dashes, and leading zeros of dates can, and might
//! be meant: they stop, with both spellings and where they are.

use std::borrow::Cow;
use std::collections::BTreeMap;

use unicode_normalization::{UnicodeNormalization, is_nfc};

use super::problems::Problems;

/// Longest label (id, surface, material, class, role, day, run, belt, column name), in characters.
/// A longer one is nearly always a quotation mark that was left open.
const LONGEST_LABEL: usize = 200;
/// Longest note or covariate, in characters.
const LONGEST_TEXT: usize = 10_000;

/// Blank that may be trimmed: not what ends a line or a page.
fn is_blank(c: char) -> bool {
    c.is_whitespace() && !is_break(c)
}

fn is_break(c: char) -> bool {
    matches!(c, '\n' | '\r' | '\u{b}' | '\u{c}' | '\u{85}' | '\u{2028}' | '\u{2029}')
}

/// Characters that nobody sees and that would make two equal-looking labels different. The joiners
/// U+200C and U+200D are letters' business in several scripts and stay.
pub(crate) fn is_invisible(c: char) -> bool {
    matches!(c, '\u{ad}' | '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
}

/// Text without surrounding blanks; line breaks stay, so that a check sees them.
pub(crate) fn trim_blanks(text: &str) -> &str {
    text.trim_matches(is_blank)
}

/// Makes a label its normal form (trimmed, one blank between words, NFC); returns what was expected of one that cannot be
/// a label.
pub(crate) fn normalise_label(text: &mut String) -> Option<String> {
    let core = trim_blanks(text);
    let refused = refuse_label(core);
    let mut normal = Cow::Borrowed(core);
    if refused.is_none() {
        let odd = |c: char| is_blank(c) && c != ' ';
        if core.contains(odd) || core.contains("  ") {
            normal = Cow::Owned(core.split(is_blank).filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" "));
        }
        if !is_nfc(&normal) {
            normal = Cow::Owned(normal.nfc().collect());
        }
    }
    if normal.len() != text.len() || normal != text.as_str() {
        *text = normal.into_owned();
    }
    refused
}

/// The normal form of a label that is looked up.
pub(crate) fn normal(text: &str) -> String {
    let mut text = text.to_owned();
    normalise_label(&mut text);
    text
}

fn refuse_label(text: &str) -> Option<String> {
    if let Some(c) = text.chars().find(|&c| c.is_control() || is_invisible(c)) {
        let what = match c {
            c if is_break(c) => {
                return Some("a label on one line (is a quotation mark left open, or a line break typed in?)".into());
            }
            '\t' => "tab",
            c if c.is_control() => "control",
            _ => "invisible",
        };
        return Some(format!("a label of visible characters; remove the {what} character U+{:04X}", u32::from(c)));
    }
    too_long(text, LONGEST_LABEL, "a label")
}

/// Makes a note or covariate its normal form (trimmed, line breaks as `\n`, NFC); returns what was expected instead.
pub(crate) fn normalise_text(text: &mut String) -> Option<String> {
    let trimmed = text.trim();
    if trimmed.len() != text.len() {
        *text = trimmed.to_owned();
    }
    if text.contains('\r') {
        *text = text.replace("\r\n", "\n").replace('\r', "\n");
    }
    if !is_nfc(text) {
        *text = text.nfc().collect();
    }
    if let Some(c) = text.chars().find(|&c| c.is_control() && c != '\n' && c != '\t') {
        return Some(format!("plain text; remove the control character U+{:04X}", u32::from(c)));
    }
    too_long(text, LONGEST_TEXT, "text")
}

fn too_long(text: &str, longest: usize, what: &str) -> Option<String> {
    (text.len() > longest && text.chars().count() > longest)
        .then(|| format!("{what} of at most {longest} characters (is a quotation mark left open?)"))
}

/// How often and where a label stands.
#[derive(Debug, Clone, Copy)]
struct Places {
    count: u64,
    first_line: u64,
}

/// The spellings of the labels of one column.
#[derive(Debug, Default)]
pub(crate) struct Spellings<'a> {
    places: BTreeMap<&'a str, Places>,
}

impl<'a> Spellings<'a> {
    pub(crate) fn add(&mut self, label: &'a str, line: u64) {
        self.places.entry(label).or_insert(Places { count: 0, first_line: line }).count += 1;
    }

    /// Reports every spelling that looks like a more frequent one.
    pub(crate) fn report(&self, place: usize, column: &str, problems: &mut Problems) {
        let mut alike: BTreeMap<String, Vec<(&str, Places)>> = BTreeMap::new();
        for (&label, &places) in &self.places {
            alike.entry(looks(label)).or_default().push((label, places));
        }
        for mut spellings in alike.into_values().filter(|s| s.len() > 1) {
            spellings.sort_by_key(|(_, p)| (u64::MAX - p.count, p.first_line));
            let all: Vec<String> = spellings
                .iter()
                .map(|(label, p)| format!("{label:?} {} from line {}", times(p.count), p.first_line))
                .collect();
            let expected = format!(
                "one spelling of what looks like one name: {}; write one of them everywhere, or make them clearly different",
                all.join(", ")
            );
            for (label, places) in &spellings[1..] {
                problems.at(place, places.first_line, column, label, expected.as_str());
            }
        }
    }
}

fn times(count: u64) -> String {
    if count == 1 { "once".into() } else { format!("{count} times") }
}

/// What a label has in common with all that might be mistaken for it: letters and digits in small letters, without
/// punctuation and blanks. Numbers stay apart (`lot 1-2` is not `lot 12`), a sign before a number and characters that carry a
/// meaning (`A+`, `50 %`) stay, and leading zeros go, save behind a decimal point (`1.02` is not `1.2`).
pub(crate) fn looks(label: &str) -> String {
    let folded: Vec<char> = label.nfkc().flat_map(char::to_lowercase).collect();
    let mut tokens: Vec<Token> = Vec::new();
    let mut between = None;
    let mut i = 0;
    while let Some(&c) = folded.get(i) {
        let digits = folded[i..].iter().take_while(|c| c.is_ascii_digit()).count();
        let at_start = i == 0 || folded[i - 1].is_whitespace();
        let signs = c == '-' && at_start && folded.get(i + 1).is_some_and(char::is_ascii_digit);
        if digits > 0 {
            tokens.push(Token::Number(folded[i..i + digits].iter().collect(), between.take()));
            i += digits;
            continue;
        }
        i += 1;
        if is_punctuation(c) && !signs {
            between = Some(if c.is_whitespace() { between.unwrap_or(' ') } else { c });
        } else {
            between = None;
            match tokens.last_mut() {
                Some(Token::Word(word)) => word.push(c),
                _ => tokens.push(Token::Word(c.into())),
            }
        }
    }
    let mut key = String::new();
    for chain in tokens.chunk_by(|a, b| matches!((a, b), (Token::Number(..), Token::Number(..)))) {
        let decimal = matches!(chain, [Token::Number(..), Token::Number(_, Some('.' | ','))]);
        for (k, token) in chain.iter().enumerate() {
            match token {
                Token::Word(word) => key.push_str(word),
                Token::Number(digits, _) => {
                    if k > 0 {
                        key.push(' ');
                    }
                    let short = digits.trim_start_matches('0');
                    let keep = decimal && k == 1;
                    key.push_str(if keep {
                        digits
                    } else if short.is_empty() {
                        "0"
                    } else {
                        short
                    });
                }
            }
        }
    }
    if key.is_empty() { label.to_owned() } else { key }
}

enum Token {
    Word(String),
    /// Digits, and the punctuation between them and what stands before.
    Number(String, Option<char>),
}

fn is_punctuation(c: char) -> bool {
    c.is_whitespace()
        || matches!(c, '-' | '_' | '.' | ',' | ';' | ':' | '(' | ')' | '[' | ']' | '{' | '}' | '/' | '\\' | '|' | '\'')
        || matches!(c, '\u{2010}'..='\u{2015}' | '\u{2018}'..='\u{201b}' | '\u{2212}' | '\u{b4}' | '\u{b7}' | '`')
}

#[cfg(test)]
mod tests {
    use super::{looks, normal, normalise_label};

    #[test]
    fn what_cannot_be_told_apart_is_one() {
        assert_eq!(normal(" chip\u{a0} seal\t"), "chip seal");
        assert_eq!(normal("Jo\u{308}rg"), "J\u{f6}rg");
        assert_eq!(normal("a\u{2009}b  c"), "a b c");
        for broken in ["cowhide\n", "\ncowhide", "a\u{2028}", "\u{b}a", "a\tb"] {
            assert!(normalise_label(&mut broken.to_owned()).is_some(), "{broken:?}");
        }
    }

    #[test]
    fn look_alikes_and_what_only_resembles() {
        let alike = [
            ("Belt", "belt"),
            ("belt-1", "belt \u{2013} 01"),
            ("belt-1", "Belt1"),
            ("3.6.2026", "03.06.2026"),
            ("2026-06-03", "2026/6/3"),
            ("day -1", "Day -1"),
            ("driver\u{2019}s jacket", "Driver's jacket."),
            ("m\u{b2}", "m2"),
            ("3/6", "03/06"),
        ];
        for (a, b) in alike {
            assert_eq!(looks(a), looks(b), "{a} {b}");
        }
        let different = [
            ("cotton 1.2 mm", "cotton 12 mm"),
            ("cotton 1.02", "cotton 1.2"),
            ("lot 1-2", "lot 12"),
            ("day -1", "day 1"),
            ("A+", "A"),
            ("belt 1", "belt 10"),
            ("3.6.2026", "3.6.2027"),
            ("A*", "A"),
            ("...", "-"),
            ("2026-06-03", "2026-06-30"),
        ];
        for (a, b) in different {
            assert_ne!(looks(a), looks(b), "{a} {b}");
        }
    }
}
