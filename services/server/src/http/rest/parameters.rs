//! What of a request's message comes from outside the body: the path and the query.

use percent_encoding::percent_decode_str;
use prost_reflect::{
    DynamicMessage, FieldDescriptor, Kind, MessageDescriptor, ReflectMessage as _, Value,
};
use ringtrue_fleet::violation::Violations;
use tonic::Status;

use super::fault::{refused, violation};
use super::json::{shown, value_of};
use super::routing::{BodyPart, Route};

/// Most parameters of a query.
const MOST: usize = 200;

/// Messages whose JSON is one text or number, so that a query can hold them.
const ONE_TEXT: [&str; 12] = [
    "google.protobuf.Timestamp",
    "google.protobuf.Duration",
    "google.protobuf.FieldMask",
    "google.protobuf.DoubleValue",
    "google.protobuf.FloatValue",
    "google.protobuf.Int32Value",
    "google.protobuf.Int64Value",
    "google.protobuf.UInt32Value",
    "google.protobuf.UInt64Value",
    "google.protobuf.BoolValue",
    "google.protobuf.StringValue",
    "google.protobuf.BytesValue",
];

/// Whether a field's JSON is one text or number.
pub(super) fn is_one_text(field: &FieldDescriptor) -> bool {
    match field.kind() {
        Kind::Message(message) => ONE_TEXT.contains(&message.full_name()),
        _ => true,
    }
}

/// Sets the fields that a query names; everything that is wrong with it is told at once.
pub(super) fn take_query(
    message: &mut DynamicMessage,
    route: &Route,
    query: Option<&str>,
) -> Result<(), Status> {
    let mut violations = Violations::default();
    let mut given: Vec<String> = Vec::new();
    let pairs = query.unwrap_or_default().split('&');
    for pair in pairs.filter(|pair| !pair.is_empty()) {
        if given.len() >= MOST {
            violations.add(
                "query",
                "TOO_MANY_PARAMETERS",
                format!("has more than {MOST} parameters"),
            );
            break;
        }
        let (name, value) = pair.split_once('=').unwrap_or((pair, ""));
        let (Some(name), Some(value)) = (decoded(name), decoded(value)) else {
            violations.add(
                shown(name),
                "MALFORMED_VALUE",
                "is not UTF-8 text behind its escapes",
            );
            continue;
        };
        let field = match resolved(&message.descriptor(), &name) {
            Ok(field) => field,
            Err(why) => {
                violations.add(shown(&name), "UNKNOWN_PARAMETER", why);
                continue;
            }
        };
        if let Some(why) = not_here(route, &field.path) {
            violations.add(field.path, "UNKNOWN_PARAMETER", why);
            continue;
        }
        if given.contains(&field.path) && !field.last.is_list() {
            violations.add(
                field.path,
                "REPEATED_PARAMETER",
                "is given twice; send it once",
            );
            continue;
        }
        match value_of(&field.last, &value) {
            Ok(value) => set(message, &field.path, value),
            Err(fault) => violations.add(
                field.path.as_str(),
                "MALFORMED_VALUE",
                format!("cannot be read: {}", shown(&fault.to_string())),
            ),
        }
        given.push(field.path);
    }
    if violations.0.is_empty() {
        Ok(())
    } else {
        Err(refused(violations))
    }
}

/// Sets the fields that the path fills. A body that says otherwise is refused: one of them is a mistake.
pub(super) fn take_path(
    message: &mut DynamicMessage,
    values: &[(String, String)],
) -> Result<(), Status> {
    for (path, value) in values {
        take_text(message, path, value, "the path")?;
    }
    Ok(())
}

/// Sets a text that came from `source`, unless the body says something else.
pub(super) fn take_text(
    message: &mut DynamicMessage,
    path: &str,
    value: &str,
    source: &str,
) -> Result<(), Status> {
    let said = text_at(message, path);
    if !said.is_empty() && said != value {
        return Err(violation(
            path,
            "CONTRADICTION",
            format!(
                "is `{}` here and `{}` in {source}: send it once",
                shown(&said),
                shown(value)
            ),
        ));
    }
    set(message, path, Value::String(value.to_owned()));
    Ok(())
}

/// The text of a field by its path; empty when it is not set.
pub(super) fn text_at(message: &DynamicMessage, path: &str) -> String {
    let (step, rest) = path.split_once('.').unwrap_or((path, ""));
    match message.get_field_by_name(step).as_deref() {
        Some(Value::String(text)) if rest.is_empty() => text.clone(),
        Some(Value::Message(inner)) if !rest.is_empty() => text_at(inner, rest),
        _ => String::new(),
    }
}

/// A field by its path.
struct Resolved {
    /// As the protocol files name it.
    path: String,
    last: FieldDescriptor,
}

