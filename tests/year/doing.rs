//! Does the deeds of a moment through the server's use cases, and writes down what came of them.
//!
//! After a kill some of them are done already: each has its request id, so the first answer comes again.

use std::collections::{BTreeSet, HashMap};

use anyhow::Context as _;
use jiff::SignedDuration;
use ringtrue_calibration::decision::Advice;
use ringtrue_calibration::ring_table::{Entry, RingTable};
use ringtrue_calibration::rings::Ring;
use ringtrue_fleet::adjustment::AdjustmentDetails;
use ringtrue_fleet::alert::{Alert, AlertState, acknowledged, snoozed};
use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::event::{EventDetails, EventKind};
use ringtrue_fleet::finding::Said;
use ringtrue_fleet::furnace::{FurnaceDetails, FurnaceState};
use ringtrue_fleet::gauge::CheckDetails;
use ringtrue_fleet::key::{BatchId, FurnaceKey, ProgrammeId, ProgrammeKey, ReadingKey, SiteId};
use ringtrue_fleet::reading::{MeasuredRing, RawMethod, RawReport};
use ringtrue_fleet::refusal::Refusal;
use ringtrue_fleet::ring_batch::{BatchDetails, BatchState};
use ringtrue_fleet::site::SiteDetails;
use ringtrue_fleet::tracking::suspected_drift;
use ringtrue_server::app::{self, App, Error, Request, Speaking};
use ringtrue_store::{AlertFilter, Page, Recorded};
use serde_json::{Value, json};

use crate::deed::{Deed, Doing, Firing};
use crate::draw::{Draw, request};
use crate::laboratory::{furnace, programme};
use crate::record::{self, join, moment};

/// The hands of all people.
pub(crate) struct Hands {
    pub(crate) app: App,
    pub(crate) caller: Caller,
    pub(crate) seed: u64,
    /// Readings by the words of their deeds: name, and the setpoint where one was advised.
    pub(crate) readings: HashMap<String, (ReadingKey, Option<f64>)>,
}

/// Most alerts of a site that somebody goes through.
const GONE_THROUGH: u32 = 200;

/// Once a deed was refused the reason is written down, and the year goes on.
fn refused(fault: Error) -> anyhow::Result<Value> {
    match fault {
        Error::Invalid(_) | Error::Refused(_) => Ok(json!({"refused": fault.to_string()})),
        Error::RequestIdReused
        | Error::Unknown
        | Error::CodeUnusable
        | Error::TooOften { .. }
        | Error::Denied(_)
        | Error::Missing { .. }
        | Error::Exists { .. }
        | Error::Stale { .. }
        | Error::CursorExpired
        | Error::BeingPrepared { .. }
        | Error::Busy
        | Error::Broken
        | Error::Store(_) => Err(fault.into()),
    }
}

impl Hands {
    /// Takes up what the journal says.
    pub(crate) fn remember(&mut self, records: &[Value]) -> anyhow::Result<()> {
        for record in records {
            if record["what"] == "reading" && record["refused"].is_null() {
                let words = record["words"].as_str().context("a reading has words")?;
                let name = record["name"].as_str().context("a reading has a name")?;
                let advised = record["advised_setpoint_c"].as_f64();
                self.readings
                    .insert(words.to_owned(), (ReadingKey::parse(name)?, advised));
            }
        }
        Ok(())
    }

    /// Does all deeds of a moment but speaking; gives what came of them.
    pub(crate) async fn all(&mut self, deeds: &[Deed]) -> anyhow::Result<Vec<Value>> {
        let mut records = Vec::new();
        let mut moved: BTreeSet<FurnaceKey> = BTreeSet::new();
        for deed in deeds {
            if let Doing::Read(Firing { furnace, .. }) | Doing::Happen(furnace, ..) = &deed.doing {
                moved.insert(furnace.clone());
            }
            let Some(mut record) = self
                .one(deed)
                .await
                .with_context(|| format!("doing `{}`", deed.words))?
            else {
                continue;
            };
            join(&mut record, json!({"words": deed.words}));
            records.push(record);
        }
        self.remember(&records)?;
        for furnace in moved {
            let scope = self.caller.site(Right::Read, &furnace.site)?;
            let read = self.app.store.read(&scope);
            let tracked = read.tracked_offset(&furnace).await?;
            let may_drift = tracked.is_some_and(|tracked| suspected_drift(&tracked).is_some());
            records.push(json!({
                "what": "drift",
                "furnace": furnace.name(),
                "may_drift": may_drift,
            }));
        }
        Ok(records)
    }

