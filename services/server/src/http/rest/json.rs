//! Messages as canonical protobuf JSON, read strictly and with the place of what is wrong.

use prost_reflect::{
    DeserializeOptions, DynamicMessage, FieldDescriptor, Kind, MessageDescriptor, SerializeOptions,
};
use serde_json::error::Category;
use serde_path_to_error::{Path, Segment, Track};
use tonic::Status;

use super::fault::{malformed, violation};

/// How prost-reflect begins when it meets a field that the message does not have.
const UNKNOWN: &str = "unrecognized field name '";

/// Most letters of a name or value that are repeated to whoever sent it.
const MOST_SHOWN: usize = 120;

/// Reads a message; `prefix` is the field of the request that it stands for, empty for the request itself.
pub(super) fn read(
    message: &MessageDescriptor,
    prefix: &str,
    text: &[u8],
) -> Result<DynamicMessage, Status> {
    let mut json = serde_json::Deserializer::from_slice(text);
    let mut track = Track::new();
    let tracked = serde_path_to_error::Deserializer::new(&mut json, &mut track);
    let options = DeserializeOptions::new().deny_unknown_fields(true);
    match DynamicMessage::deserialize_with_options(message.clone(), tracked, &options) {
        Ok(read) => {
            json.end().map_err(|fault| not_json(&fault))?;
            Ok(read)
        }
        Err(fault) => Err(explained(message, prefix, &track.path(), &fault)),
    }
}

/// Writes a message on one line.
pub(super) fn written(message: &DynamicMessage) -> Result<Vec<u8>, serde_json::Error> {
    let mut text = Vec::new();
    let mut writer = serde_json::Serializer::new(&mut text);
    message.serialize_with_options(&mut writer, &SerializeOptions::new())?;
    Ok(text)
}

/// Reads one value as the JSON of a field says it, from text: what is in a query.
pub(super) fn value_of(
    field: &FieldDescriptor,
    text: &str,
) -> Result<prost_reflect::Value, serde_json::Error> {
    let value = match field.kind() {
        Kind::Bool => match text {
            "true" => true.into(),
            "false" => false.into(),
            other => other.into(),
        },
        Kind::Message(message) if message.full_name() == "google.protobuf.FieldMask" => {
            masked(text).into()
        }
        _ => serde_json::Value::from(text),
    };
    let value = if field.is_list() {
        serde_json::Value::Array(vec![value])
    } else {
        value
    };
    let mut object = serde_json::Map::new();
    object.insert(field.name().to_owned(), value);
    let read = DynamicMessage::deserialize(
        field.parent_message().clone(),
        serde_json::Value::Object(object),
    )?;
    Ok(read.get_field(field).into_owned())
}

/// A field mask as JSON has it, in camel case, also when names were written as the protocol files do.
fn masked(text: &str) -> String {
    let mut camel = String::with_capacity(text.len());
    let mut raise = false;
    for letter in text.chars() {
        match letter {
            '_' => raise = true,
            letter if raise => {
                camel.extend(letter.to_uppercase());
                raise = false;
            }
            letter => camel.push(letter),
        }
    }
    camel
}

fn explained(
    message: &MessageDescriptor,
    prefix: &str,
    path: &Path,
    fault: &serde_json::Error,
) -> Status {
    if fault.classify() != Category::Data {
        return not_json(fault);
    }
    let words = without_place(&fault.to_string());
    let mut field = named(message, prefix, path);
    if let Some(name) = words
        .strip_prefix(UNKNOWN)
        .and_then(|rest| rest.strip_suffix('\''))
    {
        let name = shown(name);
        if !field.is_empty() {
            field.push('.');
        }
        field.push_str(&name);
        return violation(
            field,
            "UNKNOWN_FIELD",
            format!("is no field that is known: correct or leave out `{name}`"),
        );
    }
    if path.iter().next().is_none() {
        return malformed(format!(
            "the body is not the JSON of {}: {}",
            message.name(),
            shown(&words)
        ));
    }
    violation(
        field,
        "MALFORMED_VALUE",
        format!("cannot be read: {}", shown(&words)),
    )
}

fn not_json(fault: &serde_json::Error) -> Status {
    if fault.line() == 0 {
        return malformed(
            "there is no JSON in the body: send an object, {} when there is nothing to say",
        );
    }
    malformed(format!(
        "the body is not JSON: {}",
        shown(&fault.to_string())
    ))
}

/// What is wrong, without the line and column that serde_json appends: the field says where.
fn without_place(words: &str) -> String {
    match words.rfind(" at line ") {
        Some(at) => words[..at].to_owned(),
        None => words.to_owned(),
    }
}

/// The place as the protocol files name it: `reading.rings[0].diameter_mm`.
fn named(message: &MessageDescriptor, prefix: &str, path: &Path) -> String {
    let mut named = prefix.to_owned();
    let mut inside = Some(message.clone());
    for segment in path {
        match segment {
            Segment::Seq { index } => {
                named.push('[');
                named.push_str(&index.to_string());
                named.push(']');
            }
            Segment::Map { key } | Segment::Enum { variant: key } => {
                let field = inside.as_ref().and_then(|message| {
                    message
                        .get_field_by_json_name(key)
                        .or_else(|| message.get_field_by_name(key))
                });
                if !named.is_empty() {
                    named.push('.');
                }
                match &field {
                    Some(field) => named.push_str(field.name()),
                    None => named.push_str(&shown(key)),
                }
                inside = field.and_then(|field| field.kind().as_message().cloned());
            }
            Segment::Unknown => {}
        }
    }
    named
}

/// The beginning of a text of a stranger's.
pub(super) fn shown(text: &str) -> String {
    let mut start: String = text.chars().take(MOST_SHOWN).collect();
    if start.len() < text.len() {
        start.push('…');
    }
    start
}
