//! A new secret for a credential.
//!
//! This computer's own is rotated in place: the new secret is stored before the server hears of it, and the old one is
//! given up only when the new one has proved itself in a call. Whatever is lost meanwhile, one of the two works, and a
//! repeat finishes the work.

use clap::Args;
use ringtrue_proto::v1::{Credential, RotateCredentialRequest, WhoAmIRequest};
use ringtrue_remote::{Code, Token, TokenSecret};

use crate::command::Repeat;
use crate::connection::Source;
use crate::failure::Stop;
use crate::profile::Profile;
use crate::session::Session;
use crate::{moment, names};

use super::{show, zone};

/// Minutes that the old secret of this computer's own credential still works when nobody says otherwise: time enough
/// to repeat a command whose answer was lost.
const OVERLAP_MIN: i32 = 10;

/// Which credential, and how.
#[derive(Debug, Args)]
pub(crate) struct Rotate {
    /// Credential, by its id; this computer's own when left out.
    credential: Option<String>,
    /// Minutes that the old secret still works (0 to 1440); 10 for this computer's own, else 0.
    #[arg(long, value_name = "MIN", allow_negative_numbers = true)]
    overlap: Option<i32>,
    #[command(flatten)]
    repeat: Repeat,
}

/// Rotates a credential.
pub(super) async fn rotate(ask: Rotate, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let named = match &ask.credential {
        Some(text) => Some(names::credential(text).map_err(Stop::Usage)?),
        None => None,
    };
    let connection = &session.over.connection;
    let own = match (connection.source, &connection.profile, &connection.token) {
        (Source::Stored, Some(profile), Some(token)) => Some((profile.clone(), token.clone())),
        _ => None,
    };
    match (named, own) {
        (None, Some((profile, token))) => in_place(&ask, &profile, token, session).await,
        (Some(named), Some((profile, token))) if token.credential() == named => {
            in_place(&ask, &profile, token, session).await
        }
        (Some(named), _) => another(&ask, named, session).await,
        (None, None) if connection.source == Source::Environment => Err(Stop::Usage(
            "The token comes from RINGTRUE_TOKEN, where this command cannot put a new one. Name the credential: \
             `ringtrue whoami` shows it; the new token is then shown once."
                .to_owned(),
        )),
        (None, None) => Err(Stop::Usage(
            "This computer has no credential here. Name the one to rotate; `ringtrue credential list` shows them."
                .to_owned(),
        )),
    }
}

/// Rotates somebody else's; the server makes the secret and shows the token once.
async fn another(ask: &Rotate, name: String, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let request_id = session
        .repeatable(ask.repeat.request_id.as_deref())?
        .request_id;
    let request = RotateCredentialRequest {
        name,
        overlap_min: ask.overlap.unwrap_or_default(),
        request_id: request_id.clone(),
        ..RotateCredentialRequest::default()
    };
    let answer = session.remote.rotate_credential(request).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    if session.json {
        return session.show_json("RotateCredentialResponse", &answer);
    }
    let rotated = answer.credential.unwrap_or_default();
    let id = names::id(&rotated.name);
    if answer.token.is_empty() {
        return session.say(&format!(
            "Credential {id} was rotated before; its token was shown then and is kept nowhere. Rotate it once more for \
             a new one."
        ));
    }
    session.show(&answer.token)?;
    let old = until(&rotated, session).await;
    session.say(&format!(
        "This token is shown once and kept nowhere. {old} If it gets about: ringtrue credential revoke {id}"
    ))
}

/// Rotates this computer's own.
async fn in_place(
    ask: &Rotate,
    profile: &Profile,
    token: Token,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let next = match profile.next_token()? {
        Some(next) if next.credential() == token.credential() => {
            // The server may have heard of it before this computer lost its answer.
            if let Some(credential) = proved(&next, session).await? {
                return finish(profile, next, &credential, session).await;
            }
            next
        }
        _ => {
            let secret = TokenSecret::drawn().map_err(|fault| Stop::Broken(fault.to_string()))?;
            let next = secret.token(&token.credential()).ok_or_else(|| {
                Stop::Broken("the stored token names no credential; enrol again".to_owned())
            })?;
            profile.store_next_token(&next)?;
            next
        }
    };
    let secret_sha256 = next.secret_sha256();
    let request_id = session
        .repeatable(ask.repeat.request_id.as_deref())?
        .request_id;
    let request = RotateCredentialRequest {
        name: String::new(),
        secret_sha256,
        overlap_min: ask.overlap.unwrap_or(OVERLAP_MIN),
        request_id,
    };
    if let Err(failure) = session.remote.rotate_credential(request).await {
        if failure.leaves_doubt() {
            session.say(
                "It is not certain whether the credential was rotated. Both secrets are kept; repeat the command, and \
                 it goes on where it was.",
            )?;
        } else {
            profile.drop_next_token()?;
        }
        return Err(failure.into());
    }
    match proved(&next, session).await? {
        Some(credential) => finish(profile, next, &credential, session).await,
        None => Err(Stop::Refused(
            "The server took the new secret but does not know it. Both secrets are kept; repeat the command.".to_owned(),
        )),
    }
}

/// Asks the server who holds a token; none when it is not taken.
async fn proved(token: &Token, session: &Session<'_, '_>) -> Result<Option<Credential>, Stop> {
    let remote = session.over.with_token(token.clone()).remote()?;
    match remote.who_am_i(WhoAmIRequest {}).await {
        Ok(answer) => Ok(answer
            .credential
            .filter(|credential| credential.name == token.credential())),
        Err(failure) if failure.code == Code::Unauthenticated => Ok(None),
        Err(failure) => Err(failure.into()),
    }
}

/// Puts the proved token in the place of the old one.
async fn finish(
    profile: &Profile,
    token: Token,
    credential: &Credential,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    profile.take_next_token()?;
    let mut noted = profile.clone();
    let until_when = moment::received(credential.expire_time.as_ref());
    noted.set_credential(&credential.display_name, until_when);
    noted.store()?;
    session.over = session.over.with_token(token);
    session.remote = session.over.remote()?;
    show(credential, session).await?;
    if session.json {
        return Ok(());
    }
    let old = until(credential, session).await;
    session.say(&format!(
        "Rotated: the new secret works and is stored in profile {}. {old}",
        profile.name
    ))
}

/// Says until when the old secret works.
async fn until(credential: &Credential, session: &mut Session<'_, '_>) -> String {
    match moment::received(credential.previous_secret_end_time.as_ref()) {
        Some(at) if at > session.world.now => {
            let zone = zone(&credential.grant.clone().unwrap_or_default(), session).await;
            format!("The old one works until {}.", moment::shown(at, &zone))
        }
        _ => "The old one works no more.".to_owned(),
    }
}
