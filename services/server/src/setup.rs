//! What a first installation needs, made in one go; and what is made anew from it later.
//!
//! Made are an authority of the network's own, the server's certificate from it, settings that use both, and an
//! empty database. Nothing that exists is touched: an authority that is overwritten locks every client out.

mod authority;
mod files;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, ensure};
use data_encoding::HEXLOWER;
use jiff::Timestamp;
use ringtrue_fleet::enrolment::USUAL_VALID_MIN;
use ringtrue_store::Store;
use rustls::pki_types::ServerName;

use crate::app;
use crate::clock::Clock;
use crate::config::{Overrides, Settings};
use crate::ids::Ids;
use crate::seal::Seal;
use authority::Authority;
use files::{Made, replace};

/// The authority's certificate, below the folder of the installation; the one file that is given to clients.
const AUTHORITY: &str = "tls/authority.pem";

/// Its private key.
const AUTHORITY_KEY: &str = "tls/authority.key";

/// The server's certificate, its authority, and the server's private key in one file, so that renewing is one step.
const SERVER: &str = "tls/server-with-key.pem";

/// The key that signs checkpoints of the audit chains.
const AUDIT_KEY: &str = "audit.key";

/// The settings.
const SETTINGS: &str = "server.toml";

/// The database.
const DATABASE: &str = "ringtrue.db";

/// Names by which this machine reaches itself; always in the certificate.
const OWN_NAMES: [&str; 3] = ["localhost", "127.0.0.1", "::1"];

/// A first installation.
#[derive(Debug, Clone)]
pub struct First {
    /// The folder it is made in; made itself when it is not there.
    pub folder: PathBuf,
    /// Host names and addresses under which clients reach the server.
    pub names: Vec<String>,
    /// The address to listen on.
    pub listen: SocketAddr,
    /// Staff code of the first administrator, who gets a one-time code; none when it is made later.
    pub administrator: Option<String>,
}

impl First {
    /// Makes it, and gives the words for the person who asked.
    ///
    /// # Errors
    /// When anything of it exists already or cannot be written; what was made until then is taken away again.
    pub async fn make(&self, now: Timestamp) -> anyhow::Result<String> {
        let names = certificate_names(&self.names)?;
        let host = self.names.first().context("no name was given")?;
        let mut made = Made::in_folder(&self.folder)?;
        for name in [
            AUTHORITY,
            AUTHORITY_KEY,
            SERVER,
            AUDIT_KEY,
            SETTINGS,
            DATABASE,
        ] {
            made.must_be_absent(name)?;
        }
        let (authority, authority_key) = Authority::make(host, now)?;
        let server = authority.for_server(&names, now)?;

        made.folder("tls")?;
        made.file(AUTHORITY, authority.pem(), 0o644)?;
        made.file(AUTHORITY_KEY, &authority_key, 0o600)?;
        made.file(SERVER, &server.with_key, 0o600)?;
        let seal = Seal::make(&made.path(AUDIT_KEY))?;
        made.has_file(AUDIT_KEY);
        let settings = self.settings(made.root())?;
        made.file(SETTINGS, &settings, 0o600)?;
        Settings::load(Some(&made.path(SETTINGS)), &Overrides::default())
            .context("the settings that were made are not good")?;
        // Made here, so that nobody else may ever read it; the store only fills it.
        made.file(DATABASE, "", 0o600)?;
        let store = Store::open(&made.path(DATABASE))
            .await
            .context("making the database")?;
        let access = self
            .first_administrator(&store, made.root(), authority.pin())
            .await;
        store.close().await.context("closing the database")?;
        let access = access?;

        let folder = made.root().display().to_string();
        made.keep();
        Ok(format!(
            "Made in {folder}:\n\
             \x20 {SETTINGS}                settings; the server will listen on {listen}\n\
             \x20 {DATABASE}                the database, empty\n\
             \x20 {AUTHORITY}          your own authority, until {authority_ends}; clients get this file, it is no secret\n\
             \x20 {AUTHORITY_KEY}          its PRIVATE KEY: whoever has it can pretend to be your server\n\
             \x20 {SERVER}    the server's certificate and PRIVATE KEY, until {server_ends},\n\
             \x20                            for {names}\n\
             \x20 {AUDIT_KEY}                  PRIVATE KEY that signs checkpoints of the audit chains\n\
             \n\
             Public key of the checkpoints: {public_key}\n\
             Keep it where nobody who can write the database can change it.\n\
             Pin of the authority: {pin}\n\
             Write it down. Whoever connects for the first time compares it with what their client shows.\n\
             \n\
             Next:\n\
             \x20 1. Start the server:   ringtrue-server serve --config {folder}/{SETTINGS}\n\
             \x20 2. Copy {AUTHORITY_KEY} to a safe place that is not this machine, and take it away from here until it\n\
             \x20    is needed again: to renew, and to make client certificates.\n\
             \x20 3. Renew before {server_ends}:   ringtrue-server setup --folder {folder} --renew\n\
             {access}",
            listen = self.listen,
            authority_ends = day(authority.ends()),
            server_ends = day(server.ends),
            names = names.join(", "),
            pin = authority.pin(),
            public_key = HEXLOWER.encode(seal.public_key()),
        ))
    }

