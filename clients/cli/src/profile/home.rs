//! The folder in which profiles lie, and what lies in a profile.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use ringtrue_remote::{Token, TokenSecret};
use toml::{Table, Value};

use super::kept::{self, Privacy};
use crate::failure::Stop;

/// File of what is no secret.
const FACTS: &str = "profile.toml";
/// File of the token.
const TOKEN: &str = "token";
/// File of a token that is to follow, until it is proved.
const NEXT_TOKEN: &str = "token.next";
/// How the file of an enrolment at work begins; digits of its code's SHA-256 follow, so that a slip in typing a code
/// does not cost the secret of another.
const ENROLMENT: &str = "enrolment.";
/// How many of these digits.
const CODE_DIGITS: usize = 16;
/// File of the certificate by which the server is known.
const AUTHORITY: &str = "authority.pem";
/// File of the client's own certificate and key.
const IDENTITY: &str = "identity.pem";
/// File that names the chosen profile.
const CURRENT: &str = "current";

/// Longest name of a profile.
const LONGEST_NAME: usize = 63;

/// Where profiles lie.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Home(PathBuf);

impl Home {
    /// Finds it from the environment; none where the environment does not say.
    pub(crate) fn found(environment: &BTreeMap<String, String>) -> Option<Self> {
        let named = |variable: &str| {
            let value = environment.get(variable)?;
            (!value.trim().is_empty()).then(|| PathBuf::from(value))
        };
        if let Some(own) = named("RINGTRUE_HOME") {
            return Some(Home(own));
        }
        if cfg!(windows) {
            return Some(Home(named("APPDATA")?.join("ringtrue")));
        }
        if cfg!(target_os = "macos") {
            let support = named("HOME")?.join("Library").join("Application Support");
            return Some(Home(support.join("ringtrue")));
        }
        // A relative path there is to be ignored (XDG Base Directory Specification).
        let configuration = match named("XDG_CONFIG_HOME").filter(|path| path.is_absolute()) {
            Some(folder) => folder,
            None => named("HOME")?.join(".config"),
        };
        Some(Home(configuration.join("ringtrue")))
    }

    /// The folder.
    pub(crate) fn path(&self) -> &Path {
        &self.0
    }

    /// The name of the chosen profile; none when none was chosen.
    pub(crate) fn current(&self) -> Result<Option<String>, Stop> {
        let Some(text) = kept::read(&self.0.join(CURRENT), Privacy::Readable)? else {
            return Ok(None);
        };
        name(text.trim()).map(Some).map_err(Stop::Refused)
    }

    /// Chooses a profile; none to choose none.
    pub(crate) fn choose(&self, profile: Option<&str>) -> Result<(), Stop> {
        kept::folder(&self.0)?;
        match profile {
            Some(profile) => kept::write(&self.0, CURRENT, &format!("{profile}\n")),
            None => kept::remove(&self.0, CURRENT),
        }
    }

    /// The names of all profiles, in order.
    pub(crate) fn names(&self) -> Result<Vec<String>, Stop> {
        let folder = self.0.join("profiles");
        let entries = match std::fs::read_dir(&folder) {
            Ok(entries) => entries,
            Err(fault) if fault.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(fault) => {
                let shown = folder.display();
                return Err(Stop::Refused(format!("{shown} cannot be read: {fault}.")));
            }
        };
        let mut names = Vec::new();
        for entry in entries {
            let entry = entry.map_err(|fault| Stop::Refused(fault.to_string()))?;
            let found = entry.file_name().to_string_lossy().into_owned();
            // Anything else there is none of ours.
            if let Ok(found) = name(&found) {
                names.push(found);
            }
        }
        names.sort();
        Ok(names)
    }

    /// A profile of this name, whether it is there or not.
    ///
    /// # Errors
    /// [`Stop::Usage`] when it cannot be a name, [`Stop::Refused`] when its files are not to be trusted.
    pub(crate) fn profile(&self, named: &str) -> Result<Profile, Stop> {
        let named = name(named).map_err(Stop::Usage)?;
        kept::own_folder(&self.0)?;
        let folder = self.0.join("profiles").join(&named);
        kept::own_folder(&folder)?;
        let facts = match kept::read(&folder.join(FACTS), Privacy::Readable)? {
            Some(text) => text.parse::<Table>().map_err(|fault| {
                Stop::Refused(format!(
                    "{} is not understood: {fault}",
                    folder.join(FACTS).display()
                ))
            })?,
            None => Table::new(),
        };
        Ok(Profile {
            name: named,
            home: self.clone(),
            folder,
            facts,
        })
    }
}

