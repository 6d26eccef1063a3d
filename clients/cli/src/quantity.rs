//! Numbers as people type and read them. A comma and a point both mark decimals; thousands are never
//! guessed.

/// Reads one number with a decimal comma or a decimal point.
///
/// # Errors
/// A sentence for the person when it is not one number.
pub(crate) fn number(text: &str) -> Result<f64, String> {
    let trimmed = text.trim();
    let digits = trimmed.strip_prefix(['-', '+']).unwrap_or(trimmed);
    let marks = digits.chars().filter(|c| matches!(c, '.' | ',')).count();
    let plain = digits
        .chars()
        .all(|c| c.is_ascii_digit() || matches!(c, '.' | ','));
    let whole = digits.starts_with(|c: char| c.is_ascii_digit())
        && digits.ends_with(|c: char| c.is_ascii_digit());
    if marks > 1 && plain {
        return Err(format!(
            "`{trimmed}` has more than one decimal mark; write one number, like 19.47 or 19,47, \
             without marks between thousands"
        ));
    }
    if !plain || !whole {
        return Err(format!(
            "`{trimmed}` is not a number; write it like 19.47 or 19,47, without a unit"
        ));
    }
    trimmed
        .replace(',', ".")
        .parse()
        .map_err(|_| format!("`{trimmed}` is not a number; write it like 19.47 or 19,47"))
}

/// Reads several numbers with spaces between them.
///
/// # Errors
/// A sentence for the person when one is not a number.
pub(crate) fn numbers(text: &str) -> Result<Vec<f64>, String> {
    let mut numbers = Vec::new();
    for word in text.split_whitespace() {
        numbers.push(number(word)?);
    }
    Ok(numbers)
}

/// Writes a number with a fixed count of decimals; never a minus before zero.
pub(crate) fn fixed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if !rest.contains(|c: char| matches!(c, '1'..='9')) => rest.to_owned(),
        _ => text,
    }
}

/// Writes a number with its sign, except zero.
pub(crate) fn signed(value: f64, decimals: usize) -> String {
    let text = fixed(value, decimals);
    if text.starts_with('-') || !text.contains(|c: char| matches!(c, '1'..='9')) {
        text
    } else {
        format!("+{text}")
    }
}

/// Writes a number with as many decimals as it needs, at most `most`: `1481`, `1480.5`, `19.47`.
pub(crate) fn brief(value: f64, most: usize) -> String {
    let text = fixed(value, most);
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// Writes a probability as per cent, never rounding up to certainty.
pub(crate) fn per_cent(probability: f64) -> String {
    if probability > 0.995 && probability < 1.0 {
        "more than 99 %".to_owned()
    } else if probability > 0.0 && probability < 0.005 {
        "less than 1 %".to_owned()
    } else {
        format!("{} %", fixed(100.0 * probability, 0))
    }
}

/// Arithmetic mean; none of nothing.
pub(crate) fn mean(values: &[f64]) -> Option<f64> {
    let mut sum = 0.0;
    let mut count = 0.0;
    for value in values {
        sum += value;
        count += 1.0;
    }
    (count > 0.0).then(|| sum / count)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn comma_and_point_both_mark_decimals() {
        for text in ["19,47", "19.47", " 19.47 ", "+19,47"] {
            assert_eq!(number(text).map(|n| fixed(n, 2)), Ok("19.47".to_owned()));
        }
        assert_eq!(number("-0,01").map(|n| fixed(n, 2)), Ok("-0.01".to_owned()));
        assert_eq!(number("1500").map(|n| fixed(n, 0)), Ok("1500".to_owned()));
    }

    #[test]
    fn thousands_are_never_guessed() {
        for text in ["1,500.0", "1.500,0", "19,47,19,46", "1 500", "1'500"] {
            assert!(number(text).is_err(), "{text}");
        }
        // One comma is a decimal comma, whatever stands behind it.
        assert_eq!(number("1,500").map(|n| fixed(n, 1)), Ok("1.5".to_owned()));
    }

    #[test]
    fn what_is_not_a_plain_number_is_refused() {
        for text in [
            "", "-", ".5", "19.", "19.47mm", "1e3", "NaN", "inf", "١٩", "--1", "0x10",
        ] {
            let refused = number(text).expect_err(text);
            assert!(refused.contains("19.47"), "{refused}");
        }
    }

    #[test]
    fn numbers_are_written_for_people() {
        assert_eq!(brief(1481.0, 1), "1481");
        assert_eq!(brief(1480.5, 1), "1480.5");
        assert_eq!(brief(1500.0, 0), "1500");
        assert_eq!(brief(19.470, 3), "19.47");
        assert_eq!(fixed(-0.04, 1), "0.0");
        assert_eq!(signed(3.25, 1), "+3.2");
        assert_eq!(signed(-3.0, 0), "-3");
        assert_eq!(signed(0.0, 1), "0.0");
        assert_eq!(per_cent(0.9999), "more than 99 %");
        assert_eq!(per_cent(1.0), "100 %");
        assert_eq!(per_cent(0.001), "less than 1 %");
        assert_eq!(per_cent(0.42), "42 %");
    }

    #[test]
    fn several_numbers_are_split_at_spaces_only() {
        let read = numbers("19,47 19.46  19,48").expect("three numbers");
        assert_eq!(read.len(), 3);
        assert_eq!(mean(&read).map(|m| fixed(m, 3)), Some("19.470".to_owned()));
        assert!(numbers("19.47;19.46").is_err());
        assert_eq!(mean(&[]), None);
    }
}
