//! Health, reflection, and an orderly end.

use std::collections::BTreeSet;

use ringtrue_proto::v1;
use ringtrue_server::lifecycle::Exit;
use ringtrue_server::rpc::SERVICES;
use ringtrue_tests::Network;
use tonic::Code;
use tonic_health::pb::HealthCheckRequest;
use tonic_health::pb::health_check_response::ServingStatus;
use tonic_health::pb::health_client::HealthClient;
use tonic_reflection::pb::v1::ServerReflectionRequest;
use tonic_reflection::pb::v1::server_reflection_client::ServerReflectionClient;
use tonic_reflection::pb::v1::server_reflection_request::MessageRequest;
use tonic_reflection::pb::v1::server_reflection_response::MessageResponse;

#[tokio::test]
async fn every_service_says_that_it_serves_and_an_unknown_one_is_not_found() {
    let network = Network::start().await;
    let mut health = HealthClient::new(network.channel());
    for service in SERVICES {
        let ask = HealthCheckRequest {
            service: service.to_owned(),
        };
        let answer = health.check(ask).await.expect("answered").into_inner();
        assert_eq!(answer.status(), ServingStatus::Serving, "{service}");
    }
    let ask = HealthCheckRequest {
        service: "ringtrue.v1.NoService".to_owned(),
    };
    let refused = health.check(ask).await.expect_err("unknown");
    assert_eq!(refused.code(), Code::NotFound);
    network.stop().await;
}

#[tokio::test]
async fn a_watcher_learns_that_the_server_stops() {
    let network = Network::start().await;
    let mut health = HealthClient::new(network.channel());
    let ask = HealthCheckRequest {
        service: String::new(),
    };
    let mut watched = health.watch(ask).await.expect("answered").into_inner();
    let first = watched.message().await.expect("told").expect("something");
    assert_eq!(first.status(), ServingStatus::Serving);
    network.lifecycle.drain.cancel();
    let mut last = None;
    while let Ok(Some(told)) = watched.message().await {
        last = Some(told.status());
    }
    assert_eq!(last, Some(ServingStatus::NotServing));
    drop(health);
    assert_eq!(network.stop().await, Exit::Clean);
}

#[tokio::test]
async fn a_server_ends_cleanly_also_after_a_change_it_refused() {
    // A refusal leaves its transaction to the next one; the end of the server is a next one too.
    let network = Network::start().await;
    let bench = network.bench().await;
    let ask = v1::UpdateSiteRequest {
        site: Some(v1::Site {
            name: bench.site.clone(),
            tolerance_c: 6.0,
            etag: "\"stale\"".to_owned(),
            ..v1::Site::default()
        }),
        ..v1::UpdateSiteRequest::default()
    };
    network.remote.update_site(ask).await.expect_err("stale");
    assert_eq!(network.stop().await, Exit::Clean);
}

async fn reflected(network: &Network, question: MessageRequest) -> MessageResponse {
    let mut client = ServerReflectionClient::new(network.channel());
    let ask = ServerReflectionRequest {
        host: String::new(),
        message_request: Some(question),
    };
    let asks = futures::stream::iter([ask]);
    let mut answers = client
        .server_reflection_info(asks)
        .await
        .expect("answered")
        .into_inner();
    let answer = answers.message().await.expect("told").expect("something");
    answer.message_response.expect("an answer")
}

#[tokio::test]
async fn reflection_lists_every_service_and_gives_the_protocol_with_its_comments() {
    use prost::Message as _;

    let network = Network::start().await;
    let listed = reflected(&network, MessageRequest::ListServices(String::new())).await;
    let MessageResponse::ListServicesResponse(listed) = listed else {
        panic!("{listed:?} is no list");
    };
    let names: BTreeSet<String> = listed.service.into_iter().map(|one| one.name).collect();
    for service in SERVICES.iter().filter(|name| !name.is_empty()) {
        assert!(names.contains(*service), "{service} is not among {names:?}");
    }
    let symbol = "ringtrue.v1.ReadingService.RecordReading".to_owned();
    let found = reflected(&network, MessageRequest::FileContainingSymbol(symbol)).await;
    let MessageResponse::FileDescriptorResponse(found) = found else {
        panic!("{found:?} is no file");
    };
    let file = prost_types::FileDescriptorProto::decode(found.file_descriptor_proto[0].as_slice());
    let file = file.expect("a protocol file");
    assert_eq!(file.name(), "ringtrue/v1/readings.proto");
    let has_comments = file.source_code_info.is_some_and(|info| {
        info.location
            .iter()
            .any(|at| !at.leading_comments().is_empty())
    });
    assert!(has_comments, "the comments are the manual");
    network.stop().await;
}
