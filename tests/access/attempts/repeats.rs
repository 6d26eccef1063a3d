//! Request ids, taken over from somebody else.

use prost::Message as _;
use ringtrue_proto::v1;
use tonic::Code;

use super::leaks;
use crate::scene::{At, FOREIGN, Scene};

const REQUEST: &str = "01890a5d-ac96-774b-bcce-b302099a8057";

#[tokio::test]
async fn the_request_id_of_another_site_gives_nobody_its_answer() {
    let scene = Scene::set().await;
    let ask = |parent: &str, name: &str| {
        format!(
            r#"{{"parent":"{parent}","furnace_id":"k7","request_id":"{REQUEST}","furnace":{{
                "display_name":"{name}","maximum_setpoint_c":1650,
                "heating_element":"HEATING_ELEMENT_MOLYBDENUM_DISILICIDE",
                "control_thermocouple":"THERMOCOUPLE_TYPE_B"}}}}"#
        )
    };
    let theirs = ask("sites/south", FOREIGN);
    let call = "FurnaceService/CreateFurnace";
    let made = scene.call_as(scene.caller("quality"), call, &theirs).await;
    assert!(made.is_ok(), "{made:?}");

    let manager = scene.caller("site manager");
    let status = scene.call_as(manager, call, &theirs).await;
    assert_eq!(
        status.expect_err("another's").code(),
        Code::PermissionDenied
    );
    let own = ask("sites/north", "K7");
    let status = scene.call_as(manager, call, &own).await;
    let status = status.expect_err("the id is taken");
    assert_eq!(status.code(), Code::AlreadyExists, "{status}");
    assert!(
        !leaks(status.message().as_bytes()) && !leaks(status.details()),
        "{status:?}"
    );
    // Nor does another call under the same id.
    let other = format!(r#"{{"name":"sites/north/calendarFeeds/f1","request_id":"{REQUEST}"}}"#);
    let status = scene
        .call_as(manager, "DeliveryService/DeleteCalendarFeed", &other)
        .await;
    let status = status.expect_err("the id is taken");
    assert!(
        !leaks(status.message().as_bytes()) && !leaks(status.details()),
        "{status:?}"
    );
    scene.network.stop().await;
}

#[tokio::test]
async fn two_who_rotate_their_own_credentials_under_one_request_id_get_each_their_own() {
    let scene = Scene::set().await;
    let ask = format!(r#"{{"request_id":"{REQUEST}"}}"#);
    let call = "AccessService/RotateCredential";
    let first = scene.call_as(scene.caller("auditor"), call, &ask).await;
    let first = v1::RotateCredentialResponse::decode(first.expect("rotated").as_slice());
    let first = first.expect("an answer");
    assert!(!first.token.is_empty());
    match scene.call_as(scene.caller("technician"), call, &ask).await {
        Ok(answer) => {
            let second =
                v1::RotateCredentialResponse::decode(answer.as_slice()).expect("an answer");
            assert_ne!(
                second.credential.expect("told").name,
                first.credential.expect("told").name
            );
        }
        Err(status) => {
            let text = format!("{status:?}");
            let name = first.credential.expect("told").name;
            assert!(
                !text.contains(&name) && !text.contains(&first.token),
                "{text}"
            );
        }
    }
    scene.network.stop().await;
}

#[tokio::test]
async fn everybody_may_rotate_their_own_credential_and_the_secret_before_ends() {
    let scene = Scene::set().await;
    for caller in &scene.callers {
        let call = "AccessService/RotateCredential";
        let rotated = scene.call_as(caller, call, "{}").await;
        let rotated = rotated.unwrap_or_else(|status| panic!("{}: {status}", caller.name));
        let rotated = v1::RotateCredentialResponse::decode(rotated.as_slice()).expect("an answer");
        let before = scene.call_as(caller, "AccessService/WhoAmI", "{}").await;
        let status = before.expect_err("the secret before");
        assert_eq!(status.code(), Code::Unauthenticated, "{}", caller.name);
        let mut now = caller.clone();
        now.token = rotated.token;
        let known = scene.call_as(&now, "AccessService/WhoAmI", "{}").await;
        assert!(known.is_ok(), "{}: {known:?}", caller.name);
    }
    scene.network.stop().await;
}

#[tokio::test]
async fn a_repeat_shows_no_token_to_whoever_asks_again() {
    let scene = Scene::set().await;
    let ask = scene.filled(
        At::Own,
        r#"{"request_id":"01890a5d-ac96-774b-bcce-b302099a8058","credential":{"display_name":"Again",
            "kind":"CREDENTIAL_KIND_DEVICE","grant":{"role":"ROLE_TECHNICIAN","sites":["{site}"]}}}"#,
    );
    let call = "AccessService/CreateCredential";
    let first = scene
        .call_as(scene.caller("administrator"), call, &ask)
        .await;
    let first = v1::CreateCredentialResponse::decode(first.expect("made").as_slice());
    let first = first.expect("an answer");
    assert!(first.token.starts_with("rt1."));
    let again = scene
        .call_as(scene.caller("site manager"), call, &ask)
        .await;
    let again = v1::CreateCredentialResponse::decode(again.expect("told").as_slice());
    let again = again.expect("an answer");
    assert_eq!(
        (again.token.as_str(), again.credential),
        ("", first.credential)
    );
    scene.network.stop().await;
}
