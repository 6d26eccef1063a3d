//! One call by one path.

use prost_reflect::{FieldDescriptor, Kind, MessageDescriptor};
use serde_json::{Map, Value, json};

use super::super::parameters::is_one_text;
use super::super::routing::{BodyPart, Route};
use super::super::{media, preconditions};
use super::comments::{comment, first_sentence};
use super::schema::Schemas;
use crate::rpc;

/// How deep messages in a query go.
const DEEPEST: usize = 3;

/// Writes the operation of a route, with its path.
pub(super) fn written(route: &Route, id: &str, schemas: &mut Schemas) -> (String, Value) {
    let method = &route.call.method;
    let words = comment(&method.parent_file(), method.path());
    let (path, names) = route.template.spelt_out();
    let mut parameters: Vec<Value> = names.iter().map(|name| in_path(name)).collect();
    let mut at = String::new();
    in_query(route, &method.input(), &mut at, 0, schemas, &mut parameters);
    in_headers(route, &mut parameters);
    let mut operation = Map::new();
    operation.insert("operationId".to_owned(), id.into());
    operation.insert("tags".to_owned(), json!([method.parent_service().name()]));
    operation.insert("summary".to_owned(), first_sentence(&words).into());
    operation.insert("description".to_owned(), words.into());
    operation.insert("parameters".to_owned(), parameters.into());
    if let Some(message) = route.body_message() {
        let kind = if route.call.takes_many() {
            media::LINES
        } else {
            media::JSON
        };
        let schema = schemas.sent(&message);
        operation.insert(
            "requestBody".to_owned(),
            json!({ "required": true, "content": { kind: { "schema": schema } } }),
        );
    }
    operation.insert("responses".to_owned(), responses(route, schemas));
    if rpc::is_open(route.call.path.path()) {
        operation.insert("security".to_owned(), json!([]));
    }
    (path, operation.into())
}

fn in_path(name: &str) -> Value {
    json!({
        "name": name,
        "in": "path",
        "required": true,
        "description": "The last part of its resource name.",
        "schema": { "type": "string", "minLength": 1 },
    })
}

/// The parameters of a query; `at` is the path of `message` in the request, as JSON names it.
fn in_query(
    route: &Route,
    message: &MessageDescriptor,
    at: &mut String,
    depth: usize,
    schemas: &mut Schemas,
    parameters: &mut Vec<Value>,
) {
    if matches!(route.body, BodyPart::Whole) {
        return;
    }
    for field in message.fields() {
        let is_body = matches!(&route.body, BodyPart::Field(body) if depth == 0 && *body == field);
        let is_in_path = depth == 0 && route.template.fields().any(|name| name == field.name());
        if is_body || is_in_path || field.is_map() {
            continue;
        }
        let before = at.len();
        at.push_str(field.json_name());
        if is_one_text(&field) {
            parameters.push(in_query_one(&field, at, schemas));
        } else if let Kind::Message(inner) = field.kind()
            && !field.is_list()
            && depth + 1 < DEEPEST
        {
            at.push('.');
            in_query(route, &inner, at, depth + 1, schemas, parameters);
        }
        at.truncate(before);
    }
}

fn in_query_one(field: &FieldDescriptor, name: &str, schemas: &mut Schemas) -> Value {
    json!({
        "name": name,
        "in": "query",
        "description": comment(&field.parent_file(), field.path()),
        "schema": schemas.parameter(field),
    })
}

fn in_headers(route: &Route, parameters: &mut Vec<Value>) {
    if preconditions::repeats(route) {
        parameters.push(json!({
            "name": "Idempotency-Key",
            "in": "header",
            "description": "A new UUID for each change, the same one for each repeat of it: a repeat gets the first \
                answer and changes nothing. Any other text of 1 to 255 letters counts for this credential alone. \
                Stands for the request's `requestId`.",
            "schema": { "type": "string", "minLength": 1, "maxLength": 255, "pattern": "^[!-~]+$" },
        }));
    }
    if preconditions::place_of_etag(route).is_some() {
        parameters.push(json!({
            "name": "If-Match",
            "in": "header",
            "description": "The `ETag` of the answer that the change is made from: when somebody has changed it since, \
                nothing is done and 412 is answered.",
            "schema": { "type": "string", "pattern": "^\"[!#-~]*\"$" },
        }));
    }
    if route.verb == http::Method::GET && !route.call.gives_many() {
        parameters.push(json!({
            "name": "If-None-Match",
            "in": "header",
            "description": "The `ETag` of an earlier answer: when nothing has changed since, 304 is answered without a \
                body.",
            "schema": { "type": "string", "pattern": "^[!-~ ]*$" },
        }));
    }
}

fn responses(route: &Route, schemas: &mut Schemas) -> Value {
    let message = route.shown_message();
    let shown = schemas.shown(&message);
    let mut done = json!({ "description": "Done." });
    let is_read = route.verb == http::Method::GET;
    if route.call.gives_many() {
        done["description"] =
            "Messages, one on each line as soon as it is there. Empty lines are signs of life. A \
            failure in the middle is the last line, `{\"error\": …}` with a problem in it."
                .into();
        done["content"] = json!({ media::LINES: { "schema": shown } });
    } else {
        done["content"] = json!({ media::JSON: { "schema": shown } });
        let mut headers = Map::new();
        if is_read || message.get_field_by_name("etag").is_some() {
            headers.insert(
                "ETag".to_owned(),
                json!({
                    "description": "The version of what is shown, for `If-Match` and `If-None-Match`.",
                    "schema": { "type": "string" },
                }),
            );
        }
        if message.get_field_by_name("next_page_token").is_some() {
            headers.insert(
                "Link".to_owned(),
                json!({
                    "description": "The next page, `rel=\"next\"`, relative to this address; missing at the end.",
                    "schema": { "type": "string" },
                }),
            );
        }
        if !headers.is_empty() {
            done["headers"] = headers.into();
        }
    }
    let mut responses = json!({
        "200": done,
        "default": { "$ref": "#/components/responses/Problem" },
    });
    if is_read && !route.call.gives_many() {
        responses["304"] = json!({ "description": "Nothing has changed since." });
    }
    responses
}
