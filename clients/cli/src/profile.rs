//! `ringtrue profile`: which servers this computer knows, and with whose credential.
//!
//! A profile is a folder of plain files that the person may read; its secrets are closed to everybody else. None of
//! these commands asks a server anything.

mod home;
pub(crate) mod kept;

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use jiff::tz::TimeZone;

use crate::World;
use crate::connection::{self, Said, no_home, same_server};
use crate::failure::Stop;
use crate::{moment, output, queue};

pub(crate) use home::{Begun, Home, Profile, name};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue enrol https://ringtrue.example:7145     makes a profile, with a code
  ringtrue profile list                            which servers, with whose credential
  ringtrue profile use lima                        from now on
  ringtrue --profile porto due                     this once
  ringtrue profile set --site porto --operator ab
Profiles lie in $RINGTRUE_HOME, else where this system keeps settings. Only you may
read them; copy them nowhere. A lost computer's credential must be revoked on the
server: `ringtrue credential revoke`.";

/// Largest certificate file taken, bytes.
const LARGEST_PEM: u64 = 256 * 1024;

/// What to do with profiles.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists the profiles of this computer; the one in use is marked.
    List,
    /// Uses a profile from now on.
    Use {
        /// Profile, for example porto.
        #[arg(value_name = "NAME", value_parser = name)]
        which: String,
    },
    /// Sets what a profile holds, as --site, --operator and --endpoint say; the one in use when not named.
    Set {
        /// Profile, for example porto; made when it is not there and --endpoint is given.
        #[arg(value_name = "NAME", value_parser = name)]
        which: Option<String>,
        #[command(flatten)]
        files: Files,
    },
    /// Removes a profile from this computer, its credential included.
    Remove {
        /// Profile, for example porto.
        #[arg(value_name = "NAME", value_parser = name)]
        which: String,
        /// Does not ask.
        #[arg(long)]
        yes: bool,
    },
}

/// Certificates that a profile takes from files.
#[derive(Debug, Args)]
pub(crate) struct Files {
    /// File with the certificate (PEM) of the authority that vouches for the server.
    #[arg(long, value_name = "FILE")]
    authority: Option<PathBuf>,
    /// File with this client's own certificate (PEM), where the server asks for one.
    #[arg(long, value_name = "FILE")]
    identity: Option<PathBuf>,
    /// File with the certificate's private key (PEM), where it is not in the same file.
    #[arg(long, value_name = "FILE", requires = "identity")]
    identity_key: Option<PathBuf>,
}

/// Does what was asked.
pub(crate) fn carry_out(
    ask: Ask,
    said: &Said,
    json: bool,
    world: &mut World<'_>,
) -> Result<(), Stop> {
    let home = Home::found(&world.environment).ok_or_else(no_home)?;
    match ask {
        Ask::List => list(&home, json, world),
        Ask::Use { which } => {
            let profile = there(&home, &which)?;
            home.choose(Some(&profile.name))?;
            let endpoint = profile.endpoint();
            writeln!(
                world.err,
                "Profile {which} ({endpoint}) is used from now on."
            )?;
            for variable in ["RINGTRUE_PROFILE", "RINGTRUE_ENDPOINT"] {
                if world.environment.contains_key(variable) {
                    writeln!(world.err, "{variable} is set here and goes before it.")?;
                }
            }
            Ok(())
        }
        Ask::Set { which, files } => {
            let which = which.or_else(|| said.profile.clone());
            set(&home, which, said, &files, world)
        }
        Ask::Remove { which, yes } => remove(&home, &which, yes, world),
    }
}

fn there(home: &Home, which: &str) -> Result<Profile, Stop> {
    let profile = home.profile(which)?;
    if profile.exists() {
        return Ok(profile);
    }
    Err(Stop::Missing(format!(
        "There is no profile {which} on this computer. `ringtrue profile list` shows those there are."
    )))
}

