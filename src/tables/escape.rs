//! Text from the user's table inside markup.

/// Control characters, which neither XML nor an aligned table can hold, become visible.
pub(crate) fn clean(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '\t' | '\n' | '\r' => ' ',
            // Also the two code points that XML forbids above the surrogates.
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => '\u{fffd}',
            c => c,
        })
        .collect()
}

/// Text for HTML and SVG, in elements and in quoted attributes.
pub(crate) fn escape_html(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in clean(text).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

/// Text for a Markdown table cell or paragraph.
pub(crate) fn escape_markdown(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in clean(text).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '\\' | '|' | '*' | '_' | '`' | '[' | ']' | '~' | '$' => {
                out.push('\\');
                out.push(c);
            }
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn markup_in_names_is_text() {
        assert_eq!(escape_html("<a b=\"c\">&'\u{1}"), "&lt;a b=&quot;c&quot;&gt;&amp;&#39;\u{fffd}");
        assert_eq!(escape_markdown("a|b_c <i>\n*d*"), "a\\|b\\_c &lt;i&gt; \\*d\\*");
    }
}
