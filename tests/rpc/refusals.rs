//! What every refusal must hold, and proof that it left no trace.

use ringtrue_proto::v1;
use ringtrue_remote::{Code, Failure};
use ringtrue_tests::{Bench, Network};

/// How much is on record; equal before and after a refusal.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Records {
    readings: usize,
    batches: usize,
    gauges: usize,
    programmes: usize,
    site_audit: i64,
    network_audit: i64,
}

impl Records {
    pub(crate) async fn of(network: &Network, bench: &Bench) -> Self {
        let batches = v1::ListRingBatchesRequest {
            page_size: 1000,
            ..v1::ListRingBatchesRequest::default()
        };
        let gauges = v1::ListGaugesRequest {
            parent: bench.site.clone(),
            page_size: 1000,
            ..v1::ListGaugesRequest::default()
        };
        let programmes = v1::ListProgrammesRequest {
            parent: format!("{}/furnaces/-", bench.site),
            page_size: 1000,
            ..v1::ListProgrammesRequest::default()
        };
        let batches = network.remote.ring_batches(batches).await;
        let gauges = network.remote.gauges(gauges).await;
        let programmes = network.remote.programmes(programmes).await;
        Self {
            readings: network.all_readings(&bench.furnace).await.len(),
            batches: batches.expect("listed").ring_batches.len(),
            gauges: gauges.expect("listed").gauges.len(),
            programmes: programmes.expect("listed").programmes.len(),
            site_audit: network.audit_length(&bench.site).await,
            network_audit: network.audit_length("").await,
        }
    }
}

/// Fails unless the values were refused: the field with its reason, and words that say what to do.
#[track_caller]
pub(crate) fn bad_value(failure: &Failure, field: &str, reason: &str, next_step: &str) {
    assert_eq!(failure.code, Code::InvalidArgument, "{failure}");
    assert_eq!(failure.reason, "BAD_VALUES", "{failure}");
    let at = failure
        .violations
        .iter()
        .position(|violation| violation.field == field);
    let Some(at) = at else {
        panic!("{field} is not named: {failure:?}");
    };
    let told = failure.metadata.get(&format!("reason.{at}"));
    assert_eq!(told.map(String::as_str), Some(reason), "{failure:?}");
    let words = &failure.violations[at].description;
    assert!(
        words.contains(next_step),
        "`{next_step}` is missing: {words}"
    );
    assert!(failure.message.contains(field), "{failure}");
}

/// Fails unless records forbid it: the reason as violation of a precondition at the field, and words
/// that say what to do.
#[track_caller]
pub(crate) fn forbidden(failure: &Failure, reason: &str, field: &str, next_step: &str) {
    assert_eq!(failure.code, Code::FailedPrecondition, "{failure}");
    assert_eq!(failure.reason, reason, "{failure}");
    let named = failure
        .preconditions
        .iter()
        .any(|one| one.kind == reason && one.subject == field);
    assert!(named, "{reason} at {field} is not listed: {failure:?}");
    assert!(
        failure.message.contains(next_step),
        "`{next_step}` is missing: {failure}"
    );
}

/// Fails unless something named is not on record.
#[track_caller]
pub(crate) fn missing(failure: &Failure, name: &str) {
    assert_eq!(failure.code, Code::NotFound, "{failure}");
    assert_eq!(failure.reason, "NOT_FOUND", "{failure}");
    assert_eq!(failure.resource.as_deref(), Some(name), "{failure}");
    assert!(failure.message.contains("check the name"), "{failure}");
}
