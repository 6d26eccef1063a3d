//! One reading through the front door, as a laboratory's client would send it.

use std::net::SocketAddr;

use anyhow::Context as _;
use prost_types::Timestamp;
use ringtrue_proto::v1::reading::Method;
use ringtrue_proto::v1::reading_service_client::ReadingServiceClient;
use ringtrue_proto::v1::{
    Advice, Evaluation, Reading, ReadingPurpose, RecordReadingRequest, Ring, RingMeasurement,
};

use super::scenario::{NEW_FURNACE, NEW_GAUGE};
use crate::clock::Clock;

/// Records the worked figure of the trade (set 1500 °C, ring 19.47 mm, 1519 °C in its table) for the new
/// furnace, and tells what came back.
pub(super) async fn record(address: SocketAddr) -> anyhow::Result<String> {
    let mut client = ReadingServiceClient::connect(format!("http://{address}")).await?;
    let (site, furnace) = NEW_FURNACE;
    let parent = format!("sites/{site}/furnaces/{furnace}");
    let now = Clock::system().now().as_second();
    let moment = |seconds| Some(Timestamp { seconds, nanos: 0 });
    let diameters_mm = vec![19.470, 19.468, 19.472];
    let reading = Reading {
        programme: format!("{parent}/programmes/standard"),
        setpoint_c: Some(1500.0),
        method: Some(Method::Rings(RingMeasurement {
            ring_batch: "ringBatches/ring-8".to_owned(),
            gauge: format!("sites/{site}/gauges/{NEW_GAUGE}"),
            rings: vec![Ring {
                position: "centre".to_owned(),
                diameters_mm: diameters_mm.clone(),
                serial_number: String::new(),
            }],
            zero_mm: Some(0.0),
            ring_temperature_c: Some(22.0),
        })),
        fire_time: moment(now - 14 * 3600),
        measure_time: moment(now),
        purpose: ReadingPurpose::Routine.into(),
        performed_by: "t1".to_owned(),
        ..Reading::default()
    };
    let request = RecordReadingRequest {
        parent: parent.clone(),
        reading: Some(reading),
        ..RecordReadingRequest::default()
    };
    let answer = client.record_reading(request).await?.into_inner();
    let recorded = answer.reading.context("the answer holds no reading")?;
    let evaluation = recorded
        .evaluation
        .context("the reading holds no evaluation")?;
    Ok(told(&parent, &diameters_mm, &recorded.name, &evaluation))
}

fn told(furnace: &str, diameters_mm: &[f64], name: &str, evaluation: &Evaluation) -> String {
    let mut text = String::new();
    let expanded_c = evaluation
        .budget
        .as_ref()
        .map_or(0.0, |b| b.expanded_uncertainty_c);
    let factor = evaluation
        .budget
        .as_ref()
        .map_or(0.0, |b| b.coverage_factor);
    let first_mm = evaluation
        .rings
        .first()
        .map_or(0.0, |ring| ring.mean_diameter_mm);
    let corrected_mm = evaluation
        .rings
        .first()
        .map_or(0.0, |ring| ring.corrected_diameter_mm);
    let mut line = |words: String| {
        text.push_str(&words);
        text.push('\n');
    };
    line(format!("\nA reading was recorded through gRPC: {name}"));
    line(format!(
        "  furnace          {furnace}, set to 1500 °C, target 1500 °C"
    ));
    line(format!(
        "  ring             {diameters_mm:?} mm, mean {first_mm:.3} mm"
    ));
    line(format!(
        "  less gauge bias  {corrected_mm:.3} mm (its check on a reference block found none)"
    ));
    line(format!(
        "  ring temperature {:.0} ± {expanded_c:.0} °C (k = {factor:.2}, about 95 %)",
        evaluation.ring_temperature_c
    ));
    line(format!(
        "  plain setpoint   {:.1} °C = 1500 - ({:.1} - 1500)",
        evaluation.plain_setpoint_c, evaluation.ring_temperature_c
    ));
    let advice = match evaluation.advice() {
        Advice::Adjust => "ENTER",
        Advice::Leave => "LEAVE AT",
        Advice::FireAgain => "FIRE A SECOND RING; until then LEAVE AT",
        Advice::Service => "CALL SERVICE; until then LEAVE AT",
        Advice::Unspecified => "NOT EVALUABLE; LEAVE AT",
    };
    line(format!(
        "\n  {advice} {:.0} °C\n",
        evaluation.advised_setpoint_c
    ));
    for reason in &evaluation.reasons {
        line(format!("  why: {}", reason.text));
    }
    if let Some(budget) = &evaluation.budget
        && !budget.what_would_help_most.is_empty()
    {
        line(format!(
            "  what would help most: {}",
            budget.what_would_help_most
        ));
    }
    for caution in &evaluation.cautions {
        line(format!("  caution: {caution}"));
    }
    if let Some(due) = evaluation.next_due_date {
        line(format!(
            "  next due: {:04}-{:02}-{:02}",
            due.year, due.month, due.day
        ));
    }
    text
}
