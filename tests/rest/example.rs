//! The example for integrators, `clients/examples/python`, passes its own test against the real program.

use std::net::TcpListener;

use ringtrue_proto::v1;
use ringtrue_tests::laboratory::{ask, furnish, remote};
use ringtrue_tests::process::{Server, program};
use ringtrue_tests::python::asked;
use serde_json::json;

/// Furnaces of the laboratory: one for each test of the example.
const FURNACES: usize = 9;

#[tokio::test]
async fn the_example_survives_everything_without_doubling_anything() {
    let folder = tempfile::tempdir().expect("a folder");
    let database = folder.path().join("ringtrue.db");
    let server = Server::serve(&database);
    let remote = remote(&server);
    furnish(&remote, FURNACES).await;
    // 19.47 mm: the first furnace is 19 °C too hot (the trade's own worked figure; common practice, no source).
    remote
        .record_reading(ask(0, 0))
        .await
        .expect("a reading outside tolerance");
    let credential = v1::CreateCredentialRequest {
        credential: Some(v1::Credential {
            display_name: "laboratory system".to_owned(),
            kind: v1::CredentialKind::Integration.into(),
            grant: Some(v1::Grant {
                role: v1::Role::Integration.into(),
                permissions: vec![v1::Permission::Read.into(), v1::Permission::Record.into()],
                sites: vec!["sites/north".to_owned()],
                ..v1::Grant::default()
            }),
            ..v1::Credential::default()
        }),
        ..v1::CreateCredentialRequest::default()
    };
    let made = remote.create_credential(credential).await;
    let token = made.expect("a credential").token;
    drop(remote);
    // The client's side of the connection must go on, or the server waits for it to say goodbye.
    tokio::task::spawn_blocking(move || server.stop())
        .await
        .expect("it stops");
    // The program stops and starts the server itself, always at this address.
    let free = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let http = free.local_addr().expect("its address").to_string();
    drop(free);
    let settings = folder.path().join("server.toml");
    let text = format!("[http]\nlisten = \"{http}\"\n");
    std::fs::write(&settings, text).expect("written");
    let known = json!({
        "server": [
            program("ringtrue-server"), "serve", "--listen", "127.0.0.1:0",
            "--config", settings, "--database", database,
        ],
        "database": database,
        "http": http,
        "token": token,
    });
    let test = "../clients/examples/python/test_firing_bridge.py";
    tokio::task::spawn_blocking(move || asked(test, &known.to_string()))
        .await
        .expect("it does not panic");
}
