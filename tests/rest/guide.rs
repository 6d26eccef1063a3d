//! The commands of the integrator's guide are run as they stand, and answer what stands there.

use serde_json::json;

use crate::interface::Interface;

#[tokio::test]
async fn the_integrators_guide_does_what_it_says() {
    let (interface, bench) = Interface::with_bench().await;
    interface.network.bench_elsewhere("south", &bench).await;
    interface
        .network
        .batch("b2", ringtrue_tests::bench::batch())
        .await;
    let folder = tempfile::tempdir().expect("a folder");
    let more = json!({ "guide": "../deploy/integration.md", "folder": folder.path() });
    let printed = interface.python("guide.py", more).await;
    let compared: usize = printed.trim().parse().expect("a number");
    assert!(compared >= 12, "{compared}");
}