/// Reads the name of a profile.
///
/// # Errors
/// A sentence for the person when it is none.
pub(crate) fn name(text: &str) -> Result<String, String> {
    let fits = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-';
    if text.is_empty()
        || text.len() > LONGEST_NAME
        || text.starts_with('-')
        || !text.bytes().all(fits)
    {
        return Err(format!(
            "`{text}` cannot be the name of a profile: it is 1 to {LONGEST_NAME} lower-case letters, digits and \
             hyphens, for example porto-bench"
        ));
    }
    Ok(text.to_owned())
}

/// What this computer keeps to reach a server.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Profile {
    /// Its name.
    pub(crate) name: String,
    home: Home,
    folder: PathBuf,
    facts: Table,
}

/// An enrolment that was begun: the secret is kept before the server hears of it, so that it is not lost when
/// the answer is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Begun {
    /// Address of the server.
    pub(crate) endpoint: String,
    /// SHA-256 of the code, hexadecimal.
    pub(crate) code_sha256: String,
    /// The secret.
    pub(crate) secret: TokenSecret,
}

impl Profile {
    /// Whether it was ever stored.
    pub(crate) fn exists(&self) -> bool {
        self.folder.is_dir()
    }

    /// The folder of its files.
    pub(crate) fn folder(&self) -> &Path {
        &self.folder
    }

    fn fact(&self, key: &str) -> Option<&str> {
        let text = self.facts.get(key)?.as_str()?;
        (!text.is_empty()).then_some(text)
    }

    fn set(&mut self, key: &str, value: &str) {
        if value.is_empty() {
            self.facts.remove(key);
        } else {
            let value = Value::String(value.to_owned());
            self.facts.insert(key.to_owned(), value);
        }
    }

    /// Address of its server; empty before it is known.
    pub(crate) fn endpoint(&self) -> &str {
        self.fact("endpoint").unwrap_or_default()
    }

    /// Sets the address of its server.
    pub(crate) fn set_endpoint(&mut self, endpoint: &str) {
        self.set("endpoint", endpoint);
    }

    /// Site meant when none is named.
    pub(crate) fn site(&self) -> Option<&str> {
        self.fact("site")
    }

    /// Sets that site; empty for none.
    pub(crate) fn set_site(&mut self, site: &str) {
        self.set("site", site);
    }

    /// Staff code when none is given.
    pub(crate) fn operator(&self) -> Option<&str> {
        self.fact("operator")
    }

    /// Sets that staff code; empty for none.
    pub(crate) fn set_operator(&mut self, operator: &str) {
        self.set("operator", operator);
    }

    /// What its credential is for, as far as known here.
    pub(crate) fn holder(&self) -> Option<&str> {
        self.fact("holder")
    }

    /// When its credential ends, as far as known here.
    pub(crate) fn until(&self) -> Option<Timestamp> {
        self.fact("until")?.parse().ok()
    }

    /// Notes what its credential is for and when it ends.
    pub(crate) fn set_credential(&mut self, holder: &str, until: Option<Timestamp>) {
        self.set("holder", holder);
        let until = until.map(|until| until.to_string());
        self.set("until", until.as_deref().unwrap_or_default());
    }

    /// Stores what is no secret.
    pub(crate) fn store(&self) -> Result<(), Stop> {
        kept::folder(self.home.path())?;
        kept::folder(&self.folder)?;
        kept::write(&self.folder, FACTS, &self.facts.to_string())
    }

    fn secret(&self, file: &str) -> Result<Option<String>, Stop> {
        kept::read(&self.folder.join(file), Privacy::Secret)
    }

    fn token_in(&self, file: &str) -> Result<Option<Token>, Stop> {
        let Some(text) = self.secret(file)? else {
            return Ok(None);
        };
        let token = Token::parse(&text).map_err(|fault| {
            let shown = self.folder.join(file);
            Stop::Refused(format!("{}: {fault}.", shown.display()))
        })?;
        Ok(Some(token))
    }

    /// Its token; none when it has none.
    pub(crate) fn token(&self) -> Result<Option<Token>, Stop> {
        self.token_in(TOKEN)
    }

    /// Stores its token.
    pub(crate) fn store_token(&self, token: &Token) -> Result<(), Stop> {
        kept::folder(&self.folder)?;
        kept::write(&self.folder, TOKEN, &format!("{}\n", token.reveal()))
    }

    /// A token that is to follow but was not proved yet.
    pub(crate) fn next_token(&self) -> Result<Option<Token>, Stop> {
        self.token_in(NEXT_TOKEN)
    }

