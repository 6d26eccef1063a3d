//! Codes with which people and devices enrol by themselves.

use clap::Args;
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    CreateEnrolmentRequest, CreateEnrolmentResponse, Enrolment, EnrolmentState,
    ListEnrolmentsRequest, ListEnrolmentsResponse, RevokeEnrolmentRequest,
};
use ringtrue_remote::Pin;

use crate::command::Repeat;
use crate::connection::{self, is_encrypted, is_here, same_server};
use crate::failure::Stop;
use crate::session::{Session, gathered};
use crate::site::shown_list;
use crate::{moment, names, words};

use super::wish::Wish;
use super::{held_by, reach, zone};

/// An invitation.
#[derive(Debug, Args)]
pub(crate) struct Invite {
    #[command(flatten)]
    wish: Wish,
    /// How long the code is good, minutes (1 to 10080); 60 when left out.
    #[arg(long, value_name = "MIN", allow_negative_numbers = true)]
    valid: Option<i32>,
    /// Address under which the other computer reaches the server; the one used here when left out.
    #[arg(long, value_name = "URL", value_parser = connection::address)]
    address: Option<String>,
    #[command(flatten)]
    repeat: Repeat,
}

/// Makes a code and says everything that the other person needs.
pub(super) async fn invite(
    invite: Invite,
    sites: &[String],
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let credential = invite.wish.credential(sites, session).await?;
    let request_id = session
        .repeatable(invite.repeat.request_id.as_deref())?
        .request_id;
    let ask = CreateEnrolmentRequest {
        enrolment: Some(Enrolment {
            credential: Some(credential),
            ..Enrolment::default()
        }),
        valid_min: invite.valid.unwrap_or_default(),
        request_id: request_id.clone(),
    };
    let answer = session.remote.create_enrolment(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    if session.json {
        return session.show_json("CreateEnrolmentResponse", &answer);
    }
    made(&answer, invite.address, session).await
}

/// Shows the code, alone on stdout, and how it is used.
async fn made(
    answer: &CreateEnrolmentResponse,
    address: Option<String>,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let enrolment = answer.enrolment.clone().unwrap_or_default();
    let id = names::id(&enrolment.name);
    if answer.code.is_empty() {
        return session.say(&format!(
            "Invitation {id} was made before; its code was shown then and is kept nowhere. If it is lost, `ringtrue \
             credential revoke-invitation {id}` and make a new one."
        ));
    }
    session.show(&answer.code)?;
    let credential = enrolment.credential.clone().unwrap_or_default();
    let grant = credential.grant.clone().unwrap_or_default();
    let zone = zone(&grant, session).await;
    let until = moment::received(enrolment.expire_time.as_ref());
    let until = until.map(|at| moment::shown(at, &zone)).unwrap_or_default();
    session.say(&format!(
        "This code makes one credential: {} ({}), {} at {}. It is good once, until {until}.",
        credential.display_name,
        held_by(&credential),
        words::word(words::ROLES, grant.role()),
        reach(&grant),
    ))?;
    let here = session.over.connection.endpoint.clone();
    let address = address.unwrap_or_else(|| here.clone());
    let authority = session.over.connection.authority.as_deref();
    let authority = authority.filter(|_| same_server(&address, &here));
    let pin = authority.and_then(|pem| Pin::of_certificate(pem.as_bytes()));
    // Nobody pinned an authority for this very address: the system vouched for it.
    let vouched = same_server(&address, &here) && session.over.connection.authority.is_none();
    session.say("On the other computer, where the code is asked for:")?;
    let flag = pin.map(|pin| format!(" --pin {pin}")).unwrap_or_default();
    // A command to copy is never broken.
    writeln!(session.world.err, "  ringtrue enrol {address}{flag}")?;
    if pin.is_none() && is_encrypted(&address) && !vouched {
        session.say(
            "Give the pin of the server's authority as well; whoever runs the server has it from `ringtrue-server setup`.",
        )?;
    }
    if is_here(&address) {
        session.say(
            "This address is that of this computer alone. For another computer give the server's own with --address.",
        )?;
    }
    session.say(&format!(
        "Tell code and command on a way that only they can read or hear. If the code gets about: ringtrue credential \
         revoke-invitation {id}"
    ))
}

/// Lists the codes that were made.
pub(super) async fn list(limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let remote = session.remote.clone();
    let (enrolments, next_page_token) = gathered(limit, async |page_size, page_token| {
        let ask = ListEnrolmentsRequest {
            page_size,
            page_token,
        };
        let page = remote.enrolments(ask).await?;
        Ok((page.enrolments, page.next_page_token))
    })
    .await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListEnrolmentsResponse {
            enrolments,
            next_page_token,
        };
        return session.show_json("ListEnrolmentsResponse", &whole);
    }
    let mut rows = Vec::new();
    for enrolment in &enrolments {
        rows.push(row(enrolment));
    }
    let headings = ["for", "held by", "role", "where", "state", "until", "id"];
    shown_list("invitations", &headings, &rows, more, session)
}

fn row(enrolment: &Enrolment) -> Vec<String> {
    let credential = enrolment.credential.clone().unwrap_or_default();
    let grant = credential.grant.clone().unwrap_or_default();
    let until = moment::received(enrolment.expire_time.as_ref());
    let state = words::word(words::ENROLMENT_STATES, enrolment.state());
    let state = match enrolment.state() {
        EnrolmentState::Waiting => format!("{state}, {} tries left", enrolment.tries_left),
        _ => state.to_owned(),
    };
    vec![
        credential.display_name.clone(),
        held_by(&credential),
        words::word(words::ROLES, grant.role()).to_owned(),
        reach(&grant),
        state,
        until
            .map(|at| moment::brief(at, &TimeZone::UTC))
            .unwrap_or_default(),
        names::id(&enrolment.name).to_owned(),
    ]
}

/// Makes a code worthless.
pub(super) async fn revoke(
    invitation: &str,
    repeat: &Repeat,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
    let ask = RevokeEnrolmentRequest {
        name: names::enrolment(invitation).map_err(Stop::Usage)?,
        request_id: request_id.clone(),
    };
    let answer = session.remote.revoke_enrolment(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    if session.json {
        return session.show_json("RevokeEnrolmentResponse", &answer);
    }
    session.say("Revoked. Its code is worthless from now on.")
}