fn resolved(message: &MessageDescriptor, name: &str) -> Result<Resolved, String> {
    let mut path = String::new();
    let mut inside = message.clone();
    let mut steps = name.split('.').peekable();
    while let Some(step) = steps.next() {
        let field = inside
            .get_field_by_json_name(step)
            .or_else(|| inside.get_field_by_name(step))
            .ok_or("is no parameter of this call; leave it out")?;
        if !path.is_empty() {
            path.push('.');
        }
        path.push_str(field.name());
        if steps.peek().is_none() {
            if field.is_map() || !is_one_text(&field) {
                return Err("does not fit into a query; name one of its fields".to_owned());
            }
            return Ok(Resolved { path, last: field });
        }
        let Kind::Message(inner) = field.kind() else {
            return Err("is no parameter of this call; leave it out".to_owned());
        };
        if field.is_list() || is_one_text(&field) {
            return Err("is no parameter of this call; leave it out".to_owned());
        }
        inside = inner;
    }
    Err("has no name".to_owned())
}

/// Why a field is no parameter of a route's query; none when it is one.
fn not_here(route: &Route, path: &str) -> Option<&'static str> {
    if route.template.fields().any(|field| field == path) {
        return Some("is in the path already; leave it out");
    }
    match &route.body {
        BodyPart::Nothing => None,
        BodyPart::Field(field) if path.split('.').next() != Some(field.name()) => None,
        BodyPart::Field(_) | BodyPart::Whole => Some("belongs into the body"),
    }
}

fn decoded(text: &str) -> Option<String> {
    let text = text.replace('+', " ");
    let text = percent_decode_str(&text).decode_utf8().ok()?;
    Some(text.into_owned())
}

/// Sets a field by its path; lists grow.
fn set(message: &mut DynamicMessage, path: &str, value: Value) {
    let (step, rest) = path.split_once('.').unwrap_or((path, ""));
    let Some(field) = message.descriptor().get_field_by_name(step) else {
        return;
    };
    let place = message.get_field_mut(&field);
    match (place, value) {
        (Value::Message(inner), value) if !rest.is_empty() => set(inner, rest, value),
        (Value::List(list), Value::List(more)) => list.extend(more),
        (place, value) => *place = value,
    }
}

#[cfg(test)]
mod tests {
    use http::Method;
    use prost_reflect::{DescriptorPool, SerializeOptions};
    use tonic_types::StatusExt as _;

    use super::super::routing::{Found, Table};
    use super::*;

    /// What a query makes of a call's message, as JSON; or the fields that are refused, with reasons.
    fn asked(path: &str, query: &str) -> Result<String, Vec<(String, String)>> {
        let pool = DescriptorPool::decode(ringtrue_proto::DESCRIPTORS).expect("readable");
        let table = Table::of(&pool, |_| 1_000).expect("usable");
        let Found::Route(route, _) = table.find(&Method::GET, path) else {
            panic!("{path} is no route");
        };
        let mut message = DynamicMessage::new(route.call.method.input());
        match take_query(&mut message, route, Some(query)) {
            Ok(()) => {
                let mut text = Vec::new();
                let mut writer = serde_json::Serializer::new(&mut text);
                message
                    .serialize_with_options(&mut writer, &SerializeOptions::new())
                    .expect("JSON");
                Ok(String::from_utf8(text).expect("text"))
            }
            Err(status) => {
                let details = status.get_error_details();
                let violations = details.bad_request().expect("violations").clone();
                let reasons = details.error_info().expect("a reason").metadata.clone();
                let mut listed = Vec::new();
                for (at, violation) in violations.field_violations.into_iter().enumerate() {
                    listed.push((violation.field, reasons[&format!("reason.{at}")].clone()));
                }
                Err(listed)
            }
        }
    }

    #[test]
    fn either_spelling_of_a_name_and_every_kind_of_value_is_read() {
        let due = "/v1/sites/porto/dueTasks";
        let answer = asked(
            due,
            "page_size=7&tasks=TASK_KIND_CALIBRATION&tasks=TASK_KIND_PURGE_FIRING&all=true&subject=a%20b+c",
        );
        assert_eq!(
            answer.as_deref(),
            Ok(
                r#"{"pageSize":7,"tasks":["TASK_KIND_CALIBRATION","TASK_KIND_PURGE_FIRING"],"all":true,"subject":"a b c"}"#
            )
        );
        let entries = asked(
            "/v1/sites/porto/auditEntries",
            "pageSize=1&startTime=2026-03-06T12:00:00%2B01:00",
        );
        assert_eq!(
            entries.as_deref(),
            Ok(r#"{"pageSize":1,"startTime":"2026-03-06T11:00:00Z"}"#)
        );
    }

    #[test]
    fn everything_that_is_wrong_is_told_by_name_at_once() {
        let refused = asked(
            "/v1/sites/porto/dueTasks",
            "pagesize=1&page_size=many&all=perhaps&tasks=1&subject=x&subject=y&parent=sites/x&q=%FF&page_token.x=1",
        )
        .expect_err("it is refused");
        let told: Vec<(&str, &str)> = refused
            .iter()
            .map(|(field, reason)| (field.as_str(), reason.as_str()))
            .collect();
        assert_eq!(
            told,
            [
                ("pagesize", "UNKNOWN_PARAMETER"),
                ("page_size", "MALFORMED_VALUE"),
                ("all", "MALFORMED_VALUE"),
                ("tasks", "MALFORMED_VALUE"),
                ("subject", "REPEATED_PARAMETER"),
                ("parent", "UNKNOWN_PARAMETER"),
                ("q", "MALFORMED_VALUE"),
                ("page_token.x", "UNKNOWN_PARAMETER"),
            ]
        );
    }
}
