//! Adjustments: a setpoint as left on the controller, with or without the reading that advised it.

use ringtrue_proto::v1;
use ringtrue_remote::Code;
use ringtrue_tests::bench::{evaluation_of, stamp};
use ringtrue_tests::{Bench, Network};

use crate::close;

fn confirmation(
    network: &Network,
    bench: &Bench,
    reading: &str,
    setpoint_c: f64,
) -> v1::ConfirmAdjustmentRequest {
    v1::ConfirmAdjustmentRequest {
        parent: bench.furnace.clone(),
        adjustment: Some(v1::Adjustment {
            programme: bench.programme.clone(),
            reading: reading.to_owned(),
            setpoint_c,
            adjust_time: Some(stamp(network.now())),
            performed_by: "t1".to_owned(),
            ..v1::Adjustment::default()
        }),
        ..v1::ConfirmAdjustmentRequest::default()
    }
}

#[tokio::test]
async fn a_confirmed_adjustment_is_the_programmes_setpoint_from_then_on() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let reading = network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let ask = confirmation(&network, &bench, &reading.name, 1481.0);
    let made = network
        .remote
        .confirm_adjustment(ask)
        .await
        .expect("confirmed");
    let made = made.adjustment.expect("an adjustment");
    close(made.previous_setpoint_c, 1500.0, 1e-9);
    assert_eq!(made.advised_setpoint_c, Some(1481.0));
    close(
        network.programme_now(&bench.programme).await.setpoint_c,
        1481.0,
        1e-9,
    );

    let ask = v1::GetAdjustmentRequest {
        name: made.name.clone(),
    };
    let found = network.remote.adjustment(ask).await.expect("found");
    assert_eq!(found.adjustment, Some(made.clone()));
    let ask = v1::ListAdjustmentsRequest {
        parent: bench.furnace.clone(),
        ..v1::ListAdjustmentsRequest::default()
    };
    let found = network.remote.adjustments(ask).await.expect("listed");
    assert_eq!(found.adjustments, [made]);

    // The next firing is at 1481 °C and the ring says 1500 °C, at 19.56 mm: nothing to do.
    network.advance_days(7);
    let next = network
        .record(network.ask(&bench, &[19.561, 19.559, 19.563]))
        .await;
    let evaluation = evaluation_of(&next);
    close(evaluation.present_setpoint_c, 1481.0, 1e-9);
    assert_eq!(evaluation.advice(), v1::Advice::Leave);
    close(evaluation.advised_setpoint_c, 1481.0, 1e-9);
    network.stop().await;
}

#[tokio::test]
async fn an_adjustment_is_not_a_calibration() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let reading = network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let before = network.furnace_now(&bench.furnace).await.offset;
    let ask = confirmation(&network, &bench, &reading.name, 1481.0);
    network
        .remote
        .confirm_adjustment(ask)
        .await
        .expect("confirmed");
    assert_eq!(network.furnace_now(&bench.furnace).await.offset, before);
    network.stop().await;
}

#[tokio::test]
async fn another_setpoint_than_the_advised_one_needs_a_reason() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let reading = network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let before = network.audit_length(&bench.site).await;
    let mut ask = confirmation(&network, &bench, &reading.name, 1485.0);
    let refused = network
        .remote
        .confirm_adjustment(ask.clone())
        .await
        .expect_err("no reason");
    assert_eq!(refused.code, Code::InvalidArgument);
    assert_eq!(refused.violations[0].field, "adjustment.override_reason");
    assert!(refused.message.contains("say why not"), "{refused}");
    assert_eq!(network.audit_length(&bench.site).await, before);
    close(
        network.programme_now(&bench.programme).await.setpoint_c,
        1500.0,
        1e-9,
    );

    let details = ask.adjustment.as_mut().expect("an adjustment");
    "a bridge is in the furnace, the rest on Monday".clone_into(&mut details.override_reason);
    network
        .remote
        .confirm_adjustment(ask)
        .await
        .expect("with a reason");
    close(
        network.programme_now(&bench.programme).await.setpoint_c,
        1485.0,
        1e-9,
    );
    network.stop().await;
}

