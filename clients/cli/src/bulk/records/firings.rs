//! Production firings as rows.

use ringtrue_proto::v1::{
    Firing, FiringOutcome, FiringResultState, FiringSegment, ListFiringsRequest,
    ReportFiringsRequest,
};
use ringtrue_remote::{Failure, Remote};

use crate::bulk::cell::{Cell, Decimal, Wrong, number, wrong};
use crate::bulk::columns::{Column, Need, choice, maybe, moment, text};
use crate::bulk::record::{Became, How, Objection, Record, Wanted, objections, request_id};
use crate::firing::case;
use crate::names;

fn parts<'c>(cell: &Cell<'c>) -> impl Iterator<Item = &'c str> {
    cell.text
        .split([' ', ';', '\n', '\r'])
        .filter(|part| !part.is_empty())
}

/// Cases as `id=units`, as on the command line; without units they are not known.
fn cases(firing: &mut Firing, cell: &Cell<'_>) -> Result<(), Wrong> {
    for part in parts(cell) {
        match case(part) {
            Ok(case) => firing.cases.push(case),
            Err(words) => return wrong("NOT_A_CASE", words),
        }
    }
    Ok(())
}

/// Segments as `°C/min`.
fn segments(firing: &mut Firing, cell: &Cell<'_>) -> Result<(), Wrong> {
    for part in parts(cell) {
        let Some((indicated, duration)) = part.split_once('/') else {
            return wrong(
                "NOT_A_SEGMENT",
                format!(
                    "`{part}` is not a segment; write temperature and minutes as `1500/120`, segments separated by a blank"
                ),
            );
        };
        firing.segments.push(FiringSegment {
            indicated_c: cell.number_in(indicated)?,
            duration_min: cell.number_in(duration)?,
        });
    }
    Ok(())
}

fn segments_text(firing: &Firing, _: usize, decimal: Decimal) -> String {
    let mut written = Vec::with_capacity(firing.segments.len());
    for segment in &firing.segments {
        let indicated = number(segment.indicated_c, decimal);
        written.push(format!(
            "{indicated}/{}",
            number(segment.duration_min, decimal)
        ));
    }
    written.join(" ")
}

fn micros(stamp: Option<&prost_types::Timestamp>) -> Option<i64> {
    let stamp = stamp?;
    stamp
        .seconds
        .checked_mul(1_000_000)?
        .checked_add(i64::from(stamp.nanos) / 1000)
}

impl Record for Firing {
    const MESSAGE: &'static str = "Firing";
    const TOGETHER: usize = 1000;
    const COLUMNS: &'static [Column<Self>] = &[
        text!(Needed external_id),
        text!(Needed programme),
        maybe!(setpoint_c),
        moment!(Needed start_time),
        moment!(Needed end_time),
        maybe!(hours_hot),
        choice!(Free outcome FiringOutcome "FIRING_OUTCOME_"),
        Column {
            name: "cases",
            need: Need::Free,
            further: false,
            read: cases,
            write: |it, _, _| {
                let cases: Vec<String> = it
                    .cases
                    .iter()
                    .map(|case| format!("{}={}", case.case_id, case.units))
                    .collect();
                cases.join(" ")
            },
        },
        Column {
            name: "segments",
            need: Need::Free,
            further: false,
            read: segments,
            write: segments_text,
        },
        text!(Free performed_by),
        text!(Free note),
    ];

    fn emptied(&mut self) {
        self.name.clear();
        self.target_c = 0.0;
        self.receive_time = None;
        self.amends.clear();
        self.amended_by.clear();
        self.amend_reason.clear();
    }

    fn spelled_out(&mut self, site: Option<&str>) -> Result<(), (&'static str, Wrong)> {
        self.programme = super::whole_name("programme", &self.programme, site, names::PROGRAMME)?;
        Ok(())
    }

    fn identity(&self) -> (&'static str, String) {
        let site = names::site_of(&self.programme);
        ("external_id", format!("{site} {}", self.external_id))
    }

    fn owner(&self) -> String {
        names::site_of(&self.programme).to_owned()
    }

    fn busy(&self) -> Option<(String, i64, i64)> {
        let (furnace, _) = self.programme.split_once("/programmes/")?;
        let (start, end) = (
            micros(self.start_time.as_ref())?,
            micros(self.end_time.as_ref())?,
        );
        Some((furnace.to_owned(), start, end))
    }

    async fn sent(
        remote: Remote,
        owner: String,
        records: Vec<Self>,
        how: How,
    ) -> Result<Vec<Became>, Box<Failure>> {
        let count = records.len();
        let mut ask = ReportFiringsRequest {
            parent: owner,
            firings: records,
            ..ReportFiringsRequest::default()
        };
        ask.validate_only = how == How::Tried;
        ask.keep_good = how == How::KeepingGood;
        ask.request_id = request_id("ReportFirings", &ask);
        let mut became = vec![Became::Recorded; count];
        match remote.report_firings(ask).await {
            Ok(answer) => {
                for (place, result) in became.iter_mut().zip(answer.results) {
                    *place = match result.state() {
                        FiringResultState::Known => Became::Known,
                        FiringResultState::Refused => {
                            let faults = result.faults.into_iter().map(|fault| Objection {
                                field: within(&fault.field).1.to_owned(),
                                reason: fault.reason,
                                words: fault.description,
                            });
                            Became::Refused(faults.collect())
                        }
                        _ => Became::Recorded,
                    };
                }
                Ok(became)
            }
            Err(failure) => {
                let mut is_about_some = false;
                for violation in &failure.violations {
                    if let (Some(at), field) = within(&violation.field)
                        && let Some(place) = became.get_mut(at)
                    {
                        is_about_some = true;
                        let objection = Objection {
                            field: field.to_owned(),
                            reason: failure.reason.clone(),
                            words: violation.description.clone(),
                        };
                        match place {
                            Became::Refused(objections) => objections.push(objection),
                            other => *other = Became::Refused(vec![objection]),
                        }
                    }
                }
                if is_about_some {
                    return Ok(became);
                }
                match objections(&failure) {
                    // The whole part, as when its site is missing.
                    Some(objections) => Ok(vec![Became::Refused(objections); count]),
                    None => Err(failure),
                }
            }
        }
    }

    async fn page(
        remote: Remote,
        wanted: Wanted,
        page_token: String,
    ) -> Result<(Vec<Self>, String), Box<Failure>> {
        let ask = ListFiringsRequest {
            parent: wanted.furnaces(),
            page_size: 1000,
            page_token,
            start_time: wanted.from,
            end_time: wanted.until,
            ..ListFiringsRequest::default()
        };
        let page = remote.firings(ask).await?;
        Ok((page.firings, page.next_page_token))
    }
}

/// Takes `firings[12].end_time` apart.
fn within(field: &str) -> (Option<usize>, &str) {
    let at = super::index_after(field, "firings[");
    (at, field.split_once("].").map_or("", |(_, rest)| rest))
}
