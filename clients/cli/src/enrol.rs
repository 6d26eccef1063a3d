//! `ringtrue enrol`: trades a one-time code for this computer's own credential.
//!
//! The order is such that a crash or a lost answer costs nothing: the secret is stored before the server hears of
//! it, and a repeat with the same code goes on with the same secret, which the server answers with the same
//! credential. Nothing secret leaves before the server has proved who it is.

mod authority;

use clap::Args;
use ringtrue_proto::v1::{Credential, CredentialKind, EnrolRequest};
use ringtrue_remote::{Token, TokenSecret, hex, sha256};

use crate::connection::{self, Connection, Said, no_home, same_server};
use crate::credential::card;
use crate::failure::Stop;
use crate::profile::{Begun, Home, Profile};
use crate::session::Session;
use crate::{moment, names, output};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue enrol https://ringtrue.example:7145
  ringtrue enrol https://ringtrue.example:7145 --pin 7K3M-Q9XW-2B4D-6F8H --profile porto
  ringtrue enrol http://127.0.0.1:7145               on the server's own computer
The code comes from whoever keeps access (`ringtrue credential invite`); it is good once
and for a short time. It is asked for, so that it does not stay in the shell's history.
The pin proves that the right server answers; it comes with the code, on another way than
this connection. If the answer is lost, repeat the command with the same code.";

/// Letters of a code (Crockford's base 32).
const ALPHABET: &str = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";

/// Letters and digits of a code.
const CODE: usize = 12;

/// Where to enrol, and with what.
#[derive(Debug, Args)]
pub(crate) struct Ask {
    /// Address of the server, for example https://ringtrue.example:7145.
    #[arg(value_name = "URL")]
    pub(crate) endpoint: String,
    /// One-time code; asked for when left out, which keeps it out of the shell's history.
    #[arg(long, value_name = "CODE")]
    code: Option<String>,
    /// Pin of the server's authority, as it came with the code.
    #[arg(long, value_name = "PIN")]
    pin: Option<String>,
    /// Replaces the credential that the profile holds, without asking.
    #[arg(long)]
    replace: bool,
}

/// Does what was asked.
pub(crate) async fn carry_out(
    ask: Ask,
    said: &Said,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let endpoint = connection::address(&ask.endpoint).map_err(Stop::Usage)?;
    let home = Home::found(&session.world.environment).ok_or_else(no_home)?;
    let mut profile = profile_for(&home, said, &endpoint)?;
    let authority = authority::proved(&endpoint, ask.pin.as_deref(), session).await?;
    let code = match &ask.code {
        Some(code) => read(code).map_err(Stop::Usage)?,
        None => session.ask_until(
            "Code",
            "12 letters and digits, used once",
            None,
            "--code",
            read,
        )?,
    };
    let begun = begun(&profile, &endpoint, &code)?;
    may_replace(&profile, &begun, ask.replace, session)?;
    profile.begin(&begun)?;

    let mut connection = Connection::bare(&endpoint);
    connection.authority.clone_from(&authority);
    connection.operator.clone_from(&said.operator);
    session.over.connection = connection;
    session.remote = session.over.remote()?;
    let request = EnrolRequest {
        code,
        secret_sha256: begun.secret.sha256(),
    };
    let answer = match session.remote.enrol(request).await {
        Ok(answer) => answer,
        Err(failure) => {
            if failure.leaves_doubt() {
                session.say(
                    "It is not certain whether the code was used. Repeat the command with the same code soon; it then \
                     goes on where it was.",
                )?;
            } else {
                profile.refused(&begun.code_sha256)?;
            }
            return Err(failure.into());
        }
    };
    let credential = answer.credential.clone().unwrap_or_default();
    let token = begun.secret.token(&credential.name).ok_or_else(|| {
        Stop::Broken(format!(
            "the server answered with no credential: `{}`",
            credential.name
        ))
    })?;
    store(
        &mut profile,
        &endpoint,
        authority.as_deref(),
        &credential,
        &token,
    )?;
    done(&home, &profile, &credential, token, session)?;
    if session.json {
        return session.show_json("EnrolResponse", &answer);
    }
    let drawn = card(&credential, session).await?;
    session.show(&output::card(&drawn, session.world.columns))
}

/// Stores what was gained; the token last, so that a profile with a token is whole.
fn store(
    profile: &mut Profile,
    endpoint: &str,
    authority: Option<&str>,
    credential: &Credential,
    token: &Token,
) -> Result<(), Stop> {
    profile.set_endpoint(endpoint);
    let grant = credential.grant.clone().unwrap_or_default();
    if let ([only], true) = (grant.sites.as_slice(), grant.site_groups.is_empty())
        && profile.site().is_none()
    {
        profile.set_site(names::id(only));
    }
    let until = moment::received(credential.expire_time.as_ref());
    profile.set_credential(&credential.display_name, until);
    profile.store()?;
    profile.store_authority(authority)?;
    profile.drop_next_token()?;
    profile.store_token(token)?;
    profile.enrolled()
}

