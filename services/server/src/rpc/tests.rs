//! Checks that health is told for exactly the services there are.

use std::collections::BTreeSet;

use prost::Message as _;
use prost_types::FileDescriptorSet;
use tonic::Request;
use tonic_health::pb::HealthCheckRequest;
use tonic_health::pb::health_server::Health as _;

use super::*;

#[test]
fn the_services_whose_health_is_told_are_those_of_the_protocol() {
    let files = FileDescriptorSet::decode(ringtrue_proto::DESCRIPTORS)
        .expect("the descriptors were compiled with this program");
    let mut wanted = BTreeSet::from([String::new()]);
    for file in &files.file {
        for service in &file.service {
            wanted.insert(format!("{}.{}", file.package(), service.name()));
        }
    }
    let told: BTreeSet<String> = SERVICES.iter().map(|name| (*name).to_owned()).collect();
    assert_eq!(told, wanted);
}

#[tokio::test]
async fn health_is_told_for_every_service_and_can_be_taken_back() {
    let reporter = HealthReporter::new();
    let health = HealthService::from_health_reporter(reporter.clone());
    for wanted in [ServingStatus::Serving, ServingStatus::NotServing] {
        tell_health(&reporter, wanted).await;
        for name in SERVICES {
            let asked = Request::new(HealthCheckRequest {
                service: name.to_owned(),
            });
            let told = health
                .check(asked)
                .await
                .expect("the service is known")
                .into_inner();
            let wanted = if wanted == ServingStatus::Serving {
                1
            } else {
                2
            };
            assert_eq!(told.status, wanted, "{name}");
        }
    }
}