    async fn one(&self, deed: &Deed) -> anyhow::Result<Option<Value>> {
        let (app, caller, request) = (&self.app, &self.caller, request(&deed.words));
        let record = match &deed.doing {
            Doing::AddBatch => {
                let id = Some(batch());
                app::create_ring_batch(app, caller, rings()?, id, false, &request).await?;
                return Ok(None);
            }
            Doing::AddSite(site, details) => {
                let id = Some(site.clone());
                let details = SiteDetails::clone(details);
                app::create_site(app, caller, details.clone(), id, &request).await?;
                json!({"what": "site", "site": site.to_string(), "details": record::site(&details)})
            }
            Doing::ChangeSite(site, details) => {
                let given = SiteDetails::clone(details);
                let change: app::Change<SiteDetails> = Box::new(move |_| Ok(given.clone()));
                app::update_site(app, caller, site, None, change, &request).await?;
                json!({"what": "site", "site": site.to_string(), "details": record::site(details)})
            }
            Doing::AddGauge(gauge, details) => {
                let id = Some(gauge.gauge.clone());
                app::create_gauge(app, caller, &gauge.site, details.clone(), id, &request).await?;
                json!({
                    "what": "gauge",
                    "gauge": gauge.name(),
                    "check_interval_days": details.check_interval_days,
                })
            }
            Doing::AddFurnace(key) => self.add_furnace(key, &request, &deed.words).await?,
            Doing::SetState(key, state) => self.set_state(key, *state, &request).await?,
            Doing::SetRule(key, details) => {
                let details = details.as_deref();
                match details {
                    Some(details) => {
                        app::set_rule(app, caller, key, details.clone(), None, &request).await?;
                    }
                    None => app::remove_rule(app, caller, key, &request).await?,
                }
                json!({
                    "what": "rule",
                    "place": key.place.name(),
                    "task": key.task.word(),
                    "rule": details.map(record::rule),
                })
            }
            Doing::CheckGauge(gauge) => {
                let details = CheckDetails {
                    nominal_mm: 19.5,
                    measured_mm: vec![19.5; 3],
                    block_standard_uncertainty_mm: 0.0005,
                    checked_at: Some(deed.at),
                    performed_by: "q1".to_owned(),
                    note: String::new(),
                };
                app::record_gauge_check(app, caller, gauge, details, &request).await?;
                json!({"what": "check", "gauge": gauge.name(), "checked_at": moment(deed.at)})
            }
            Doing::Act(details) => {
                let site = details.subject.as_ref().and_then(|subject| subject.site());
                let site = site.context("every act here is of a furnace")?;
                let given = (**details).clone();
                let mut record = record::act(details);
                match app::record_act(app, caller, site, given, &request).await {
                    Ok(_) => {}
                    Err(fault) => join(&mut record, refused(fault)?),
                }
                record
            }
            Doing::Happen(key, kind, at) => self.happen(key, *kind, *at, &request).await?,
            Doing::Read(firing) => self.read(firing, deed, &request).await?,
            Doing::EnterSetpoint(key, words) => {
                match self.enter(key, words, deed, &request).await? {
                    Some(record) => record,
                    None => return Ok(None),
                }
            }
            Doing::Speak(_) => return Ok(None),
        };
        Ok(Some(record))
    }

    async fn add_furnace(
        &self,
        key: &FurnaceKey,
        request: &Request,
        words: &str,
    ) -> anyhow::Result<Value> {
        let (app, caller) = (&self.app, &self.caller);
        let id = Some(key.furnace.clone());
        app::create_furnace(app, caller, &key.site, furnace(key), id, request).await?;
        let id = Some(programme_of(key).programme);
        let again = crate::draw::request(&format!("{words} with its programme"));
        app::create_programme(app, caller, key, programme(), id, &again).await?;
        Ok(json!({"what": "furnace", "furnace": key.name(), "in_use": true}))
    }

