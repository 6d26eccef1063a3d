//! `ringtrue credential`: who may do what, and what proves it.
//!
//! A token or code that is shown stands alone on stdout, so that it can be piped to where it belongs; words about it
//! go to stderr.

mod invitation;
mod rotation;
mod wish;

use std::path::PathBuf;

use clap::{Args, Subcommand};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    CreateCredentialRequest, Credential, CredentialState, GetCredentialRequest, Grant,
    ListCredentialsRequest, ListCredentialsResponse, RevokeCredentialRequest,
};
use ringtrue_remote::certificate_sha256;

use crate::command::{Limit, Repeat};
use crate::failure::Stop;
use crate::session::{Session, gathered};
use crate::site::shown_list;
use crate::{moment, names, output, words};

use wish::Wish;

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue credential invite --name 'bench in the firing room' --role technician --site porto
  ringtrue credential invite --name 'help desk' --role support --group north --person ab
  ringtrue credential add --name 'case management' --program --site porto \\
      --permit read --permit record > token
  ringtrue credential list
  ringtrue credential rotate                         this computer's own, in place
  ringtrue credential revoke ID --why 'laptop lost'  at once and for good
Roles: technician and site-manager are for named sites; quality and administrator for the
whole network; support, auditor and integration for either (--network).
Nobody can give what they do not have. A code is better than a token: it is good once and
for a short time, and the secret is made where it is used.";

/// Most places that are named one by one in a table.
const MOST_PLACES: usize = 4;

/// What to do with credentials.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists the credentials that you may keep, newest first.
    List {
        /// Those that ended or were revoked too.
        #[arg(long)]
        ended: bool,
        #[command(flatten)]
        limit: Limit,
    },
    /// Shows one credential.
    Show {
        /// Credential, by its id.
        credential: String,
    },
    /// Makes a credential with a token, which is shown once; better: `invite`.
    Add(Box<Add>),
    /// Makes a one-time code with which somebody enrols by themselves.
    Invite(Box<invitation::Invite>),
    /// Lists the codes that were made, newest first, without the codes.
    Invitations(Limit),
    /// Makes a code worthless.
    RevokeInvitation {
        /// Invitation, by its id.
        invitation: String,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Gives a credential a new secret and its lifetime anew: this computer's own when none is named.
    Rotate(rotation::Rotate),
    /// Ends a credential at once and for good.
    Revoke {
        /// Credential, by its id.
        credential: String,
        /// Why; kept in the audit chain.
        #[arg(long, value_name = "TEXT", default_value = "")]
        why: String,
        #[command(flatten)]
        repeat: Repeat,
    },
}

/// A credential that is wanted now.
#[derive(Debug, Args)]
pub(crate) struct Add {
    #[command(flatten)]
    wish: Wish,
    /// Client certificate (PEM) that its holder must show besides.
    #[arg(long, value_name = "FILE")]
    certificate: Option<PathBuf>,
    /// The certificate alone proves it; no token is made.
    #[arg(long, requires = "certificate")]
    certificate_only: bool,
    #[command(flatten)]
    repeat: Repeat,
}

/// Does what was asked; `sites` are those named with --site.
pub(crate) async fn carry_out(
    ask: Ask,
    sites: Vec<String>,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    match ask {
        Ask::List { ended, limit } => list(ended, limit.limit, session).await,
        Ask::Show { credential } => {
            let name = names::credential(&credential).map_err(Stop::Usage)?;
            let answer = session
                .remote
                .credential(GetCredentialRequest { name })
                .await?;
            let credential = answer.credential.unwrap_or_default();
            show(&credential, session).await
        }
        Ask::Add(add) => self::add(*add, &sites, session).await,
        Ask::Invite(invite) => invitation::invite(*invite, &sites, session).await,
        Ask::Invitations(limit) => invitation::list(limit.limit, session).await,
        Ask::RevokeInvitation { invitation, repeat } => {
            invitation::revoke(&invitation, &repeat, session).await
        }
        Ask::Rotate(rotate) => rotation::rotate(rotate, session).await,
        Ask::Revoke {
            credential,
            why,
            repeat,
        } => revoke(&credential, why, &repeat, session).await,
    }
}