    /// Makes the first administrator's one-time code, and gives the lines that are printed last.
    async fn first_administrator(
        &self,
        store: &Store,
        folder: &Path,
        pin: &str,
    ) -> anyhow::Result<String> {
        let folder = folder.display();
        let Some(person) = &self.administrator else {
            return Ok(format!(
                "\x20 4. Make the first administrator's code:\n\
                 \x20    ringtrue-server enrol-administrator --config {folder}/{SETTINGS} --person STAFF-CODE\n"
            ));
        };
        let (clock, ids) = (Clock::system(), Ids::system());
        let made = app::first_administrator(store, &clock, &ids, person, USUAL_VALID_MIN).await;
        let (enrolment, code) = made.context("making the first administrator's code")?;
        let host = self.names.first().context("no name was given")?;
        Ok(format!(
            "\x20 4. Once it serves, enrol the first administrator ({person}) where they work, before {until}:\n\
             \x20    ringtrue enrol https://{host}:{port} --pin {pin}\n\
             \x20    It asks for this code, which works once and is shown this once:   {code}\n",
            until = enrolment.expires_at.strftime("%Y-%m-%d %H:%M UTC"),
            port = self.listen.port(),
            code = code.text(),
        ))
    }

    fn settings(&self, folder: &Path) -> anyhow::Result<String> {
        let path = |name: &str| -> anyhow::Result<String> {
            let path = folder.join(name);
            let path = path.to_str().context("the folder's name is not UTF-8")?;
            ensure!(
                !path.contains(|sign: char| sign.is_control() || sign == '"' || sign == '\\'),
                "the folder's name holds signs that cannot stand in {SETTINGS}: take another folder"
            );
            Ok(path.to_owned())
        };
        Ok(format!(
            "# Settings of ringtrue-server, as `ringtrue-server setup` made them. deploy/server.toml lists all settings\n\
             # there are, with their defaults.\n\
             \n\
             listen = \"{listen}\"\n\
             database = \"{database}\"\n\
             \n\
             [tls]\n\
             # One file with all three: the certificate, its authority, its private key.\n\
             certificate = \"{server}\"\n\
             key = \"{server}\"\n\
             # Clients may show a certificate that `ringtrue-server client-certificate` made.\n\
             client_ca = \"{authority}\"\n\
             client_certificates = \"optional\"\n\
             \n\
             [access]\n\
             local_callers = false\n\
             \n\
             [audit]\n\
             key = \"{audit_key}\"\n",
            listen = self.listen,
            database = path(DATABASE)?,
            server = path(SERVER)?,
            audit_key = path(AUDIT_KEY)?,
            authority = path(AUTHORITY)?,
        ))
    }
}

/// Makes a new certificate of the server from the authority of an installation, for the same names or for others.
/// A running server takes it by itself.
///
/// # Errors
/// When the folder holds no installation, or its authority has ended.
pub fn renew(folder: &Path, names: &[String], now: Timestamp) -> anyhow::Result<String> {
    let authority = Authority::read(&folder.join(AUTHORITY), &folder.join(AUTHORITY_KEY))?;
    let path = folder.join(SERVER);
    let names = if names.is_empty() {
        authority::names_of(&path)?
    } else {
        certificate_names(names)?
    };
    let server = authority.for_server(&names, now)?;
    replace(&path, &server.with_key, 0o600)?;
    Ok(format!(
        "{} is new, until {}, for {}.\n\
         A running server takes it within seconds and says so in its log; the pin stays {}.\n",
        path.display(),
        day(server.ends),
        names.join(", "),
        authority.pin()
    ))
}

/// Issues a client certificate from the authority of an installation, as `<prefix>.pem` and `<prefix>.key`.
///
/// # Errors
/// When the folder holds no installation, its authority has ended, or a file exists already.
pub fn client_certificate(
    folder: &Path,
    name: &str,
    prefix: &Path,
    now: Timestamp,
) -> anyhow::Result<String> {
    let name = name.trim();
    ensure!(
        !name.is_empty() && name.chars().count() <= 64 && !name.contains(char::is_control),
        "--name takes 1 to 64 characters: say whose certificate it is"
    );
    let authority = Authority::read(&folder.join(AUTHORITY), &folder.join(AUTHORITY_KEY))?;
    let file = prefix.file_name().context("--out must end in a name")?;
    let folder = prefix
        .parent()
        .filter(|parent| !parent.as_os_str().is_empty());
    let with = |end: &str| {
        let mut name = file.to_owned();
        name.push(end);
        name
    };
    let mut made = Made::in_folder(folder.unwrap_or(Path::new(".")))?;
    made.must_be_absent(with(".pem"))?;
    made.must_be_absent(with(".key"))?;
    let client = authority.for_client(name, now)?;
    made.file(with(".pem"), &client.certificate, 0o644)?;
    made.file(with(".key"), &client.key, 0o600)?;
    let (certificate, key) = (made.path(with(".pem")), made.path(with(".key")));
    made.keep();
    Ok(format!(
        "Made for {name}, until {}:\n\
         \x20 {}   the certificate\n\
         \x20 {}   its PRIVATE KEY: give it to its owner over a way that nobody else reads, and keep no copy\n\
         SHA-256 of the certificate: {}\n\
         The certificate alone opens nothing: a credential must name this SHA-256.\n",
        day(client.ends),
        certificate.display(),
        key.display(),
        client.sha256
    ))
}

/// Gives the names for the certificate: those asked for, then those of this machine for itself.
fn certificate_names(asked: &[String]) -> anyhow::Result<Vec<String>> {
    let mut names: Vec<String> = Vec::new();
    for name in asked.iter().map(String::as_str).chain(OWN_NAMES) {
        ensure!(
            ServerName::try_from(name).is_ok(),
            "--name {name:?} is neither a host name nor an address: write it alone, such as ringtrue.example.org \
             or 192.0.2.7, without https:// and port"
        );
        let name = name.to_ascii_lowercase();
        if !names.contains(&name) {
            names.push(name);
        }
    }
    Ok(names)
}

fn day(moment: Timestamp) -> String {
    moment.strftime("%Y-%m-%d").to_string()
}

#[cfg(test)]
mod tests;
