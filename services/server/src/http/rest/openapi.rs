//! The interface's description as OpenAPI 3.1, from the same descriptors that requests are answered by.

mod comments;
mod operation;
mod schema;

use std::collections::BTreeMap;

use serde_json::{Map, Value, json};

use self::comments::comment;
use self::schema::Schemas;
use super::problem::TYPE;
use super::routing::Table;

/// What the description says of the whole.
const ABOUT: &str = "Calibration fleet management of sintering furnaces in dental laboratories. This is the gRPC \
    interface `ringtrue.v1` as REST and JSON: the same calls, messages, rights and limits. Messages are canonical \
    protobuf JSON: names in lowerCamelCase (the protocol's own spelling is read too), fields without a value left out, \
    64-bit numbers as text, unknown fields refused. Every failure is a problem (RFC 9457). This description holds no \
    data and is served without a credential.";

/// Writes the description; `public_url` is where the interface is reached from outside.
pub(super) fn document(table: &Table, public_url: Option<&str>) -> Value {
    let mut schemas = Schemas::default();
    let mut paths: BTreeMap<String, Map<String, Value>> = BTreeMap::new();
    let mut tags: Vec<Value> = Vec::new();
    let mut operations: BTreeMap<String, usize> = BTreeMap::new();
    for route in table.routes() {
        let service = route.call.method.parent_service();
        if tags.iter().all(|tag| tag["name"] != service.name()) {
            tags.push(json!({
                "name": service.name(),
                "description": comment(&service.parent_file(), service.path()),
            }));
        }
        let id = format!("{}_{}", service.name(), route.call.method.name());
        let number = operations.entry(id.clone()).or_default();
        *number += 1;
        let id = match *number {
            1 => id,
            number => format!("{id}_{number}"),
        };
        let (path, operation) = operation::written(route, &id, &mut schemas);
        let verb = route.verb.as_str().to_ascii_lowercase();
        paths.entry(path).or_default().insert(verb, operation);
    }
    let mut all = schemas.written();
    all.insert("Problem".to_owned(), problem());
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Ringtrue",
            "version": env!("CARGO_PKG_VERSION"),
            "description": ABOUT,
            "license": { "name": "Apache-2.0", "identifier": "Apache-2.0" },
        },
        "servers": [{ "url": public_url.unwrap_or("/") }],
        "security": [{ "bearer": [] }],
        "tags": tags,
        "paths": paths,
        "components": {
            "schemas": all,
            "securitySchemes": {
                "bearer": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "The token of a credential; see AccessService. A client certificate that a \
                        credential is bound to proves it too, on an encrypted connection.",
                },
            },
            "responses": {
                "Problem": {
                    "description": "Why it was not done.",
                    "headers": {
                        "Retry-After": {
                            "description": "Seconds after which the same request may be sent again.",
                            "schema": { "type": "integer", "minimum": 0 },
                        },
                    },
                    "content": {
                        "application/problem+json": {
                            "schema": { "$ref": "#/components/schemas/Problem" },
                        },
                    },
                },
            },
        },
    })
}

fn problem() -> Value {
    json!({
        "type": "object",
        "description": "A failure (RFC 9457).",
        "required": ["type", "title", "status", "detail", "instance", "code", "reason"],
        "properties": {
            "type": {
                "type": "string",
                "format": "uri",
                "description": format!("`{TYPE}` and the reason; stable."),
            },
            "title": { "type": "string", "description": "The reason in words; the same for every problem of a type." },
            "status": { "type": "integer", "description": "The HTTP status." },
            "detail": { "type": "string", "description": "What is wrong here and what to do next, for people." },
            "instance": {
                "type": "string",
                "format": "uri",
                "description": "Names this failure; the server's log has it too.",
            },
            "code": { "type": "string", "description": "The code over gRPC, such as INVALID_ARGUMENT." },
            "reason": { "type": "string", "description": "The stable reason, such as BAD_VALUES, for programs." },
            "metadata": {
                "type": "object",
                "description": "What of the words changes, for programs.",
                "additionalProperties": { "type": "string" },
            },
            "violations": {
                "type": "array",
                "description": "Everything that is wrong with the request, or every question that is open.",
                "items": {
                    "type": "object",
                    "required": ["field", "description"],
                    "properties": {
                        "field": { "type": "string", "description": "The field's path, as the protocol spells it." },
                        "reason": { "type": "string", "description": "A stable reason, or a question's code." },
                        "description": { "type": "string", "description": "What is wrong and what to do next." },
                        "suggestion": { "type": "string", "description": "The value that was probably meant." },
                    },
                },
            },
            "retry_after_s": { "type": "number", "description": "Seconds after which to try again." },
        },
    })
}

#[cfg(test)]
mod tests;
