//! What changed between two JSON texts, field by field.

use std::collections::BTreeMap;

use serde_json::Value;

/// Longest value shown whole, characters.
const LONGEST: usize = 200;

/// Gives a line for each field that was taken away or changed (`- field: before`) and for each that came or changed
/// (`+ field: after`), in order of the fields. A text that is no JSON counts as one value; an empty one as nothing.
pub(super) fn lines(before: &str, after: &str) -> Vec<String> {
    let (before, after) = (fields(before), fields(after));
    let mut paths: Vec<&String> = before.keys().chain(after.keys()).collect();
    paths.sort();
    paths.dedup();
    let mut lines = Vec::new();
    for path in paths {
        let (was, is) = (before.get(path), after.get(path));
        if was == is {
            continue;
        }
        for (mark, value) in [('-', was), ('+', is)] {
            if let Some(value) = value {
                lines.push(shown(mark, path, value));
            }
        }
    }
    lines
}

fn shown(mark: char, path: &str, value: &str) -> String {
    let mut text: String = value.chars().take(LONGEST).collect();
    if text.len() < value.len() {
        text.push_str(" ...");
    }
    match path {
        "" => format!("{mark} {text}"),
        path => format!("{mark} {path}: {text}"),
    }
}

/// Every value with the path to it; empty lists and objects count as values.
fn fields(text: &str) -> BTreeMap<String, String> {
    let mut found = BTreeMap::new();
    if text.is_empty() {
        return found;
    }
    let value = serde_json::from_str(text).unwrap_or_else(|_| Value::String(text.to_owned()));
    collect(String::new(), &value, &mut found);
    found
}

fn collect(path: String, value: &Value, found: &mut BTreeMap<String, String>) {
    match value {
        Value::Object(fields) if !fields.is_empty() => {
            for (name, value) in fields {
                let inner = if path.is_empty() {
                    name.clone()
                } else {
                    format!("{path}.{name}")
                };
                collect(inner, value, found);
            }
        }
        Value::Array(items) if !items.is_empty() => {
            for (place, value) in items.iter().enumerate() {
                collect(format!("{path}[{}]", place + 1), value, found);
            }
        }
        value => {
            found.insert(path, value.to_string());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_changed_fields_are_told_with_their_paths() {
        let before = r#"{"name":"K2","limits":{"max":1600,"step":1},"days":["friday","saturday"],"note":null}"#;
        let after =
            r#"{"name":"K2","limits":{"max":1550,"step":1},"days":["friday"],"why":"elements"}"#;
        assert_eq!(
            lines(before, after),
            [
                "- days[2]: \"saturday\"",
                "- limits.max: 1600",
                "+ limits.max: 1550",
                "- note: null",
                "+ why: \"elements\"",
            ]
        );
        assert_eq!(lines(before, before), Vec::<String>::new());
    }

    #[test]
    fn what_is_new_has_no_before_and_what_is_no_json_is_one_value() {
        assert_eq!(lines("", r#"{"a":1}"#), ["+ a: 1"]);
        assert_eq!(lines("", ""), Vec::<String>::new());
        assert_eq!(lines("", "{"), ["+ \"{\""]);
        let long = format!("{{\"a\":\"{}\"}}", "x".repeat(300));
        assert!(lines("", &long)[0].ends_with(" ..."));
    }
}
