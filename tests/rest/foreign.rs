//! Clients of other makers over gRPC: Python's, once by reflection alone and once by stubs made from the protocol
//! files.

use ringtrue_tests::bench::TABLE_CSV;
use serde_json::json;

use crate::interface::Interface;

#[tokio::test]
async fn a_client_that_knows_only_reflection_does_the_main_job() {
    let interface = Interface::start().await;
    let more = json!({ "table": TABLE_CSV, "by": "reflection" });
    let printed = interface.python("grpc_job.py", more).await;
    assert_eq!(printed.trim(), "1519.0 19.0 1481.0");
}

#[tokio::test]
async fn a_client_made_from_the_protocol_files_does_the_main_job() {
    let interface = Interface::start().await;
    let folder = tempfile::tempdir().expect("a folder");
    let more = json!({
        "table": TABLE_CSV,
        "by": "stubs",
        "proto": "../proto",
        "out": folder.path(),
    });
    let printed = interface.python("grpc_job.py", more).await;
    assert_eq!(printed.trim(), "1519.0 19.0 1481.0");
}
