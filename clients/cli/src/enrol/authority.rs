//! Whether the right server answers, before anything secret goes there.
//!
//! With a pin, the authority that the server presents must have it. Without one, a server that an authority of this
//! system vouches for is taken as it is; any other only when a person has compared the pin with what the
//! administrator gave them.

use ringtrue_proto::v1::WhoAmIRequest;
use ringtrue_remote::{Pin, Presented, presented_authority};

use crate::connection::{Connection, is_encrypted};
use crate::failure::Stop;
use crate::session::Session;

/// Makes sure of the server; gives the certificate (PEM) by which it is known from now on, none where the system's
/// authorities vouch for it or the connection stays on this computer.
pub(super) async fn proved(
    endpoint: &str,
    pin: Option<&str>,
    session: &mut Session<'_, '_>,
) -> Result<Option<String>, Stop> {
    let pin = match pin {
        Some(text) => Some(
            text.parse::<Pin>()
                .map_err(|fault| Stop::Usage(format!("--pin: {fault}.")))?,
        ),
        None => None,
    };
    if !is_encrypted(endpoint) {
        if pin.is_some() {
            return Err(Stop::Usage(format!(
                "{endpoint} is not encrypted, so no pin can be compared. Use the server's https:// address, or leave --pin \
                 out on the server's own computer."
            )));
        }
        return Ok(None);
    }
    if pin.is_none() && vouched_for(endpoint, session).await? {
        session.say(
            "An authority that this system trusts vouches for the server; no pin is needed, and none is kept.",
        )?;
        return Ok(None);
    }
    let presented = presented_authority(endpoint, session.over.deadline()).await?;
    match pin {
        Some(pin) if pin == presented.pin => {
            session.say("The server's authority has the pin given.")?;
        }
        Some(pin) => return Err(another(pin, &presented)),
        None => compared(endpoint, &presented, session)?,
    }
    String::from_utf8(presented.authority_pem)
        .map(Some)
        .map_err(|_| Stop::Broken("the server's certificate cannot be written as text".to_owned()))
}

/// Whether an authority of this system vouches for the server.
async fn vouched_for(endpoint: &str, session: &Session<'_, '_>) -> Result<bool, Stop> {
    let over = session.over.to(Connection::bare(endpoint));
    // A system without authorities of its own vouches for nobody.
    let Ok(remote) = over.remote() else {
        return Ok(false);
    };
    match remote.who_am_i(WhoAmIRequest {}).await {
        Ok(_) => Ok(true),
        Err(failure) if failure.is_about_trust() => Ok(false),
        // It did not say who asks; whoever refuses that has proved itself before.
        Err(failure) if !failure.leaves_doubt() => Ok(true),
        Err(failure) => Err(failure.into()),
    }
}

fn another(pin: Pin, presented: &Presented) -> Stop {
    Stop::Refused(format!(
        "The server's authority has the pin {}, not {pin}. Do not go on: either the pin was mistyped, or another server \
         answers, or somebody stands in between. Nothing secret was sent. Ask the administrator for the pin again, by \
         telephone or in person.",
        presented.pin
    ))
}

/// Has a person compare the pin with what the administrator gave them.
fn compared(
    endpoint: &str,
    presented: &Presented,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let pin = presented.pin;
    if !session.converses() {
        return Err(Stop::Refused(format!(
            "Nothing proves yet that {endpoint} is the right server, and nobody is at a terminal to compare its pin. Give \
             the pin that came with the code: --pin PIN. Nothing secret was sent."
        )));
    }
    session.say(&format!(
        "{endpoint} presents itself as {}, from an authority with this pin:",
        presented.names.join(", ")
    ))?;
    session.say(&format!("  {pin}"))?;
    if session.agreed("Does the administrator's sheet show exactly this pin?")? {
        return Ok(());
    }
    Err(Stop::Refused(
        "Then another server answers, or somebody stands in between. Nothing secret was sent. Ask the administrator."
            .to_owned(),
    ))
}
