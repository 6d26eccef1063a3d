//! What travels beside a message: paths, schemes, sizes, codes of others.

use prost::Message as _;
use ringtrue_proto::v1;
use ringtrue_tests::wire;
use tonic::Code;
use tonic::metadata::{MetadataMap, MetadataValue};

use crate::scene::{Scene, bearer};

#[tokio::test]
async fn a_scheme_is_read_in_any_case_and_a_token_as_it_is() {
    let scene = Scene::set().await;
    let token = &scene.caller("technician").token;
    for scheme in ["Bearer", "bearer", "BEARER"] {
        let mut metadata = MetadataMap::new();
        let value = MetadataValue::try_from(format!("{scheme} {token}")).expect("it can travel");
        metadata.insert("authorization", value);
        let known = scene.call("AccessService/WhoAmI", "{}", metadata).await;
        let known = v1::WhoAmIResponse::decode(known.expect("known").as_slice());
        assert_eq!(known.expect("an answer").sites, ["sites/north"], "{scheme}");
    }
    scene.network.stop().await;
}

#[tokio::test]
async fn a_header_without_measure_is_refused_and_nobody_else_notices() {
    let scene = Scene::set().await;
    let good = bearer(&scene.caller("technician").token);
    for bytes in [20_000, 200_000, 2_000_000] {
        let refused = scene
            .call("AccessService/WhoAmI", "{}", bearer(&"x".repeat(bytes)))
            .await;
        assert!(refused.is_err(), "{bytes} bytes of a token were taken");
        let mut beside = good.clone();
        let long = MetadataValue::try_from("x".repeat(bytes)).expect("it can travel");
        beside.insert("ringtrue-operator", long);
        let refused = scene.call("AccessService/WhoAmI", "{}", beside).await;
        assert!(refused.is_err(), "{bytes} bytes of a staff code were taken");
        let known = scene.call("AccessService/WhoAmI", "{}", good.clone()).await;
        assert!(known.is_ok(), "after {bytes} bytes: {known:?}");
    }
    scene.network.stop().await;
}

#[tokio::test]
async fn no_spelling_of_a_path_leads_past_the_gate() {
    let scene = Scene::set().await;
    let before = scene.on_record().await;
    let message = scene.bytes("SiteService/ListSites", "{}");
    for path in [
        "/ringtrue.v1.SiteService/ListSites",
        "//ringtrue.v1.SiteService/ListSites",
        "/ringtrue.v1.SiteService//ListSites",
        "/ringtrue.v1.SiteService/ListSites/",
        "/ringtrue.v1.SiteService/ListSites?x=/ringtrue.v1.AccessService/Enrol",
        "/RINGTRUE.V1.SITESERVICE/LISTSITES",
        "/ringtrue.v1.SiteService/%4cistSites",
        "/ringtrue.v1.AccessService/Enrol/../../ringtrue.v1.SiteService/ListSites",
        "/ringtrue.v1.AccessService/../ringtrue.v1.SiteService/ListSites",
        "/grpc.health.v1.Health/../ringtrue.v1.SiteService/ListSites",
        "/grpc.health.v1.Health/ringtrue.v1.SiteService/ListSites",
        "/grpc.health.v1.Health/ListSites",
        "//grpc.health.v1.Health/../ringtrue.v1.SiteService/ListSites",
        "/ringtrue.v1.AccessService/WhoAmI",
        "/ringtrue.v1.AccessService/enrol",
    ] {
        let answer = wire::first(
            scene.network.channel(),
            path,
            message.clone(),
            MetadataMap::new(),
        );
        let status = answer.await.expect_err("nobody may");
        assert!(
            matches!(status.code(), Code::Unauthenticated | Code::Unimplemented),
            "{path}: {status}"
        );
    }
    assert_eq!(scene.on_record().await, before);
    scene.network.stop().await;
}

#[tokio::test]
async fn what_the_protocol_is_is_told_to_those_who_are_known_only() {
    let scene = Scene::set().await;
    for version in ["v1", "v1alpha"] {
        let path = format!("/grpc.reflection.{version}.ServerReflection/ServerReflectionInfo");
        let answer = wire::first(
            scene.network.channel(),
            &path,
            Vec::new(),
            MetadataMap::new(),
        );
        let status = answer.await.expect_err("nobody may");
        assert_eq!(status.code(), Code::Unauthenticated, "{version}: {status}");
    }
    let path = "/grpc.health.v1.Health/Check";
    let answer = wire::first(
        scene.network.channel(),
        path,
        Vec::new(),
        MetadataMap::new(),
    );
    assert!(
        answer.await.is_ok(),
        "whether it is well is told to everybody"
    );
    scene.network.stop().await;
}

#[tokio::test]
async fn whoever_is_let_in_by_a_token_is_not_let_in_as_anybody_else_by_a_header() {
    let scene = Scene::set().await;
    let token = &scene.caller("technician").token;
    for (name, value) in [
        ("x-forwarded-for", "127.0.0.1"),
        ("forwarded", "for=127.0.0.1"),
        ("x-real-ip", "127.0.0.1"),
        ("x-forwarded-client-cert", "Hash=ab"),
        ("x-ringtrue-role", "administrator"),
        ("ringtrue-sites", "sites/south"),
        ("ringtrue-operator", "administrator"),
    ] {
        let mut metadata = bearer(token);
        metadata.insert(name, value.parse().expect("it can travel"));
        let ask = r#"{"name":"sites/south"}"#;
        let status = scene.call("SiteService/GetSite", ask, metadata).await;
        let status = status.expect_err("another's");
        let is_refused = matches!(
            status.code(),
            Code::PermissionDenied | Code::InvalidArgument
        );
        assert!(is_refused, "{name}: {status}");
    }
    scene.network.stop().await;
}
