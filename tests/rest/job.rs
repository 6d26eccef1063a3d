//! The main job over REST and over gRPC, by clients that share nothing with ours.

use serde_json::json;

use crate::interface::Interface;

use ringtrue_tests::bench::TABLE_CSV;

#[tokio::test]
async fn the_main_job_is_done_over_rest() {
    let interface = Interface::start().await;
    let printed = interface
        .python("job.py", json!({ "table": TABLE_CSV }))
        .await;
    assert_eq!(printed.trim(), "1519.0 19.0 1481.0");
    // What it recorded is what everybody else sees.
    let readings = interface.network.readings("sites/porto/furnaces/k2").await;
    assert_eq!(readings.len(), 1);
    let evaluation = readings[0].evaluation.as_ref().expect("evaluated");
    assert!((evaluation.ring_temperature_c - 1519.0).abs() < 1e-6);
    assert!((evaluation.plain_setpoint_c - 1481.0).abs() < 1e-6);
}
