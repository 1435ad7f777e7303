//! Decimal fields: one strict grammar, and an answer to what people write instead.

use super::column::Column;
use super::outcome::Outcome;

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

/// The number in a decimal field, or what was expected instead.
pub(super) fn decimal(column: Column, text: &str, outcome: Option<Outcome>) -> Result<f64, String> {
    let quantity = column.quantity();
    match text.parse::<f64>() {
        Ok(value) if is_decimal(text) => {
            if value.is_infinite() {
                return Err(format!("{quantity}, no larger than 1.7e308"));
            }
            let mantissa = text.split(['e', 'E']).next().unwrap_or_default();
            if value == 0.0 && mantissa.contains(|c: char| ('1'..='9').contains(&c)) {
                return Err(format!("{quantity}, not closer to zero than 5e-324"));
            }
            column.refuse(value, outcome).map_or(Ok(value), Err)
        }
        _ => Err(explain(column, text)),
    }
}

/// The whole number in a layers field, or what was expected instead. "2.0" is 2: spreadsheets and
/// data frames write whole numbers so.
pub(super) fn layers(text: &str) -> Result<u32, String> {
    let column = Column::Layers;
    let whole = match text.split_once('.') {
        Some((whole, zeros)) if !zeros.is_empty() && zeros.bytes().all(|b| b == b'0') => whole,
        _ => text,
    };
    match whole.parse::<u32>() {
        Ok(0) => Err(column.quantity().into()),
        Ok(layers) => Ok(layers),
        Err(_) if is_decimal(whole) && !whole.contains(['.', 'e', 'E', '-']) => {
            Err(format!("{}, at most {}", column.quantity(), u32::MAX))
        }
        Err(_) if is_decimal(text) => Err(column.quantity().into()),
        Err(_) => Err(explain(column, text)),
    }
}

fn explain(column: Column, text: &str) -> String {
    let quantity = column.quantity();
    let lower = text.to_lowercase();
    if matches!(
        lower.trim_start_matches(['-', '+', '#', '.']),
        "" | "nan" | "na" | "n/a" | "nil" | "none" | "null" | "inf" | "infinity" | "∞" | "?" | "value!" | "div/0!"
    ) {
        return column.not_a_measurement();
    }
    if column == Column::AbrasionTime && text.starts_with(['>', '≥']) {
        return format!("{quantity}, with run_out as the outcome where the run ended first");
    }
    if column == Column::AbrasionTime && text.starts_with(['<', '≤']) {
        return format!("{quantity}, with opened_at_contact as the outcome where it failed within the time resolution");
    }
    if lower.trim_start_matches(['-', '+']).starts_with("0x") {
        return format!("{quantity}, in decimal digits");
    }
    if let Some((whole, fraction)) = text.split_once(',') {
        let pointed = format!("{whole}.{fraction}");
        return match (is_decimal(&pointed), fraction.len()) {
            (true, 3) => format!(
                "{quantity}, with a decimal point and no separator of thousands: {pointed} or {whole}{fraction}"
            ),
            (true, _) => format!("{quantity}, with a decimal point: {pointed}"),
            _ => format!("{quantity}, with a decimal point and no separators"),
        };
    }
    if column == Column::Temperature
        && let Some(number) = text.strip_prefix(['\u{2212}', '\u{2013}', '\u{2014}'])
        && is_decimal(number)
    {
        return format!("{quantity}, with a plain minus sign: -{number}");
    }
    let number_end = text.find(|c: char| !matches!(c, '0'..='9' | '.' | '-' | '+')).unwrap_or(text.len());
    let (number, rest) = text.split_at(number_end);
    if is_decimal(number) {
        let rest = rest.trim_start();
        if rest.starts_with(':') && column == Column::AbrasionTime {
            return format!("{quantity}, not minutes and seconds");
        }
        if column == Column::Layers && !rest.is_empty() {
            return format!("{quantity}, in digits alone");
        }
        if rest.starts_with(|c: char| c.is_alphabetic() || matches!(c, '°' | '%' | 'µ')) {
            return format!("{quantity}, without a unit (the column is in {})", column.unit());
        }
        if rest.starts_with(|c: char| c.is_ascii_digit()) {
            return format!("{quantity}, without blanks inside");
        }
        if rest.starts_with(['±', '(']) {
            return format!("{quantity}, alone");
        }
    }
    quantity.into()
}