async fn list(ended: bool, limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let remote = session.remote.clone();
    let (credentials, next_page_token) = gathered(limit, async |page_size, page_token| {
        let ask = ListCredentialsRequest {
            page_size,
            page_token,
            show_ended: ended,
        };
        let page = remote.credentials(ask).await?;
        Ok((page.credentials, page.next_page_token))
    })
    .await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListCredentialsResponse {
            credentials,
            next_page_token,
        };
        return session.show_json("ListCredentialsResponse", &whole);
    }
    let mut rows = Vec::new();
    for credential in &credentials {
        rows.push(row(credential, session.world.now));
    }
    let headings = [
        "for",
        "held by",
        "role",
        "where",
        "until",
        "last used",
        "id",
    ];
    shown_list("credentials", &headings, &rows, more, session)
}

fn row(credential: &Credential, now: Timestamp) -> Vec<String> {
    let grant = credential.grant.clone().unwrap_or_default();
    let brief = |stamp: Option<&prost_types::Timestamp>| {
        let at = moment::received(stamp);
        at.map(|at| moment::brief(at, &TimeZone::UTC))
    };
    let until = match credential.state() {
        CredentialState::Revoked => "revoked".to_owned(),
        CredentialState::Expired => "ended".to_owned(),
        _ => {
            let until = brief(credential.expire_time.as_ref()).unwrap_or_default();
            match days_left(credential, now) {
                Some(days) if days < 30 => format!("{until} (in {days} days)"),
                _ => until,
            }
        }
    };
    vec![
        credential.display_name.clone(),
        held_by(credential),
        words::word(words::ROLES, grant.role()).to_owned(),
        reach(&grant),
        until,
        brief(credential.last_use_time.as_ref()).unwrap_or_else(|| "never".to_owned()),
        names::id(&credential.name).to_owned(),
    ]
}

/// Days until a credential ends; none when it has ended, or does not say.
pub(crate) fn days_left(credential: &Credential, now: Timestamp) -> Option<i64> {
    let until = moment::received(credential.expire_time.as_ref())?;
    (until > now).then(|| until.duration_since(now).as_hours() / 24)
}

fn held_by(credential: &Credential) -> String {
    let kind = words::word(words::CREDENTIAL_KINDS, credential.kind());
    if credential.person.is_empty() {
        kind.to_owned()
    } else {
        format!("{kind} {}", credential.person)
    }
}

/// Names places one by one, and the rest by their number.
pub(crate) fn places(names: &[&str], most: usize) -> String {
    if names.len() <= most {
        return names.join(", ");
    }
    let shown = names.iter().take(most).copied().collect::<Vec<_>>();
    format!("{} and {} more", shown.join(", "), names.len() - most)
}

/// Says where a grant holds.
fn reach(grant: &Grant) -> String {
    if grant.whole_network {
        return "network".to_owned();
    }
    let mut parts = Vec::new();
    for site in &grant.sites {
        parts.push(names::id(site).to_owned());
    }
    for group in &grant.site_groups {
        parts.push(format!("group {}", names::id(group)));
    }
    let parts: Vec<&str> = parts.iter().map(String::as_str).collect();
    places(&parts, MOST_PLACES)
}

/// The zone in which times about a grant are shown: its site's where it has just one that may be read.
pub(crate) async fn zone(grant: &Grant, session: &mut Session<'_, '_>) -> TimeZone {
    match grant.sites.as_slice() {
        [only] if grant.site_groups.is_empty() => session.zone(only).await.unwrap_or(TimeZone::UTC),
        _ => TimeZone::UTC,
    }
}