fn list(home: &Home, json: bool, world: &mut World<'_>) -> Result<(), Stop> {
    let current = home.current()?;
    let mut rows = Vec::new();
    let mut listed = Vec::new();
    for found in home.names()? {
        let profile = home.profile(&found)?;
        let token = profile.token()?;
        let is_current = current.as_deref() == Some(found.as_str());
        let until = profile.until();
        let credential = token.as_ref().map(ringtrue_remote::Token::credential);
        if json {
            listed.push(serde_json::json!({
                "name": found,
                "current": is_current,
                "endpoint": profile.endpoint(),
                "credential": credential,
                "displayName": profile.holder(),
                "expireTime": until.map(|until| until.to_string()),
                "site": profile.site(),
                "operator": profile.operator(),
            }));
            continue;
        }
        let holder = match (profile.holder(), &credential) {
            (Some(holder), Some(_)) => holder.to_owned(),
            (None, Some(credential)) => credential.clone(),
            (_, None) if profile.enrols() => "enrolment not finished".to_owned(),
            (_, None) => "none".to_owned(),
        };
        let until = match until.filter(|_| credential.is_some()) {
            Some(until) if until <= world.now => {
                format!("ended {}", moment::brief(until, &TimeZone::UTC))
            }
            Some(until) => moment::brief(until, &TimeZone::UTC),
            None => String::new(),
        };
        rows.push(vec![
            found,
            if is_current { "in use" } else { "" }.to_owned(),
            profile.endpoint().to_owned(),
            holder,
            until,
            profile.site().unwrap_or_default().to_owned(),
        ]);
    }
    if json {
        let text = serde_json::json!({ "profiles": listed });
        writeln!(world.out, "{text:#}")?;
        return Ok(());
    }
    if rows.is_empty() {
        writeln!(
            world.err,
            "There are no profiles yet. `ringtrue enrol URL` makes one, with a code from whoever keeps access."
        )?;
        return Ok(());
    }
    let headings = ["profile", "", "server", "credential", "until", "site"];
    let drawn = output::table(&headings, &rows, world.columns);
    writeln!(world.out, "{drawn}")?;
    Ok(())
}

fn set(
    home: &Home,
    which: Option<String>,
    said: &Said,
    files: &Files,
    world: &mut World<'_>,
) -> Result<(), Stop> {
    let which = match which {
        Some(which) => which,
        None => home.current()?.ok_or_else(|| {
            Stop::Usage("No profile is in use. Name one: `ringtrue profile set NAME`.".to_owned())
        })?,
    };
    let mut profile = home.profile(&which)?;
    if !profile.exists() && said.endpoint.is_none() {
        return Err(Stop::Missing(format!(
            "There is no profile {which} on this computer. Give --endpoint to make it, or enrol."
        )));
    }
    let mut named = false;
    if let Some(site) = said.sites.last() {
        profile.set_site(site.trim());
        named = true;
    }
    if let Some(operator) = &said.operator {
        profile.set_operator(operator.trim());
        named = true;
    }
    if let Some(endpoint) = &said.endpoint {
        move_to(&mut profile, endpoint)?;
        named = true;
    }
    let authority = match &files.authority {
        Some(file) => Some(pem(file, CERTIFICATE)?),
        None => None,
    };
    let identity = identity(files)?;
    if !named && authority.is_none() && identity.is_none() {
        return Err(Stop::Usage(
            "Nothing to set is named. Give --site, --operator, --endpoint, --authority or --identity; an empty text \
             takes a site or staff code away."
                .to_owned(),
        ));
    }
    profile.store()?;
    if let Some(pem) = authority {
        profile.store_authority(Some(&pem))?;
    }
    if let Some(pem) = identity {
        profile.store_identity(&pem)?;
    }
    writeln!(world.err, "Profile {which} is set.")?;
    Ok(())
}