#[tokio::test]
async fn what_the_panel_cannot_show_is_refused_by_its_field() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let before = network.audit_length(&bench.site).await;
    let cases = [
        (1481.5, "adjustment.setpoint_c", "NOT_A_STEP"),
        (1340.0, "adjustment.setpoint_c", "OUTSIDE_LIMITS"),
        (1610.0, "adjustment.setpoint_c", "OUTSIDE_LIMITS"),
        (f64::NAN, "adjustment.setpoint_c", "NOT_FINITE"),
        (2732.0, "adjustment.setpoint_c", "OUT_OF_RANGE"),
    ];
    for (setpoint_c, field, reason) in cases {
        let ask = confirmation(&network, &bench, "", setpoint_c);
        let refused = network
            .remote
            .confirm_adjustment(ask)
            .await
            .expect_err("refused");
        assert_eq!(refused.code, Code::InvalidArgument, "{setpoint_c}");
        assert_eq!(refused.violations[0].field, field, "{setpoint_c}");
        assert_eq!(
            refused.metadata.get("reason.0").map(String::as_str),
            Some(reason)
        );
    }
    let mut ask = confirmation(&network, &bench, "", 1490.0);
    let details = ask.adjustment.as_mut().expect("an adjustment");
    details.adjust_time = Some(stamp(network.now() + jiff::SignedDuration::from_hours(2)));
    let refused = network
        .remote
        .confirm_adjustment(ask)
        .await
        .expect_err("in the future");
    assert_eq!(refused.violations[0].field, "adjustment.adjust_time");
    assert_eq!(network.audit_length(&bench.site).await, before);
    network.stop().await;
}

#[tokio::test]
async fn an_adjustment_that_is_not_on_record_is_not_found() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let name = format!("{}/adjustments/none", bench.furnace);
    let ask = v1::GetAdjustmentRequest { name: name.clone() };
    let refused = network.remote.adjustment(ask).await.expect_err("none");
    assert_eq!(
        (refused.code, refused.resource),
        (Code::NotFound, Some(name))
    );
    network.stop().await;
}

#[tokio::test]
async fn the_advice_of_an_amended_reading_no_longer_stands() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let ask = network.ask(&bench, &[19.470, 19.468, 19.472]);
    let reading = network.record(ask.clone()).await;
    let amendment = v1::AmendReadingRequest {
        name: reading.name.clone(),
        reading: ask.reading,
        reason: "a remark was forgotten".to_owned(),
        ..v1::AmendReadingRequest::default()
    };
    let later = network
        .remote
        .amend_reading(amendment)
        .await
        .expect("amended")
        .reading
        .expect("a reading");
    let ask = confirmation(&network, &bench, &reading.name, 1481.0);
    let refused = network
        .remote
        .confirm_adjustment(ask)
        .await
        .expect_err("superseded advice");
    assert_eq!(refused.code, Code::InvalidArgument);
    assert_eq!(refused.violations[0].field, "adjustment.reading");
    assert!(
        refused.violations[0].description.contains("latest version"),
        "{refused}"
    );
    let ask = confirmation(&network, &bench, &later.name, 1481.0);
    network
        .remote
        .confirm_adjustment(ask)
        .await
        .expect("the latest version's advice stands");
    network.stop().await;
}

#[tokio::test]
async fn an_adjustment_before_its_readings_firing_is_refused() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let reading = network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let mut ask = confirmation(&network, &bench, &reading.name, 1481.0);
    let fired = reading.fire_time.expect("a moment");
    if let Some(adjustment) = &mut ask.adjustment {
        adjustment.adjust_time = Some(prost_types::Timestamp {
            seconds: fired.seconds - 60,
            nanos: 0,
        });
    }
    let refused = network
        .remote
        .confirm_adjustment(ask)
        .await
        .expect_err("before its reading");
    assert_eq!(refused.violations[0].field, "adjustment.adjust_time");
    network.stop().await;
}