/// A credential as labelled values.
pub(crate) async fn card(
    credential: &Credential,
    session: &mut Session<'_, '_>,
) -> Result<Vec<(&'static str, String)>, Stop> {
    let grant = credential.grant.clone().unwrap_or_default();
    let zone = zone(&grant, session).await;
    let shown = |stamp: Option<&prost_types::Timestamp>| {
        let at = moment::received(stamp);
        at.map(|at| moment::shown(at, &zone)).unwrap_or_default()
    };
    let mut permits = Vec::new();
    for permission in grant.permissions() {
        permits.push(words::word(words::PERMISSIONS, permission));
    }
    let used = match (
        shown(credential.last_use_time.as_ref()),
        credential.last_use_address.as_str(),
    ) {
        (when, "") => when,
        (when, address) => format!("{when} from {address}"),
    };
    let proof = match (
        credential.has_token,
        credential.certificate_sha256.is_empty(),
    ) {
        (true, true) => "token",
        (true, false) => "token and client certificate",
        (false, false) => "client certificate",
        (false, true) => "",
    };
    Ok(vec![
        ("Credential", credential.name.clone()),
        ("For", credential.display_name.clone()),
        ("Held by", held_by(credential)),
        ("Role", words::word(words::ROLES, grant.role()).to_owned()),
        ("Permits", permits.join(", ")),
        (
            "Where",
            match reach(&grant).as_str() {
                "network" => "the whole network".to_owned(),
                some => some.to_owned(),
            },
        ),
        (
            "State",
            words::word(words::CREDENTIAL_STATES, credential.state()).to_owned(),
        ),
        ("Until", shown(credential.expire_time.as_ref())),
        ("Revoked", shown(credential.revoke_time.as_ref())),
        ("Made", shown(credential.create_time.as_ref())),
        ("Last used", used),
        ("Proved by", proof.to_owned()),
        ("Certificate", credential.certificate_sha256.clone()),
        (
            "Old secret until",
            shown(credential.previous_secret_end_time.as_ref()),
        ),
        (
            "Signs",
            if credential.has_signing_phrase {
                "with a signing phrase".to_owned()
            } else {
                String::new()
            },
        ),
    ])
}

async fn show(credential: &Credential, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json {
        return session.show_json("Credential", credential);
    }
    let lines = card(credential, session).await?;
    session.show(&output::card(&lines, session.world.columns))
}

async fn add(add: Add, sites: &[String], session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let mut credential = add.wish.credential(sites, session).await?;
    if let Some(file) = &add.certificate {
        let shown = file.display();
        let pem = std::fs::read(file)
            .map_err(|fault| Stop::Refused(format!("{shown} cannot be read: {fault}.")))?;
        credential.certificate_sha256 = certificate_sha256(&pem).ok_or_else(|| {
            Stop::Refused(format!(
                "{shown} holds no certificate in PEM; it begins with -----BEGIN CERTIFICATE-----."
            ))
        })?;
    }
    let request_id = session
        .repeatable(add.repeat.request_id.as_deref())?
        .request_id;
    let ask = CreateCredentialRequest {
        credential: Some(credential),
        certificate_only: add.certificate_only,
        request_id: request_id.clone(),
    };
    let answer = session.remote.create_credential(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    if session.json {
        return session.show_json("CreateCredentialResponse", &answer);
    }
    let made = answer.credential.clone().unwrap_or_default();
    let id = names::id(&made.name);
    if answer.token.is_empty() && made.has_token {
        return session.say(&format!(
            "Credential {id} was made before; its token was shown then and is kept nowhere. If it is lost, `ringtrue \
             credential rotate {id}` gives a new one."
        ));
    }
    if answer.token.is_empty() {
        session.say(&format!(
            "Made: {id}. The certificate alone proves it; there is no token."
        ))?;
        return show(&made, session).await;
    }
    session.show(&answer.token)?;
    let zone = zone(&made.grant.clone().unwrap_or_default(), session).await;
    let until = moment::received(made.expire_time.as_ref());
    let until = until.map(|at| moment::shown(at, &zone)).unwrap_or_default();
    session.say(&format!(
        "This token is shown once and kept nowhere; whoever has it is {held} at the server until {until}. A program \
         sends it as `authorization: Bearer TOKEN`; this command line takes it from RINGTRUE_TOKEN. If it gets about: \
         ringtrue credential revoke {id}",
        held = made.display_name
    ))
}

async fn revoke(
    credential: &str,
    reason: String,
    repeat: &Repeat,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let name = names::credential(credential).map_err(Stop::Usage)?;
    let own = session.over.connection.token.as_ref();
    if own.is_some_and(|own| own.credential() == name)
        && session.converses()
        && !session.agreed("This is the credential you are using now. End it for good?")?
    {
        return Err(Stop::Left);
    }
    let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
    let ask = RevokeCredentialRequest {
        name,
        reason,
        request_id: request_id.clone(),
    };
    let answer = session.remote.revoke_credential(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    let ended = answer.credential.unwrap_or_default();
    show(&ended, session).await?;
    if session.json {
        return Ok(());
    }
    session.say("Revoked at once and for good; streams that it has open end within seconds.")
}

#[cfg(test)]
mod tests;
