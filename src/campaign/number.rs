//! Numbers: one strict grammar, and an answer to what people write instead.

use super::problems::Refusal;

/// What a column of numbers holds, for the words of a refusal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Quantity {
    /// The number in words, such as "a positive number of seconds such as 2.31".
    pub(crate) words: &'static str,
    /// Its unit, for telling people to leave it out.
    pub(crate) unit: &'static str,
    /// What to do where there is no number.
    pub(crate) absent: &'static str,
    pub(crate) is_time: bool,
    pub(crate) is_count: bool,
}

/// Digits with an optional sign, decimal point and exponent; nothing else, not even what the
/// standard library would take ("inf", "nan").
fn is_decimal(text: &str) -> bool {
    fn digits(text: &[u8]) -> usize {
        text.iter().take_while(|b| b.is_ascii_digit()).count()
    }
    let mut rest = text.as_bytes();
    rest = rest.strip_prefix(b"-").or_else(|| rest.strip_prefix(b"+")).unwrap_or(rest);
    let whole = digits(rest);
    rest = &rest[whole..];
    let mut fraction = 0;
    if let Some(after) = rest.strip_prefix(b".") {
        fraction = digits(after);
        rest = &after[fraction..];
    }
    if whole + fraction == 0 {
        return false;
    }
    if let [b'e' | b'E', exponent @ ..] = rest {
        let exponent = exponent.strip_prefix(b"-").or_else(|| exponent.strip_prefix(b"+")).unwrap_or(exponent);
        return !exponent.is_empty() && digits(exponent) == exponent.len();
    }
    rest.is_empty()
}

/// What a number says about the decimal sign of its table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Commas {
    /// No comma and no point, or no number.
    None,
    /// A decimal point.
    Point,
    /// A decimal comma.
    Decimal,
    /// A decimal comma or a separator of thousands, as in `1,234`.
    Either,
}

pub(crate) fn commas_in(text: &str) -> Commas {
    if is_decimal(text) {
        return if text.contains('.') { Commas::Point } else { Commas::None };
    }
    let Some((whole, fraction)) = text.split_once(',') else { return Commas::None };
    if !is_decimal(&format!("{whole}.{fraction}")) {
        return Commas::None;
    }
    let thousands = whole.trim_start_matches(['+', '-']);
    let three = fraction.len() == 3 && fraction.bytes().all(|b| b.is_ascii_digit());
    let groups = three && (1..=3).contains(&thousands.len()) && !thousands.starts_with('0');
    if groups { Commas::Either } else { Commas::Decimal }
}

/// The number in a decimal field, or what was expected instead. `decimal_commas` where the table has those.
pub(crate) fn decimal(quantity: &Quantity, text: &str, decimal_commas: bool) -> Result<f64, Refusal> {
    let pointed;
    let mut number = text;
    if decimal_commas && matches!(commas_in(text), Commas::Decimal | Commas::Either) {
        pointed = text.replacen(',', ".", 1);
        number = &pointed;
    }
    match number.parse::<f64>() {
        Ok(value) if is_decimal(number) => {
            if value.is_infinite() {
                return Err(format!("{}, no larger than 1.7e308", quantity.words).into());
            }
            let mantissa = number.split(['e', 'E']).next().unwrap_or_default();
            if value == 0.0 && mantissa.contains(|c: char| ('1'..='9').contains(&c)) {
                return Err(format!("{}, not closer to zero than 5e-324", quantity.words).into());
            }
            Ok(value)
        }
        _ => Err(explain(quantity, text)),
    }
}

/// The whole number of 1 or more in a field of counts, or what was expected instead. "2.0" is 2: spreadsheets and data frames
/// write whole numbers so.
pub(crate) fn whole(quantity: &Quantity, text: &str) -> Result<u32, Refusal> {
    let digits = match text.split_once('.') {
        Some((digits, zeros)) if !zeros.is_empty() && zeros.bytes().all(|b| b == b'0') => digits,
        _ => text,
    };
    match digits.parse::<u32>() {
        Ok(0) => Err(quantity.words.into()),
        Ok(number) => Ok(number),
        Err(_) if is_decimal(digits) && !digits.contains(['.', 'e', 'E', '-']) => {
            Err(format!("{}, at most {}", quantity.words, u32::MAX).into())
        }
        Err(_) if is_decimal(text) => Err(quantity.words.into()),
        Err(_) => Err(explain(quantity, text)),
    }
}