    /// Stores the token that is to follow.
    pub(crate) fn store_next_token(&self, token: &Token) -> Result<(), Stop> {
        kept::write(&self.folder, NEXT_TOKEN, &format!("{}\n", token.reveal()))
    }

    /// Puts the token that is to follow in the place of the other.
    pub(crate) fn take_next_token(&self) -> Result<(), Stop> {
        kept::rename(&self.folder, NEXT_TOKEN, TOKEN)
    }

    /// Forgets the token that was to follow.
    pub(crate) fn drop_next_token(&self) -> Result<(), Stop> {
        kept::remove(&self.folder, NEXT_TOKEN)
    }

    /// The certificate by which the server is known, PEM; none when the system's authorities vouch for it.
    pub(crate) fn authority(&self) -> Result<Option<String>, Stop> {
        kept::read(&self.folder.join(AUTHORITY), Privacy::Readable)
    }

    /// Stores that certificate; none to rely on the system's authorities.
    pub(crate) fn store_authority(&self, pem: Option<&str>) -> Result<(), Stop> {
        kept::folder(&self.folder)?;
        match pem {
            Some(pem) => kept::write(&self.folder, AUTHORITY, pem),
            None => kept::remove(&self.folder, AUTHORITY),
        }
    }

    /// The client's own certificate and key, PEM.
    pub(crate) fn identity(&self) -> Result<Option<String>, Stop> {
        self.secret(IDENTITY)
    }

    /// Stores the client's own certificate and key.
    pub(crate) fn store_identity(&self, pem: &str) -> Result<(), Stop> {
        kept::folder(&self.folder)?;
        kept::write(&self.folder, IDENTITY, pem)
    }

    fn enrolment_file(code_sha256: &str) -> String {
        let digits = code_sha256.get(..CODE_DIGITS).unwrap_or(code_sha256);
        format!("{ENROLMENT}{digits}")
    }

    /// Files of enrolments that were begun here and did not end.
    fn enrolment_files(&self) -> Vec<String> {
        let Ok(entries) = std::fs::read_dir(&self.folder) else {
            return Vec::new();
        };
        let names = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
        names.filter(|name| name.starts_with(ENROLMENT)).collect()
    }

    /// Whether an enrolment was begun here and did not end.
    pub(crate) fn enrols(&self) -> bool {
        !self.enrolment_files().is_empty()
    }

    /// The enrolment that was begun here with a code and did not end.
    pub(crate) fn begun(&self, code_sha256: &str) -> Result<Option<Begun>, Stop> {
        let Some(text) = self.secret(&Self::enrolment_file(code_sha256))? else {
            return Ok(None);
        };
        let table = text.parse::<Table>().unwrap_or_default();
        let part = |key: &str| table.get(key).and_then(Value::as_str);
        let (Some(endpoint), Some(code), Some(secret)) = (
            part("endpoint"),
            part("code_sha256"),
            part("secret").and_then(TokenSecret::parse),
        ) else {
            // It was written whole or not at all, so that somebody else wrote this.
            return Ok(None);
        };
        let begun = Begun {
            endpoint: endpoint.to_owned(),
            code_sha256: code.to_owned(),
            secret,
        };
        Ok(Some(begun).filter(|begun| begun.code_sha256 == code_sha256))
    }

    /// Keeps an enrolment that begins.
    pub(crate) fn begin(&self, begun: &Begun) -> Result<(), Stop> {
        let mut table = Table::new();
        for (key, value) in [
            ("endpoint", begun.endpoint.clone()),
            ("code_sha256", begun.code_sha256.clone()),
            ("secret", begun.secret.text()),
        ] {
            table.insert(key.to_owned(), Value::String(value));
        }
        kept::folder(self.home.path())?;
        kept::folder(&self.folder)?;
        let file = Self::enrolment_file(&begun.code_sha256);
        kept::write(&self.folder, &file, &table.to_string())
    }

    /// Forgets an enrolment that was refused, and the folder that was made for it.
    pub(crate) fn refused(&self, code_sha256: &str) -> Result<(), Stop> {
        kept::remove(&self.folder, &Self::enrolment_file(code_sha256))?;
        // A folder that holds anything else stays.
        drop(std::fs::remove_dir(&self.folder));
        Ok(())
    }

    /// Forgets every enrolment that was begun here: one of them ended.
    pub(crate) fn enrolled(&self) -> Result<(), Stop> {
        for file in self.enrolment_files() {
            kept::remove(&self.folder, &file)?;
        }
        Ok(())
    }

