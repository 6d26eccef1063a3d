//! Every call of the protocol, found in the descriptors, is reached by its path.

use prost_reflect::{DescriptorPool, DynamicMessage, MethodDescriptor, ReflectMessage as _, Value};

use crate::interface::Interface;

/// A binding as the protocol files write it: HTTP method, path template, whether it has a body.
fn bindings(pool: &DescriptorPool, method: &MethodDescriptor) -> Vec<(String, String, bool)> {
    let http = pool
        .get_extension_by_name("google.api.http")
        .expect("the annotations are among the descriptors");
    let options = method.options();
    let rule = options.get_extension(&http);
    let rule = rule.as_message().expect("a rule");
    let more = rule.get_field_by_name("additional_bindings");
    let more: Vec<Value> = more
        .and_then(|more| more.as_list().map(<[Value]>::to_vec))
        .unwrap_or_default();
    let mut all = vec![binding(rule)];
    all.extend(more.iter().filter_map(Value::as_message).map(binding));
    all
}

fn binding(rule: &DynamicMessage) -> (String, String, bool) {
    let text = |name: &str| {
        let value = rule.get_field_by_name(name).expect("a field of the rule");
        value.as_str().unwrap_or_default().to_owned()
    };
    for verb in ["get", "put", "post", "delete", "patch"] {
        let path = text(verb);
        if !path.is_empty() {
            return (verb.to_uppercase(), path, !text("body").is_empty());
        }
    }
    panic!("no path in {:?}", rule.descriptor().full_name());
}

/// A path that a template matches: each star is `x1`, and braces are gone.
fn filled(template: &str) -> String {
    let mut path = String::new();
    let mut rest = template;
    while let Some((before, inside)) = rest.split_once('{') {
        let (inside, after) = inside.split_once('}').expect("braces come in pairs");
        let (_, pattern) = inside.split_once('=').expect("names have patterns");
        path.push_str(before);
        path.push_str(&pattern.replace('*', "x1"));
        rest = after;
    }
    path + rest
}

#[tokio::test]
async fn every_call_is_reached_by_every_one_of_its_paths() {
    let interface = Interface::start().await;
    let pool = DescriptorPool::decode(ringtrue_proto::DESCRIPTORS).expect("readable");
    let mut made = 0;
    for service in pool.services() {
        for method in service.methods() {
            for (verb, template, has_body) in bindings(&pool, &method) {
                let path = filled(&template);
                let body = match path.as_str() {
                    // Without a name it would be the caller's own.
                    "/v1/credentials:rotate" => r#"{"name":"credentials/x1"}"#,
                    _ if has_body => "{}",
                    _ => "",
                };
                // A method that the path does not have is told which ones it has.
                let other = interface.asked("CONNECTED", &path, "", "").await;
                assert_eq!(other.status, 405, "{path}: {other:?}");
                let allowed = other.header("allow").expect("it says which");
                assert!(
                    allowed
                        .split(", ")
                        .any(|one| one.eq_ignore_ascii_case(&verb)),
                    "{path}: {allowed}"
                );
                if method.is_server_streaming() {
                    continue;
                }
                let answer = interface.asked(&verb, &path, "", body).await;
                assert!(answer.status < 500, "{verb} {path}: {answer:?}");
                if answer.status >= 400 {
                    let reason = answer.reason();
                    for unreached in [
                        "NO_SUCH_PATH",
                        "METHOD_NOT_ALLOWED",
                        "UNKNOWN_METHOD",
                        "UNSUPPORTED_MEDIA_TYPE",
                        "MALFORMED_REQUEST",
                        "UNAUTHENTICATED",
                    ] {
                        let is_enrolment = path == "/v1:enrol";
                        assert!(
                            reason != unreached || is_enrolment,
                            "{verb} {path}: {answer:?}"
                        );
                    }
                }
                made += 1;
            }
        }
    }
    assert!(made > 85, "{made}");
}