/// Says what there is now and how to go on; the first profile is used from now on.
fn done(
    home: &Home,
    profile: &Profile,
    credential: &Credential,
    token: Token,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let name = &profile.name;
    let current = home.current()?;
    if current.is_none() {
        home.choose(Some(name))?;
    }
    session.over = session.over.with_token(token);
    session.remote = session.over.remote()?;
    if session.json {
        return Ok(());
    }
    session.say(&format!(
        "Enrolled. The credential is in {}; only you may read it.",
        profile.folder().display()
    ))?;
    match current {
        Some(other) if other != *name => session.say(&format!(
            "Profile {other} is still the one in use. `ringtrue profile use {name}` changes that; `--profile {name}` \
             does so once."
        ))?,
        _ => session.say(&format!("Profile {name} is in use."))?,
    }
    if credential.kind() == CredentialKind::Device && session.over.connection.operator.is_none() {
        session.say(
            "Several people may use this computer: each says who works with --operator CODE or RINGTRUE_OPERATOR.",
        )?;
    }
    Ok(())
}

/// The profile that is to take the credential: the one named, else that of the same server, else a new one called
/// after the server.
fn profile_for(home: &Home, said: &Said, endpoint: &str) -> Result<Profile, Stop> {
    let profile = match &said.profile {
        Some(named) => home.profile(named)?,
        None => same_or_new(home, endpoint)?,
    };
    if !profile.endpoint().is_empty() && !same_server(profile.endpoint(), endpoint) {
        return Err(Stop::Usage(format!(
            "Profile {} is for {}. Give another name: --profile NAME.",
            profile.name,
            profile.endpoint()
        )));
    }
    Ok(profile)
}

fn same_or_new(home: &Home, endpoint: &str) -> Result<Profile, Stop> {
    for found in home.names()? {
        let profile = home.profile(&found)?;
        if same_server(profile.endpoint(), endpoint) {
            return Ok(profile);
        }
    }
    home.profile(&called_after(endpoint))
}

/// A name made of a server's: `ringtrue-example`, `local` for this computer.
fn called_after(endpoint: &str) -> String {
    if connection::is_here(endpoint) {
        return "local".to_owned();
    }
    let host = connection::host(endpoint).unwrap_or_default();
    let mut name = String::new();
    for letter in host.chars() {
        if letter.is_ascii_alphanumeric() {
            name.push(letter.to_ascii_lowercase());
        } else if !name.is_empty() && !name.ends_with('-') {
            name.push('-');
        }
    }
    name.truncate(63);
    let name = name.trim_end_matches('-');
    if name.is_empty() { "server" } else { name }.to_owned()
}

/// The secret to enrol with: that of an earlier try with the same code at the same server, else a new one.
fn begun(profile: &Profile, endpoint: &str, code: &str) -> Result<Begun, Stop> {
    let code_sha256 = hex(&sha256(code.as_bytes()));
    if let Some(earlier) = profile.begun(&code_sha256)?
        && same_server(&earlier.endpoint, endpoint)
    {
        return Ok(earlier);
    }
    Ok(Begun {
        endpoint: endpoint.to_owned(),
        code_sha256,
        secret: TokenSecret::drawn().map_err(|fault| Stop::Broken(fault.to_string()))?,
    })
}

/// Makes sure that a credential which the profile holds may be given up.
fn may_replace(
    profile: &Profile,
    begun: &Begun,
    replace: bool,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let Some(token) = profile.token()? else {
        return Ok(());
    };
    if replace || profile.begun(&begun.code_sha256)?.is_some() {
        return Ok(());
    }
    let name = &profile.name;
    if !session.converses() {
        return Err(Stop::Refused(format!(
            "Profile {name} holds a credential already. Give --replace to put the new one in its place, or another \
             name with --profile."
        )));
    }
    let id = token.credential();
    let question =
        format!("Profile {name} holds {id} already. Put the new credential in its place?");
    if session.agreed(&question)? {
        return Ok(());
    }
    Err(Stop::Left)
}

/// Reads a code in any case, with or without hyphens and blanks; I and L are read as 1, O as 0.
fn read(text: &str) -> Result<String, String> {
    let wrong = "this is no enrolment code: it has 12 letters and digits, such as 7K3M-Q9XW-2B4D";
    let mut code = String::new();
    for letter in text.chars() {
        let letter = match letter.to_ascii_uppercase() {
            '-' | ' ' => continue,
            'I' | 'L' => '1',
            'O' => '0',
            other => other,
        };
        if !ALPHABET.contains(letter) {
            return Err(wrong.to_owned());
        }
        code.push(letter);
    }
    if code.len() == CODE {
        Ok(code)
    } else {
        Err(wrong.to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_read_as_people_type_it() {
        for text in ["7K3M-Q9XW-2B4D", "7k3mq9xw2b4d", " 7K3M Q9XW 2B4D "] {
            assert_eq!(read(text).as_deref(), Ok("7K3MQ9XW2B4D"), "{text}");
        }
        assert_eq!(read("oil0-0000-0000").as_deref(), Ok("011000000000"));
        for text in [
            "",
            "9ZV3-M4XW-8T1",
            "9ZV3-M4XW-8T1DD",
            "9ZV3-M4XW-8T1U",
            "9ZV3-M4XW-8T1é",
        ] {
            let refused = read(text).expect_err(text);
            assert!(refused.contains("12 letters"), "{refused}");
            assert!(text.is_empty() || !refused.contains(text), "{refused}");
        }
    }

    #[test]
    fn a_profile_is_called_after_its_server() {
        for (endpoint, name) in [
            ("https://Ringtrue.example:7145", "ringtrue-example"),
            ("http://127.0.0.1:7145", "local"),
            ("https://[2001:db8::1]:7145", "2001-db8-1"),
            ("https://localhost", "local"),
        ] {
            assert_eq!(called_after(endpoint), name, "{endpoint}");
        }
    }
}
