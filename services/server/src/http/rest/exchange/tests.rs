//! Checks of requests of many messages, with a protocol of their own.

use prost_reflect::{DescriptorPool, ReflectMessage as _};
use prost_types::field_descriptor_proto::{Label, Type};
use prost_types::{
    DescriptorProto, FieldDescriptorProto, FileDescriptorProto, FileDescriptorSet,
    MethodDescriptorProto, ServiceDescriptorProto,
};
use tonic_types::StatusExt as _;

use super::super::routing::Call;
use super::super::template::Template;
use super::*;

fn field(name: &str, number: i32, kind: Type) -> FieldDescriptorProto {
    FieldDescriptorProto {
        name: Some(name.to_owned()),
        number: Some(number),
        label: Some(Label::Optional.into()),
        r#type: Some(kind.into()),
        ..FieldDescriptorProto::default()
    }
}

/// A call that takes and gives many messages, whose path fills `parent`.
fn asked(path: &str) -> Asked {
    let file = FileDescriptorProto {
        name: Some("upload.proto".to_owned()),
        package: Some("upload".to_owned()),
        syntax: Some("proto3".to_owned()),
        message_type: vec![DescriptorProto {
            name: Some("Ask".to_owned()),
            field: vec![
                field("parent", 1, Type::String),
                field("width_mm", 2, Type::Double),
            ],
            ..DescriptorProto::default()
        }],
        service: vec![ServiceDescriptorProto {
            name: Some("Uploads".to_owned()),
            method: vec![MethodDescriptorProto {
                name: Some("Upload".to_owned()),
                input_type: Some(".upload.Ask".to_owned()),
                output_type: Some(".upload.Ask".to_owned()),
                client_streaming: Some(true),
                server_streaming: Some(true),
                ..MethodDescriptorProto::default()
            }],
            ..ServiceDescriptorProto::default()
        }],
        ..FileDescriptorProto::default()
    };
    let set = FileDescriptorSet { file: vec![file] };
    let pool = DescriptorPool::from_file_descriptor_set(set).expect("a protocol");
    let service = pool
        .get_service_by_name("upload.Uploads")
        .expect("a service");
    let method = service.methods().next().expect("a call");
    let route = Route {
        verb: Method::POST,
        template: Template::parse("/v1/{parent=sites/*}/asks:upload").expect("a template"),
        body: BodyPart::Whole,
        shown: None,
        call: Arc::new(Call {
            method,
            path: "/upload.Uploads/Upload".parse().expect("a path"),
            most_bytes: 64,
        }),
    };
    Asked {
        route: Arc::new(route),
        values: vec![("parent".to_owned(), path.to_owned())],
        query: None,
        headers: HeaderMap::new(),
        peer: None,
    }
}

async fn messages(body: &'static str) -> Vec<Result<String, Status>> {
    let asked = asked("sites/north");
    let message = asked.route.call.method.input();
    let read = asked.messages(Body::from(body)).collect::<Vec<_>>().await;
    read.into_iter()
        .map(|bytes| {
            let message = DynamicMessage::decode(message.clone(), bytes?).expect("a message");
            assert_eq!(message.descriptor().name(), "Ask");
            let text = json::written(&message).expect("JSON");
            Ok(String::from_utf8(text).expect("text"))
        })
        .collect()
}

#[tokio::test]
async fn each_line_is_a_message_with_what_the_path_says() {
    let read =
        messages("{\"widthMm\":19.47}\n\n{\"width_mm\":19.5,\"parent\":\"sites/north\"}\n{}").await;
    let texts: Vec<String> = read
        .into_iter()
        .map(|one| one.expect("a message"))
        .collect();
    assert_eq!(
        texts,
        [
            r#"{"parent":"sites/north","widthMm":19.47}"#,
            r#"{"parent":"sites/north","widthMm":19.5}"#,
            r#"{"parent":"sites/north"}"#,
        ]
    );
}

#[tokio::test]
async fn a_bad_line_is_told_by_its_number_and_field() {
    let read = messages("{}\n\n{\"height\":1}\n").await;
    assert!(read[0].is_ok());
    let fault = read[1].as_ref().expect_err("refused");
    assert!(fault.message().starts_with("line 3: "), "{fault:?}");
    let details = fault.get_error_details();
    let violations = details.bad_request().expect("violations");
    assert_eq!(violations.field_violations[0].field, "height");

    let read = messages("{\"parent\":\"sites/south\"}\n").await;
    assert!(read[0].is_err(), "the path says another site");
    let read = messages(
        "{\"parent\":\"a text that is far too long for a line of this call, by some letters\"}",
    )
    .await;
    assert!(read[0].is_err(), "a line has a limit");
}
