//! A reading that no server answers: looked over with what this computer knows, told a provisional setpoint, and kept
//! in the queue.

use ringtrue_proto::v1::{Reading, RecordReadingRequest};

use crate::failure::Stop;
use crate::names;
use crate::queue::{self, Act};
use crate::session::{Repeatable, Session};

use super::{Goal, questions};

/// Settles what can be settled here and keeps the reading, or only looks at it.
pub(super) fn finish(
    mut reading: Reading,
    goal: &Goal,
    preview: bool,
    repeatable: &Repeatable,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let Goal::New { furnace } = goal else {
        // A correction needs what the server keeps.
        return Err(Stop::Refused(
            "A reading can be amended only while the server answers. Nothing was changed."
                .to_owned(),
        ));
    };
    looked_over(&mut reading, session).map_err(|stop| queue::in_doubt(stop, session))?;
    let zone = session.zone_known(names::site_of(furnace));
    let believed = match reading.setpoint_c {
        Some(setpoint_c) => Some(setpoint_c),
        None => queue::believed(&reading.programme, session)?,
    };
    let known = session.bench.known();
    let figure = match &known {
        Some(known) => queue::provisional_setpoint(&reading, believed, zone.as_ref(), known),
        None => Err("this computer has not seen furnace, programme and batch yet".to_owned()),
    };
    if preview {
        return match figure {
            Ok(figure) => {
                queue::told_figure(&figure, session)?;
                session.say("PREVIEW ONLY, without the server. Nothing was kept.")
            }
            Err(why) => Err(Stop::Refused(format!(
                "No server was asked, and there is no provisional setpoint: {why}."
            ))),
        };
    }
    let act = Act::Reading(Box::new(RecordReadingRequest {
        parent: furnace.clone(),
        reading: Some(reading),
        request_id: repeatable.request_id.clone(),
        validate_only: false,
    }));
    Err(queue::kept(act, Some(&figure), session))
}

/// Asks about what looks wrong here already, until nothing is open.
fn looked_over(reading: &mut Reading, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    loop {
        let known = session.bench.known();
        let doubts = queue::doubts_about(reading, known.as_ref());
        if !doubts.impossible.is_empty() && !session.bench.unchecked {
            return Err(Stop::Refused(format!(
                "Not queued: {}",
                doubts.impossible.join(" ")
            )));
        }
        if doubts.questions.is_empty() {
            return Ok(());
        }
        if !session.converses() {
            return Err(Stop::Asked(doubts.questions));
        }
        questions::settle(reading, &doubts.questions, session)?;
    }
}
