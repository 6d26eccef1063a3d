//! Messages and enums as JSON Schema.

use std::collections::{BTreeMap, BTreeSet};

use prost_reflect::{EnumDescriptor, FieldDescriptor, Kind, MessageDescriptor};
use serde_json::{Map, Value, json};

use super::comments::comment;

/// Words with which a field's comment says that callers do not send it.
const OUTPUT_ONLY: &str = "Output only";

/// What is referred to, and so is written down.
#[derive(Debug, Default)]
pub(super) struct Schemas {
    messages: BTreeMap<String, MessageDescriptor>,
    enums: BTreeMap<String, EnumDescriptor>,
    /// Messages that callers send: unknown fields in them are refused.
    sent: BTreeSet<String>,
}

impl Schemas {
    /// Refers to a message of a request.
    pub(super) fn sent(&mut self, message: &MessageDescriptor) -> Value {
        self.note(message, true);
        of_message(message)
    }

    /// Refers to a message of an answer.
    pub(super) fn shown(&mut self, message: &MessageDescriptor) -> Value {
        self.note(message, false);
        of_message(message)
    }

    /// The schema of a field's value, for a parameter.
    pub(super) fn parameter(&mut self, field: &FieldDescriptor) -> Value {
        if let Kind::Enum(kind) = field.kind() {
            self.enums.insert(kind.name().to_owned(), kind);
        }
        of_field(field)
    }

    fn note(&mut self, message: &MessageDescriptor, is_sent: bool) {
        if inline(message).is_some() {
            return;
        }
        let name = message.name().to_owned();
        let is_new = !self.messages.contains_key(&name);
        let is_newly_sent = is_sent && self.sent.insert(name.clone());
        if !is_new && !is_newly_sent {
            return;
        }
        self.messages.insert(name, message.clone());
        for field in message.fields() {
            match field.kind() {
                Kind::Message(inner) if field.is_map() => {
                    if let Some(Kind::Message(value)) =
                        inner.get_field_by_name("value").map(|value| value.kind())
                    {
                        self.note(&value, is_sent);
                    }
                }
                Kind::Message(inner) => self.note(&inner, is_sent),
                Kind::Enum(kind) => {
                    self.enums.insert(kind.name().to_owned(), kind);
                }
                _ => {}
            }
        }
    }

    /// Everything that was referred to.
    pub(super) fn written(&self) -> Map<String, Value> {
        let mut all = Map::new();
        for (name, message) in &self.messages {
            all.insert(name.clone(), object(message, self.sent.contains(name)));
        }
        for (name, kind) in &self.enums {
            all.insert(name.clone(), choice(kind));
        }
        all
    }
}

fn object(message: &MessageDescriptor, is_sent: bool) -> Value {
    let mut properties = Map::new();
    for field in message.fields() {
        let mut schema = of_field(&field);
        let words = comment(&message.parent_file(), field.path());
        if let Some(schema) = schema.as_object_mut() {
            if words.contains(OUTPUT_ONLY) {
                schema.insert("readOnly".to_owned(), true.into());
            }
            if !words.is_empty() {
                schema.insert("description".to_owned(), words.into());
            }
        }
        properties.insert(field.json_name().to_owned(), schema);
    }
    let mut schema = json!({
        "type": "object",
        "description": comment(&message.parent_file(), message.path()),
        "properties": properties,
    });
    if is_sent {
        schema["additionalProperties"] = false.into();
    }
    schema
}

fn choice(kind: &EnumDescriptor) -> Value {
    let mut names = Vec::new();
    let mut words = comment(&kind.parent_file(), kind.path());
    for value in kind.values() {
        let meaning = comment(&kind.parent_file(), value.path());
        words.push_str(if names.is_empty() { "\n\n" } else { "\n" });
        let name = value.name();
        words.push_str("- `");
        words.push_str(name);
        words.push_str("`: ");
        words.push_str(&meaning);
        names.push(name.to_owned());
    }
    json!({ "type": "string", "enum": names, "description": words })
}

fn of_field(field: &FieldDescriptor) -> Value {
    if field.is_map() {
        let Kind::Message(entry) = field.kind() else {
            return json!({ "type": "object" });
        };
        let value = entry.get_field_by_name("value");
        let value = value.map_or_else(|| json!({}), |value| of_kind(&value.kind()));
        return json!({ "type": "object", "additionalProperties": value });
    }
    let one = of_kind(&field.kind());
    if field.is_list() {
        json!({ "type": "array", "items": one })
    } else {
        one
    }
}

fn of_kind(kind: &Kind) -> Value {
    match kind {
        Kind::Double => json!({ "type": "number", "format": "double" }),
        Kind::Float => json!({ "type": "number", "format": "float" }),
        Kind::Int32 | Kind::Sint32 | Kind::Sfixed32 => json!({
            "type": "integer",
            "format": "int32",
            "minimum": i32::MIN,
            "maximum": i32::MAX,
        }),
        Kind::Uint32 | Kind::Fixed32 => json!({
            "type": "integer",
            "minimum": 0,
            "maximum": u32::MAX,
        }),
        Kind::Int64 | Kind::Sint64 | Kind::Sfixed64 => {
            json!({ "type": "string", "pattern": "^-?[0-9]{1,19}$" })
        }
        Kind::Uint64 | Kind::Fixed64 => json!({ "type": "string", "pattern": "^[0-9]{1,20}$" }),
        Kind::Bool => json!({ "type": "boolean" }),
        Kind::String => json!({ "type": "string" }),
        Kind::Bytes => json!({
            "type": "string",
            "contentEncoding": "base64",
            "pattern": "^[A-Za-z0-9+/_-]*={0,2}$",
        }),
        Kind::Enum(kind) => json!({ "$ref": format!("#/components/schemas/{}", kind.name()) }),
        Kind::Message(message) => of_message(message),
    }
}

fn of_message(message: &MessageDescriptor) -> Value {
    inline(message).unwrap_or_else(|| {
        let name = message.name();
        json!({ "$ref": format!("#/components/schemas/{name}") })
    })
}

/// The schema of messages whose JSON is a form of its own; none for all others.
fn inline(message: &MessageDescriptor) -> Option<Value> {
    let schema = match message.full_name() {
        "google.protobuf.Timestamp" => json!({ "type": "string", "format": "date-time" }),
        "google.protobuf.Duration" => {
            json!({ "type": "string", "pattern": "^-?[0-9]+(\\.[0-9]{1,9})?s$" })
        }
        "google.protobuf.FieldMask" => json!({
            "type": "string",
            "description": "Names of fields with commas between them, such as `displayName,toleranceC`.",
        }),
        "google.protobuf.DoubleValue" | "google.protobuf.FloatValue" => json!({ "type": "number" }),
        "google.protobuf.Int32Value" | "google.protobuf.UInt32Value" => {
            json!({ "type": "integer" })
        }
        "google.protobuf.BoolValue" => json!({ "type": "boolean" }),
        "google.protobuf.StringValue"
        | "google.protobuf.Int64Value"
        | "google.protobuf.UInt64Value"
        | "google.protobuf.BytesValue" => json!({ "type": "string" }),
        "google.protobuf.Struct" | "google.protobuf.Any" => json!({ "type": "object" }),
        "google.protobuf.Value" => json!({}),
        _ => return None,
    };
    Some(schema)
}
