//! What can be done at the bench while the line is down: whole requests, kept as they will be sent.

use jiff::tz::TimeZone;
use prost::Message as _;
use ringtrue_proto::v1::{
    Adjustment, CareActKind, ConfirmAdjustmentRequest, ConfirmAdjustmentResponse, FurnaceEvent,
    Reading, RecordCareActRequest, RecordCareActResponse, RecordFurnaceEventRequest,
    RecordFurnaceEventResponse, RecordGaugeCheckRequest, RecordGaugeCheckResponse,
    RecordReadingRequest, RecordReadingResponse, TaskKind,
};
use ringtrue_remote::{Outcome, Remote};

use crate::quantity::brief;
use crate::{due, moment, names, words};

/// A request that may wait.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Act {
    /// A reading.
    Reading(Box<RecordReadingRequest>),
    /// A setpoint that was entered.
    Adjustment(ConfirmAdjustmentRequest),
    /// Something about a care task, or a count.
    Care(RecordCareActRequest),
    /// Something that happened to a furnace.
    Event(RecordFurnaceEventRequest),
    /// A check of a gauge.
    GaugeCheck(RecordGaugeCheckRequest),
}

/// What the server answers.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Answer {
    /// To a reading.
    Reading(Box<RecordReadingResponse>),
    /// To an adjustment.
    Adjustment(ConfirmAdjustmentResponse),
    /// To an act of care.
    Care(Box<RecordCareActResponse>),
    /// To an event.
    Event(RecordFurnaceEventResponse),
    /// To a check.
    GaugeCheck(Box<RecordGaugeCheckResponse>),
}

/// Words of the kinds, as the file keeps them; never renamed.
const READING: &str = "reading";
const ADJUSTMENT: &str = "adjustment";
const CARE: &str = "care";
const EVENT: &str = "furnace-event";
const GAUGE_CHECK: &str = "gauge-check";

