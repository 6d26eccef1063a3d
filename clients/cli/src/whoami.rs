//! `ringtrue whoami`: who one is to the server, and what that allows.

use ringtrue_proto::v1::{WhoAmIRequest, WhoAmIResponse};

use crate::connection::{Connection, Source, is_encrypted, is_here};
use crate::credential::{card, days_left, places};
use crate::failure::Stop;
use crate::session::Session;
use crate::{moment, names, output};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue whoami
  ringtrue whoami --profile lima --json
With the exit code 7 when the server does not know you, and what to do then.";

/// Days before the end of a credential from which this command says how to renew it.
const SAID_DAYS: i64 = 30;

/// Most sites that are named one by one.
const MOST_SITES: usize = 12;

/// Asks the server, and shows what it says.
pub(crate) async fn carry_out(session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let answer = session.remote.who_am_i(WhoAmIRequest {}).await?;
    note(&answer, session)?;
    if session.json {
        return session.show_json("WhoAmIResponse", &answer);
    }
    let credential = answer.credential.clone().unwrap_or_default();
    let mut lines = vec![("Server", session.over.connection.endpoint.clone())];
    if credential.name.is_empty() {
        lines.push((
            "Credential",
            "none: on the server's own computer none is needed".to_owned(),
        ));
    } else {
        lines.extend(card(&credential, session).await?);
    }
    lines.extend([
        ("May", answer.rights.join(", ")),
        ("Sites now", sites(&answer)),
        (
            "Staff code",
            if answer.operator.is_empty() {
                "not given; say who works with --operator".to_owned()
            } else {
                answer.operator.clone()
            },
        ),
        ("From", answer.address.clone()),
        (
            "Connection",
            protection(&session.over.connection, answer.encrypted),
        ),
        ("Proof", proof(&session.over.connection)),
    ]);
    session.show(&output::card(&lines, session.world.columns))?;
    let server = moment::received(answer.server_time.as_ref());
    let now = server.unwrap_or(session.world.now);
    if let Some(days) = days_left(&credential, now)
        && days < SAID_DAYS
    {
        session.say(&format!(
            "It ends in {days} days. `ringtrue credential rotate` renews it."
        ))?;
    }
    Ok(())
}

/// Notes in the profile what its credential is for and when it ends.
fn note(answer: &WhoAmIResponse, session: &Session<'_, '_>) -> Result<(), Stop> {
    let connection = &session.over.connection;
    let (Source::Stored, Some(profile)) = (connection.source, &connection.profile) else {
        return Ok(());
    };
    let credential = answer.credential.clone().unwrap_or_default();
    let until = moment::received(credential.expire_time.as_ref());
    let mut noted = profile.clone();
    noted.set_credential(&credential.display_name, until);
    if noted == *profile {
        return Ok(());
    }
    noted.store()
}

fn sites(answer: &WhoAmIResponse) -> String {
    let credential = answer.credential.clone().unwrap_or_default();
    let grant = credential.grant.unwrap_or_default();
    if answer.sites.is_empty() && (grant.whole_network || credential.name.is_empty()) {
        return "the whole network".to_owned();
    }
    if answer.sites.is_empty() {
        return "none".to_owned();
    }
    let shown: Vec<&str> = answer.sites.iter().map(|site| names::id(site)).collect();
    places(&shown, MOST_SITES)
}

/// How the connection is protected.
fn protection(connection: &Connection, encrypted: bool) -> String {
    let vouched = if connection.authority.is_some() {
        "the server is proved by the authority that was pinned"
    } else {
        "the server is proved by an authority that this system trusts"
    };
    match (encrypted, is_encrypted(&connection.endpoint)) {
        (true, true) => format!("encrypted; {vouched}"),
        (false, true) => {
            format!("encrypted as far as whatever stands before the server; {vouched}")
        }
        (true, false) => "encrypted".to_owned(),
        (false, false) if is_here(&connection.endpoint) => {
            "not encrypted; it stays on this computer".to_owned()
        }
        (false, false) => "NOT ENCRYPTED: others on the way can read everything".to_owned(),
    }
}

/// What proves who asks, and where it lies.
fn proof(connection: &Connection) -> String {
    let token = match (connection.source, &connection.profile) {
        (Source::Environment, _) => "the token in RINGTRUE_TOKEN".to_owned(),
        (Source::Stored, Some(profile)) => format!("the token of profile {}", profile.name),
        _ => String::new(),
    };
    match (token.as_str(), connection.identity.is_some()) {
        ("", true) => "a client certificate".to_owned(),
        (token, true) => format!("{token} and a client certificate"),
        (token, false) => token.to_owned(),
    }
}