    /// Removes the profile with all its files.
    pub(crate) fn remove(&self) -> Result<(), Stop> {
        std::fs::remove_dir_all(&self.folder).map_err(|fault| {
            Stop::Refused(format!(
                "{} cannot be removed: {fault}.",
                self.folder.display()
            ))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn environment(pairs: &[(&str, &str)]) -> BTreeMap<String, String> {
        let owned = |(key, value): &(&str, &str)| ((*key).to_owned(), (*value).to_owned());
        pairs.iter().map(owned).collect()
    }

    #[cfg(all(unix, not(target_os = "macos")))]
    #[test]
    fn the_folder_is_the_one_named_else_the_platforms() {
        let path = |pairs: &[(&str, &str)]| {
            let home = Home::found(&environment(pairs))?;
            Some(home.path().to_string_lossy().into_owned())
        };
        let person = ("HOME", "/home/bench");
        assert_eq!(
            path(&[person]).as_deref(),
            Some("/home/bench/.config/ringtrue")
        );
        let xdg = ("XDG_CONFIG_HOME", "/conf");
        assert_eq!(path(&[person, xdg]).as_deref(), Some("/conf/ringtrue"));
        let relative = ("XDG_CONFIG_HOME", "conf");
        let kept = path(&[person, relative]);
        assert_eq!(kept.as_deref(), Some("/home/bench/.config/ringtrue"));
        let own = ("RINGTRUE_HOME", "/srv/r");
        assert_eq!(path(&[person, xdg, own]).as_deref(), Some("/srv/r"));
        assert_eq!(path(&[]), None);
    }

    #[test]
    fn a_name_of_a_profile_leads_nowhere_else() {
        for good in ["porto", "porto-2", "7"] {
            assert_eq!(name(good).as_deref(), Ok(good));
        }
        let long = "a".repeat(64);
        for bad in [
            "", ".", "..", "a/b", "../a", "A", "a_b", "-a", "a b", "ä", &long,
        ] {
            let refused = name(bad).expect_err(bad);
            assert!(refused.contains("lower-case letters"), "{refused}");
        }
    }

    #[test]
    fn a_profile_is_found_as_it_was_stored() {
        let folder = tempfile::tempdir().expect("a folder");
        let home = Home(folder.path().join("ringtrue"));
        assert_eq!(home.names().expect("none"), Vec::<String>::new());
        let mut profile = home.profile("porto").expect("a name");
        assert!(!profile.exists());
        profile.set_endpoint("https://ringtrue.example:7145");
        profile.set_site("porto");
        profile.set_operator("ab\"1");
        let until = "2027-11-23T08:12:00Z".parse().expect("a moment");
        profile.set_credential("bench", Some(until));
        profile.store().expect("stored");
        home.choose(Some("porto")).expect("chosen");
        let again = home.profile("porto").expect("a name");
        assert_eq!(again, profile);
        assert_eq!(again.operator(), Some("ab\"1"));
        assert_eq!(again.until(), Some(until));
        assert_eq!(home.names().expect("one"), ["porto"]);
        assert_eq!(home.current().expect("chosen").as_deref(), Some("porto"));
        profile.set_operator("");
        assert_eq!(profile.operator(), None);
        profile.remove().expect("removed");
        home.choose(None).expect("none");
        assert_eq!(home.current().expect("none"), None);
        assert!(!again.exists());
    }

    #[test]
    fn an_enrolment_that_was_begun_is_found_again_by_its_code_alone() {
        let folder = tempfile::tempdir().expect("a folder");
        let home = Home(folder.path().to_owned());
        let profile = home.profile("porto").expect("a name");
        let (right, slip) = ("ab".repeat(32), "cd".repeat(32));
        assert_eq!(profile.begun(&right).expect("none"), None);
        let begun = |code: &str| Begun {
            endpoint: "http://127.0.0.1:7145".to_owned(),
            code_sha256: code.to_owned(),
            secret: TokenSecret::drawn().expect("random bytes"),
        };
        let first = begun(&right);
        profile.begin(&first).expect("kept");
        profile.begin(&begun(&slip)).expect("kept");
        profile.refused(&slip).expect("forgotten");
        assert_eq!(profile.begun(&right).expect("kept"), Some(first));
        assert!(profile.enrols());
        profile.enrolled().expect("forgotten");
        assert_eq!(profile.begun(&right).expect("none"), None);
        assert!(!profile.enrols() && profile.exists());
        profile.refused(&right).expect("nothing to forget");
        assert!(!profile.exists());
    }
}