impl Act {
    /// The word of its kind.
    pub(crate) fn kind(&self) -> &'static str {
        match self {
            Act::Reading(_) => READING,
            Act::Adjustment(_) => ADJUSTMENT,
            Act::Care(_) => CARE,
            Act::Event(_) => EVENT,
            Act::GaugeCheck(_) => GAUGE_CHECK,
        }
    }

    /// Reads one back; none when it is of a kind that this program does not know, or damaged.
    pub(crate) fn read(kind: &str, bytes: &[u8]) -> Option<Self> {
        Some(match kind {
            READING => Act::Reading(Box::new(RecordReadingRequest::decode(bytes).ok()?)),
            ADJUSTMENT => Act::Adjustment(ConfirmAdjustmentRequest::decode(bytes).ok()?),
            CARE => Act::Care(RecordCareActRequest::decode(bytes).ok()?),
            EVENT => Act::Event(RecordFurnaceEventRequest::decode(bytes).ok()?),
            GAUGE_CHECK => Act::GaugeCheck(RecordGaugeCheckRequest::decode(bytes).ok()?),
            _ => return None,
        })
    }

    /// The request as it is kept.
    pub(crate) fn bytes(&self) -> Vec<u8> {
        match self {
            Act::Reading(ask) => ask.encode_to_vec(),
            Act::Adjustment(ask) => ask.encode_to_vec(),
            Act::Care(ask) => ask.encode_to_vec(),
            Act::Event(ask) => ask.encode_to_vec(),
            Act::GaugeCheck(ask) => ask.encode_to_vec(),
        }
    }

    /// Its request id.
    pub(crate) fn request_id(&self) -> &str {
        match self {
            Act::Reading(ask) => &ask.request_id,
            Act::Adjustment(ask) => &ask.request_id,
            Act::Care(ask) => &ask.request_id,
            Act::Event(ask) => &ask.request_id,
            Act::GaugeCheck(ask) => &ask.request_id,
        }
    }

    /// What it is about: a furnace, a gauge, or a site when rings are counted. Order is kept for each.
    pub(crate) fn subject(&self) -> &str {
        match self {
            Act::Reading(ask) => &ask.parent,
            Act::Adjustment(ask) => &ask.parent,
            Act::Care(ask) => match &ask.act {
                Some(act) if act.subject.starts_with("sites/") => &act.subject,
                _ => &ask.parent,
            },
            Act::Event(ask) => &ask.parent,
            Act::GaugeCheck(ask) => &ask.parent,
        }
    }

    /// Who did it, by staff code.
    pub(crate) fn who(&self) -> &str {
        let who = match self {
            Act::Reading(ask) => ask.reading.as_ref().map(|it| &it.performed_by),
            Act::Adjustment(ask) => ask.adjustment.as_ref().map(|it| &it.performed_by),
            Act::Care(ask) => ask.act.as_ref().map(|it| &it.performed_by),
            Act::Event(ask) => ask.event.as_ref().map(|it| &it.performed_by),
            Act::GaugeCheck(ask) => ask.check.as_ref().map(|it| &it.performed_by),
        };
        who.map_or("", String::as_str)
    }

    /// Its moments as this computer's clock and its person gave them, to be changed.
    pub(crate) fn moments(&mut self) -> Vec<&mut prost_types::Timestamp> {
        let mut moments = Vec::new();
        match self {
            Act::Reading(ask) => {
                if let Some(reading) = &mut ask.reading {
                    moments.extend(reading.fire_time.as_mut());
                    moments.extend(reading.measure_time.as_mut());
                }
            }
            Act::Adjustment(ask) => {
                if let Some(adjustment) = &mut ask.adjustment {
                    moments.extend(adjustment.adjust_time.as_mut());
                }
            }
            Act::Care(ask) => {
                if let Some(act) = &mut ask.act {
                    moments.extend(act.act_time.as_mut());
                }
            }
            Act::Event(ask) => {
                if let Some(event) = &mut ask.event {
                    moments.extend(event.event_time.as_mut());
                }
            }
            Act::GaugeCheck(ask) => {
                if let Some(check) = &mut ask.check {
                    moments.extend(check.check_time.as_mut());
                }
            }
        }
        moments
    }

    /// Its reading; none when it is something else.
    pub(crate) fn reading(&self) -> Option<&Reading> {
        match self {
            Act::Reading(ask) => ask.reading.as_ref(),
            _ => None,
        }
    }

    /// Its adjustment; none when it is something else.
    pub(crate) fn adjustment(&self) -> Option<&Adjustment> {
        match self {
            Act::Adjustment(ask) => ask.adjustment.as_ref(),
            _ => None,
        }
    }

    /// Sends it.
    pub(crate) async fn send(self, remote: &Remote) -> Outcome<Answer> {
        Ok(match self {
            Act::Reading(ask) => {
                Answer::Reading(Box::new(Box::pin(remote.record_reading(*ask)).await?))
            }
            Act::Adjustment(ask) => Answer::Adjustment(remote.confirm_adjustment(ask).await?),
            Act::Care(ask) => Answer::Care(Box::new(Box::pin(remote.record_care_act(ask)).await?)),
            Act::Event(ask) => Answer::Event(remote.record_furnace_event(ask).await?),
            Act::GaugeCheck(ask) => {
                Answer::GaugeCheck(Box::new(Box::pin(remote.record_gauge_check(ask)).await?))
            }
        })
    }

    /// Says in a few words what it is.
    pub(crate) fn words(&self) -> String {
        match self {
            Act::Reading(_) => "reading".to_owned(),
            Act::Adjustment(ask) => match &ask.adjustment {
                Some(adjustment) => format!(
                    "{} set to {} °C",
                    names::id(&adjustment.programme),
                    brief(adjustment.setpoint_c, 2)
                ),
                None => "adjustment".to_owned(),
            },
            Act::Care(ask) => {
                let act = ask.act.clone().unwrap_or_default();
                let what = words::word(words::CARE_ACTS, act.kind()).replace('-', " ");
                match (act.kind(), act.task()) {
                    (_, TaskKind::Unspecified) => what,
                    (CareActKind::Done | CareActKind::Skipped | CareActKind::Deferred, task) => {
                        format!("{} {what}", due::spoken(task))
                    }
                    _ => what,
                }
            }
            Act::Event(ask) => {
                let event = ask.event.clone().unwrap_or_default();
                words::word(words::EVENTS, event.kind()).replace('-', " ")
            }
            Act::GaugeCheck(_) => "gauge check".to_owned(),
        }
    }

    /// Says the same with the moment it is about, as its site's clock shows it.
    pub(crate) fn told(&self, zone: &TimeZone) -> String {
        let (before, stamp) = match self {
            Act::Reading(ask) => (
                ", fired",
                ask.reading.as_ref().and_then(|it| it.fire_time.as_ref()),
            ),
            Act::Adjustment(ask) => (
                ", read back",
                ask.adjustment
                    .as_ref()
                    .and_then(|it| it.adjust_time.as_ref()),
            ),
            Act::Care(ask) => (",", ask.act.as_ref().and_then(|it| it.act_time.as_ref())),
            Act::Event(ask) => (
                ",",
                ask.event.as_ref().and_then(|it| it.event_time.as_ref()),
            ),
            Act::GaugeCheck(ask) => (
                ",",
                ask.check.as_ref().and_then(|it| it.check_time.as_ref()),
            ),
        };
        match moment::received(stamp) {
            Some(at) => format!("{}{before} {}", self.words(), moment::brief(at, zone)),
            None => self.words(),
        }
    }
}