    async fn set_state(
        &self,
        key: &FurnaceKey,
        state: FurnaceState,
        request: &Request,
    ) -> anyhow::Result<Value> {
        let change: app::Change<FurnaceDetails> = Box::new(move |before| {
            Ok(FurnaceDetails {
                state,
                ..before.clone()
            })
        });
        app::update_furnace(&self.app, &self.caller, key, None, change, request).await?;
        Ok(json!({
            "what": "furnace",
            "furnace": key.name(),
            "in_use": state == FurnaceState::InUse,
        }))
    }

    async fn happen(
        &self,
        key: &FurnaceKey,
        kind: EventKind,
        at: jiff::Timestamp,
        request: &Request,
    ) -> anyhow::Result<Value> {
        let details = EventDetails {
            kind: Some(kind),
            happened_at: Some(at),
            offset_shift_c: None,
            note: String::new(),
            performed_by: "s2".to_owned(),
        };
        let mut record = json!({
            "what": "event",
            "furnace": key.name(),
            "kind": kind.words(),
            "happened_at": moment(at),
        });
        let told = app::record_furnace_event(&self.app, &self.caller, key, details, request).await;
        if let Err(fault) = told {
            join(&mut record, refused(fault)?);
        }
        Ok(record)
    }

    async fn read(&self, firing: &Firing, deed: &Deed, request: &Request) -> anyhow::Result<Value> {
        let mut report = RawReport {
            furnace: firing.furnace.clone(),
            programme: Some(programme_of(&firing.furnace)),
            setpoint_c: None,
            method: Some(RawMethod::Rings {
                batch: Some(batch()),
                gauge: Some(firing.gauge.clone()),
                rings: vec![MeasuredRing {
                    ring: Ring {
                        position: "centre".to_owned(),
                        diameters_mm: firing.diameters_mm.clone(),
                    },
                    serial_number: String::new(),
                }],
                zero_mm: Some(0.0),
                ring_temperature_c: Some(22.0),
            }),
            fired_at: Some(firing.fired_at),
            measured_at: Some(deed.at),
            purpose: firing.purpose,
            performed_by: "t1".to_owned(),
            note: String::new(),
            answered: Vec::new(),
        };
        let (app, caller) = (&self.app, &self.caller);
        let mut outcome = app::record_reading(app, caller, report.clone(), request).await;
        if let Err(Error::Refused(Refusal::OpenQuestions { questions })) = &outcome {
            let codes: BTreeSet<&str> = questions
                .iter()
                .map(|asked| asked.question.code.code())
                .collect();
            report.answered = codes.into_iter().map(str::to_owned).collect();
            outcome = app::record_reading(app, caller, report, request).await;
        }
        let mut record = json!({
            "what": "reading",
            "furnace": firing.furnace.name(),
            "firing": firing.words,
            "fired_at": moment(firing.fired_at),
            "measured_at": moment(deed.at),
        });
        match outcome {
            Ok(recorded) => join(&mut record, found(&recorded, firing)),
            Err(fault) => join(&mut record, refused(fault)?),
        }
        Ok(record)
    }

    /// None when there is nothing to enter.
    async fn enter(
        &self,
        key: &FurnaceKey,
        words: &str,
        deed: &Deed,
        request: &Request,
    ) -> anyhow::Result<Option<Value>> {
        let Some((reading, Some(setpoint_c))) = self.readings.get(words) else {
            return Ok(None);
        };
        let details = AdjustmentDetails {
            programme: Some(programme_of(key)),
            reading: Some(reading.clone()),
            setpoint_c: *setpoint_c,
            adjusted_at: Some(deed.at),
            performed_by: "t1".to_owned(),
            override_reason: String::new(),
        };
        let mut record = json!({
            "what": "adjusted",
            "furnace": key.name(),
            "adjusted_at": moment(deed.at),
        });
        let outcome = app::confirm_adjustment(&self.app, &self.caller, key, details, request);
        if let Err(fault) = outcome.await {
            join(&mut record, refused(fault)?);
        }
        Ok(Some(record))
    }