fn explain(quantity: &Quantity, text: &str) -> Refusal {
    let words = quantity.words;
    let lower = text.to_lowercase();
    if matches!(
        lower.trim_start_matches(['-', '+', '#', '.']),
        "" | "nan" | "na" | "n/a" | "nil" | "none" | "null" | "inf" | "infinity" | "∞" | "?" | "value!" | "div/0!"
    ) {
        return Refusal::new("fields without a number", format!("{words} {}", quantity.absent));
    }
    if quantity.is_time && text.starts_with(['>', '≥']) {
        return format!("{words}, with run_out as the outcome where the run ended first").into();
    }
    if quantity.is_time && text.starts_with(['<', '≤']) {
        return format!("{words}, with opened_at_contact as the outcome where it failed within the time resolution")
            .into();
    }
    if lower.trim_start_matches(['-', '+']).starts_with("0x") {
        return format!("{words}, in decimal digits").into();
    }
    if is_date(&lower) {
        return Refusal::new(
            "dates",
            format!(
                "{words}; this is a date that a spreadsheet made of a number such as 3.2 (format the column as text or number and enter the number again)"
            ),
        );
    }
    if let Some((whole, fraction)) = text.split_once(',') {
        let pointed = format!("{whole}.{fraction}");
        return match commas_in(text) {
            Commas::Either => Refusal::new(
                "commas that may be decimal or of thousands",
                format!("{words}, with a decimal point and no separator of thousands: {pointed} or {whole}{fraction}"),
            ),
            Commas::Decimal => Refusal::new("decimal commas", format!("{words}, with a decimal point: {pointed}")),
            _ => format!("{words}, with a decimal point and no separators").into(),
        };
    }
    if let Some(number) = text.strip_prefix(['\u{2212}', '\u{2013}', '\u{2014}'])
        && quantity.unit == "°C"
        && is_decimal(number)
    {
        return Refusal::new("typographic minus signs", format!("{words}, with a plain minus sign: -{number}"));
    }
    let number_end = text.find(|c: char| !matches!(c, '0'..='9' | '.' | '-' | '+')).unwrap_or(text.len());
    let (number, rest) = text.split_at(number_end);
    if is_decimal(number) {
        let rest = rest.trim_start();
        if rest.starts_with(':') && quantity.is_time {
            return Refusal::new("times of day", format!("{words}, not minutes and seconds"));
        }
        if quantity.is_count && !rest.is_empty() {
            return format!("{words}, in digits alone").into();
        }
        if rest.starts_with(|c: char| c.is_alphabetic() || matches!(c, '°' | '%' | 'µ')) {
            let unit =
                if quantity.unit.is_empty() { String::new() } else { format!(" (the column is in {})", quantity.unit) };
            return Refusal::new("numbers with a unit", format!("{words}, without a unit{unit}"));
        }
        if rest.starts_with(|c: char| c.is_ascii_digit()) {
            return format!("{words}, without blanks inside").into();
        }
        if rest.starts_with(['±', '(']) {
            return format!("{words}, alone").into();
        }
    }
    words.into()
}

/// Dates as spreadsheets make them of numbers: `03. Feb`, `Feb 03`, `3-Feb-2026`, `03.02.2026`, `2026-02-03`.
fn is_date(lower: &str) -> bool {
    const MONTHS: [&str; 21] = [
        "jan", "feb", "fév", "fev", "mar", "mär", "mrz", "apr", "avr", "abr", "may", "mai", "jun", "jul", "aug", "sep",
        "okt", "oct", "nov", "dez", "dec",
    ];
    let words: Vec<&str> = lower.split(|c: char| !c.is_alphabetic()).filter(|w| !w.is_empty()).collect();
    let digits = lower.contains(|c: char| c.is_ascii_digit());
    if let [word] = words[..]
        && digits
    {
        return word.chars().count() >= 3 && MONTHS.iter().any(|m| word.starts_with(m));
    }
    let groups: Vec<&str> = lower.split(['.', '-', '/']).collect();
    let lengths: Vec<usize> =
        groups.iter().map(|g| if g.bytes().all(|b| b.is_ascii_digit()) { g.len() } else { 0 }).collect();
    matches!(lengths[..], [1 | 2, 1 | 2, 2 | 4] | [4, 1 | 2, 1 | 2])
}

#[cfg(test)]
mod tests {
    use super::{Commas, commas_in, is_date};

    #[test]
    fn dates_made_by_spreadsheets() {
        for date in ["03. feb", "feb 03", "3-feb", "mrz 26", "03.02.2026", "2026-02-03", "3/2/26", "1. september"] {
            assert!(is_date(date), "{date}");
        }
        for other in ["4.1.2", "2.3 s", "2300ms", "3 min", "4.12", "1e-3", "march", "-3.2-1"] {
            assert!(!is_date(other), "{other}");
        }
    }

    #[test]
    fn what_a_comma_says() {
        for (text, says) in [
            ("4,23", Commas::Decimal),
            ("0,125", Commas::Decimal),
            ("1234,567", Commas::Decimal),
            ("1,234", Commas::Either),
            ("-12,345", Commas::Either),
            ("1,234.5", Commas::None),
            ("4.23", Commas::Point),
            ("4", Commas::None),
            ("1,5e3", Commas::Decimal),
        ] {
            assert_eq!(commas_in(text), says, "{text}");
        }
    }
}