impl Answer {
    /// Reads one back.
    pub(crate) fn read(kind: &str, bytes: &[u8]) -> Option<Self> {
        Some(match kind {
            READING => Answer::Reading(Box::new(RecordReadingResponse::decode(bytes).ok()?)),
            ADJUSTMENT => Answer::Adjustment(ConfirmAdjustmentResponse::decode(bytes).ok()?),
            CARE => Answer::Care(Box::new(RecordCareActResponse::decode(bytes).ok()?)),
            EVENT => Answer::Event(RecordFurnaceEventResponse::decode(bytes).ok()?),
            GAUGE_CHECK => {
                Answer::GaugeCheck(Box::new(RecordGaugeCheckResponse::decode(bytes).ok()?))
            }
            _ => return None,
        })
    }

    /// The answer as it is kept.
    pub(crate) fn bytes(&self) -> Vec<u8> {
        match self {
            Answer::Reading(answer) => answer.encode_to_vec(),
            Answer::Adjustment(answer) => answer.encode_to_vec(),
            Answer::Care(answer) => answer.encode_to_vec(),
            Answer::Event(answer) => answer.encode_to_vec(),
            Answer::GaugeCheck(answer) => answer.encode_to_vec(),
        }
    }

    /// Name of what was recorded.
    pub(crate) fn name(&self) -> &str {
        let name = match self {
            Answer::Reading(answer) => answer.reading.as_ref().map(|it| &it.name),
            Answer::Adjustment(answer) => answer.adjustment.as_ref().map(|it| &it.name),
            Answer::Care(answer) => answer.act.as_ref().map(|it| &it.name),
            Answer::Event(answer) => answer.event.as_ref().map(|it| &it.name),
            Answer::GaugeCheck(answer) => answer.check.as_ref().map(|it| &it.name),
        };
        name.map_or("", String::as_str)
    }

    /// The adjustment that was recorded; an empty one when it was something else.
    pub(crate) fn adjustment(self) -> Adjustment {
        match self {
            Answer::Adjustment(answer) => answer.adjustment.unwrap_or_default(),
            _ => Adjustment::default(),
        }
    }

    /// The answer to an act of care; an empty one when it was something else.
    pub(crate) fn care(self) -> RecordCareActResponse {
        match self {
            Answer::Care(answer) => *answer,
            _ => RecordCareActResponse::default(),
        }
    }

    /// The event that was recorded; an empty one when it was something else.
    pub(crate) fn event(self) -> FurnaceEvent {
        match self {
            Answer::Event(answer) => answer.event.unwrap_or_default(),
            _ => FurnaceEvent::default(),
        }
    }

    /// The answer to a gauge check; an empty one when it was something else.
    pub(crate) fn gauge_check(self) -> RecordGaugeCheckResponse {
        match self {
            Answer::GaugeCheck(answer) => *answer,
            _ => RecordGaugeCheckResponse::default(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ringtrue_proto::v1::CareAct;

    const K2: &str = "sites/porto/furnaces/k2";

    #[test]
    fn an_act_is_read_back_as_it_was_kept() {
        let care = |subject: &str| {
            Act::Care(RecordCareActRequest {
                parent: "sites/porto".to_owned(),
                act: Some(CareAct {
                    kind: CareActKind::Done.into(),
                    task: TaskKind::PurgeFiring.into(),
                    subject: subject.to_owned(),
                    performed_by: "AB".to_owned(),
                    ..CareAct::default()
                }),
                request_id: "id".to_owned(),
            })
        };
        let act = care(K2);
        assert_eq!(Act::read(act.kind(), &act.bytes()), Some(act.clone()));
        assert_eq!(
            (act.subject(), act.who(), act.request_id()),
            (K2, "AB", "id")
        );
        assert_eq!(act.words(), "purge firing done");
        assert_eq!(care("ringBatches/x7").subject(), "sites/porto");
        assert_eq!(Act::read("another", &act.bytes()), None);
        assert_eq!(Act::read(READING, b"\xff\xff"), None);
    }
}