    /// Somebody goes through the alerts of a site; gives what was said.
    pub(crate) async fn speak(&self, site: &SiteId, words: &str) -> anyhow::Result<Vec<Value>> {
        let scope = self.caller.site(Right::Read, site)?;
        let filter = AlertFilter {
            site: Some(site.clone()),
            ..AlertFilter::default()
        };
        let page = Page {
            size: GONE_THROUGH,
            after: Vec::new(),
        };
        let now = self.app.clock.now();
        let mut records = Vec::new();
        for named in self.app.store.read(&scope).alerts(&filter, &page).await? {
            let alert = named.alert;
            // What was said before the program was killed is said again, and only then.
            let is_new = alert.state == AlertState::Open || alert.updated_at == now;
            let about = self.without_ids(&alert.cause);
            let mut draw = Draw::of(self.seed, &format!("{words} about {about}"));
            let until = match draw.between(0, 9) {
                0..3 => None,
                3..6 => Some(now + SignedDuration::from_mins(draw.between(90, 1440))),
                _ => continue,
            };
            if !is_new {
                continue;
            }
            let said = Said {
                note: "seen".to_owned(),
                noted_by: "t2".to_owned(),
            };
            let speaking: Speaking = match until {
                None => Box::new(move |alert: &Alert, now| acknowledged(alert, &said, now)),
                Some(until) => Box::new(move |alert, now| snoozed(alert, until, &said, now)),
            };
            let request = request(&format!("{words} about {about}"));
            let noted =
                app::note_alert(&self.app, &self.caller, &alert.id, speaking, &request).await;
            let mut record = json!({
                "what": "said",
                "site": site.to_string(),
                "cause": alert.cause,
                "until": until.map(moment),
            });
            if let Err(fault) = noted {
                join(&mut record, refused(fault)?);
            }
            records.push(record);
        }
        Ok(records)
    }

    /// A cause in words that are the same in every run: a reading by its deed.
    fn without_ids(&self, cause: &str) -> String {
        let Some((kind, reading)) = cause.split_once('/') else {
            return cause.to_owned();
        };
        if !matches!(kind, "setpoint" | "outside") {
            return cause.to_owned();
        }
        self.readings
            .iter()
            .find(|(_, (key, _))| key.name() == reading)
            .map_or_else(|| cause.to_owned(), |(words, _)| format!("{kind}/{words}"))
    }
}

fn found(recorded: &Recorded, firing: &Firing) -> Value {
    let evaluation = &recorded.evaluated.evaluation;
    let decision = evaluation.decision.as_ref();
    let advice = decision.map(|decision| match decision.advice {
        Advice::Leave => "leave",
        Advice::Adjust => "adjust",
        Advice::FireAgain => "fire_again",
        Advice::Service => "service",
    });
    let advised = decision
        .filter(|decision| decision.advice == Advice::Adjust)
        .map(|decision| decision.advised_setpoint_c);
    let counts =
        evaluation.evaluable && firing.purpose != ringtrue_fleet::reading::Purpose::Practice;
    json!({
        "name": recorded.reading.key.name(),
        "counts": counts,
        "advice": advice,
        "advised_setpoint_c": advised,
        "conformance": decision.map(|decision| decision.conformance_probability),
    })
}

fn batch() -> BatchId {
    BatchId::new("b1").expect("an id")
}

fn programme_of(furnace: &FurnaceKey) -> ProgrammeKey {
    ProgrammeKey {
        furnace: furnace.clone(),
        programme: ProgrammeId::new("standard").expect("an id"),
    }
}

/// An invented batch: 1500 °C near 19.56 mm.
fn rings() -> anyhow::Result<BatchDetails> {
    let entries = (0..=80_u32)
        .map(|step| {
            let diameter_mm = (1920.0 + f64::from(step)) / 100.0;
            let off = diameter_mm - 19.557;
            Entry {
                diameter_mm,
                temperature_c: (1500.0 - 212.5 * off - 83.3 * off * off).round(),
            }
        })
        .collect();
    let table = RingTable::new(120.0, entries)
        .map_err(|faults| anyhow::anyhow!("the table has faults: {faults:?}"))?;
    Ok(BatchDetails {
        code: "B1".to_owned(),
        tables: vec![table],
        stated_expanded_uncertainty_c: Some(4.0),
        expires_on: None,
        provenance: "Invented.".to_owned(),
        state: BatchState::Released,
        state_reason: String::new(),
    })
}
