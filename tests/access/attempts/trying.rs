//! Trying out: what those may do who advise and do not record.

use prost::Message as _;
use ringtrue_proto::v1;
use tonic::Code;

use crate::scene::{At, Scene};
use crate::table::rows;

#[tokio::test]
async fn support_tries_readings_out_and_records_none() {
    let scene = Scene::set().await;
    let before = scene.on_record().await;
    let support = scene.caller("support");
    let mut tried = 0;
    for row in rows() {
        let is_tried = row.ask.contains(r#""validate_only":true"#);
        if row.call == "ReadingService/RecordReading" && is_tried {
            let (_, answer) = scene.row_as(support, &row, At::Own).await;
            let answer = answer.expect("tried out");
            let answer = v1::RecordReadingResponse::decode(answer.as_slice()).expect("an answer");
            let evaluation = answer.reading.and_then(|reading| reading.evaluation);
            assert!(evaluation.is_some(), "it is advised");
            tried += 1;
        } else if row.call.starts_with("ReadingService/Record")
            || row.call == "ReadingService/AmendReading" && !is_tried
        {
            let (_, answer) = scene.row_as(support, &row, At::Own).await;
            let status = answer.expect_err("recorded");
            assert_eq!(status.code(), Code::PermissionDenied, "{}", row.call);
        }
    }
    assert_eq!(tried, 1);
    assert_eq!(scene.on_record().await, before);
    scene.network.stop().await;
}

#[tokio::test]
async fn whoever_only_reads_does_not_even_try() {
    let scene = Scene::set().await;
    for name in ["auditor", "reader", "recorder"] {
        for row in rows() {
            if row.ask.contains(r#""validate_only":true"#) {
                let (_, answer) = scene.row_as(scene.caller(name), &row, At::Own).await;
                let status = answer.expect_err("tried out");
                assert_eq!(
                    status.code(),
                    Code::PermissionDenied,
                    "{name}: {}",
                    row.call
                );
            }
        }
    }
    scene.network.stop().await;
}

#[tokio::test]
async fn a_device_signs_nothing() {
    let scene = Scene::set().await;
    let before = scene.on_record().await;
    let device = scene.caller("device");
    for row in rows() {
        let signs = row.call == "SignOffService/SignOff" || row.call.ends_with("SetSigningPhrase");
        if signs {
            let (_, answer) = scene.row_as(device, &row, At::Own).await;
            let status = answer.expect_err("nobody in person");
            assert_eq!(
                status.code(),
                Code::FailedPrecondition,
                "{}: {status}",
                row.call
            );
        }
    }
    assert_eq!(scene.on_record().await, before);
    scene.network.stop().await;
}