/// Gives a profile another address. A token goes there only where the server must prove that it is the same.
fn move_to(profile: &mut Profile, endpoint: &str) -> Result<(), Stop> {
    let endpoint = connection::address(endpoint).map_err(Stop::Usage)?;
    let moves = !profile.endpoint().is_empty() && !same_server(profile.endpoint(), &endpoint);
    let proves = connection::is_encrypted(&endpoint) && profile.authority()?.is_some();
    if moves && !proves && profile.token()?.is_some() {
        return Err(Stop::Refused(format!(
            "Profile {0} holds a credential for {1}, and nothing proves that {endpoint} is the same server. Enrol \
             there: `ringtrue enrol {endpoint}`, with --profile and another name.",
            profile.name,
            profile.endpoint()
        )));
    }
    profile.set_endpoint(&endpoint);
    Ok(())
}

/// How a certificate begins in a PEM file (RFC 7468).
const CERTIFICATE: &str = "-----BEGIN CERTIFICATE-----";

/// How every private key ends its first line there, whatever its kind.
const KEY: &str = "PRIVATE KEY-----";

/// Reads the client's own certificate and its key, from one file or from two.
fn identity(files: &Files) -> Result<Option<String>, Stop> {
    let Some(file) = &files.identity else {
        return Ok(None);
    };
    let mut text = pem(file, CERTIFICATE)?;
    if let Some(key) = &files.identity_key {
        if !text.ends_with('\n') {
            text.push('\n');
        }
        text.push_str(&pem(key, KEY)?);
    }
    if text.contains(KEY) {
        return Ok(Some(text));
    }
    Err(Stop::Usage(format!(
        "{} holds a certificate without its private key. Name the key's file with --identity-key.",
        file.display()
    )))
}

/// Reads a PEM file that the person names and that must hold something.
fn pem(file: &Path, something: &str) -> Result<String, Stop> {
    let shown = file.display();
    let size = std::fs::metadata(file).map_or(0, |metadata| metadata.len());
    if size > LARGEST_PEM {
        return Err(Stop::Refused(format!("{shown} is too large for PEM.")));
    }
    let text = std::fs::read_to_string(file)
        .map_err(|fault| Stop::Refused(format!("{shown} cannot be read: {fault}.")))?;
    if text.contains(something) {
        return Ok(text);
    }
    Err(Stop::Refused(format!(
        "{shown} is not PEM of the kind that is needed: `{something}` does not stand in it."
    )))
}

fn remove(home: &Home, which: &str, yes: bool, world: &mut World<'_>) -> Result<(), Stop> {
    let profile = there(home, which)?;
    if let Some(count) = queue::waiting_of(home.path(), which).filter(|count| *count > 0) {
        return Err(Stop::Refused(format!(
            "{count} in the queue of profile {which} are not on record yet; without its credential they could not be \
             sent. Send or drop them first: `ringtrue queue list --profile {which}`."
        )));
    }
    // A token that cannot be read is removed all the same.
    let credential = profile.token().ok().flatten();
    let credential = credential.as_ref().map(ringtrue_remote::Token::credential);
    if !yes {
        let Some(person) = &mut world.conversation else {
            return Err(Stop::Usage(
                "Nobody is at a terminal to be asked. Give --yes to remove it without asking."
                    .to_owned(),
            ));
        };
        let endpoint = profile.endpoint();
        let question = format!("Remove profile {which} ({endpoint}) with its credential?");
        if !person.agreement(&question)? {
            return Err(Stop::Left);
        }
    }
    profile.remove()?;
    if home.current()?.as_deref() == Some(which) {
        home.choose(None)?;
    }
    writeln!(world.err, "Profile {which} is removed from this computer.")?;
    if let Some(credential) = credential {
        let id = crate::names::id(&credential);
        writeln!(
            world.err,
            "Its credential still holds on the server until it is revoked: ringtrue credential revoke {id} --why \
             removed"
        )?;
    }
    Ok(())
}
