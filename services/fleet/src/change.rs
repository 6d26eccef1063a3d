//! What the change feed tells of a change: thin, and the same for everybody who may see it.

use jiff::Timestamp;

use crate::key::SiteId;

/// Who brought a change about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ActorKind {
    /// A person with a credential of their own.
    Person,
    /// A device that several people share.
    Device,
    /// A program.
    Integration,
    /// Somebody at the server's own machine.
    Local,
    /// The server itself.
    Server,
}

impl ActorKind {
    /// All of them, with the word for each.
    pub const ALL: [(Self, &'static str); 5] = [
        (Self::Person, "person"),
        (Self::Device, "device"),
        (Self::Integration, "integration"),
        (Self::Local, "local"),
        (Self::Server, "server"),
    ];

    /// The word for it.
    pub fn word(self) -> &'static str {
        let known = Self::ALL.iter().find(|(kind, _)| *kind == self);
        known.map_or("", |(_, word)| word)
    }

    /// Reads the word for it.
    pub fn parse(word: &str) -> Option<Self> {
        let known = Self::ALL.iter().find(|(_, known)| *known == word);
        known.map(|(kind, _)| *kind)
    }
}

/// A place in the feed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Position {
    /// The number of the last change before it; 0 before the first.
    pub number: i64,
    /// Eight hexadecimal digits out of that change's own hash, so that a number of another installation, or of a
    /// database that was set back since, is not taken for one of this.
    pub mark: String,
}

/// The mark of the place before the first change.
const FIRST_MARK: &str = "00000000";

impl Position {
    /// Before the first change.
    pub fn beginning() -> Self {
        Self {
            number: 0,
            mark: FIRST_MARK.to_owned(),
        }
    }

    /// As callers see it.
    pub fn cursor(&self) -> String {
        format!("c{:x}-{}", self.number, self.mark)
    }

    /// Reads what [`Position::cursor`] wrote.
    pub fn parse(cursor: &str) -> Option<Self> {
        let (number, mark) = cursor.strip_prefix('c')?.split_once('-')?;
        let is_hex = |text: &str| {
            text.bytes()
                .all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'))
        };
        if number.is_empty() || number.len() > 15 || mark.len() != 8 {
            return None;
        }
        if !is_hex(number) || !is_hex(mark) {
            return None;
        }
        Some(Self {
            number: i64::from_str_radix(number, 16).ok()?,
            mark: mark.to_owned(),
        })
    }
}

/// A change.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    /// Its place: the number counts from 1 without gaps, in the order of commit.
    pub position: Position,
    /// What happened, such as `reading.recorded`.
    pub kind: String,
    /// Resource name of what changed.
    pub name: String,
    /// Where; none for the network.
    pub site: Option<SiteId>,
    /// Whether everybody sees it, although it belongs to no site of theirs.
    pub is_shared: bool,
    /// When it happened.
    pub at: Timestamp,
    /// Who brought it about.
    pub actor: ActorKind,
    /// Counts the changes of its site from 1, or of the network.
    pub sequence: i64,
    /// Resource name of the reading that it is about; empty for none.
    pub reading: String,
    /// Resource name of what it is about, where its own name does not tell; empty otherwise.
    pub subject: String,
}

impl Change {
    /// Resource name of the furnace that it is about; empty for none.
    pub fn furnace(&self) -> &str {
        [&self.name, &self.reading, &self.subject]
            .into_iter()
            .find_map(|name| cut(name, "furnaces"))
            .unwrap_or_default()
    }
}

/// Which types are wanted: whole ones, or the word before the dot alone.
pub fn is_wanted(kind: &str, types: &[String]) -> bool {
    types.is_empty()
        || types.iter().any(|wanted| {
            kind.strip_prefix(wanted.as_str())
                .is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
        })
}

/// Whether a text may be the name of a type, or the word before its dot.
pub fn is_type(text: &str) -> bool {
    let is_word = |word: &str| {
        !word.is_empty()
            && word
                .bytes()
                .all(|byte| byte.is_ascii_lowercase() || byte == b'_')
    };
    text.len() <= 60
        && match text.split_once('.') {
            Some((noun, verb)) => is_word(noun) && is_word(verb),
            None => is_word(text),
        }
}

/// The type of a change by the audit entry's action; none for what is told elsewhere or nobody's to follow. What was
/// said about an alert is in the log of alerts too, and who may do what is told by the audit chain to those who may
/// read it.
pub fn type_of(action: &str) -> Option<String> {
    const WHOLE: [(&str, &str); 7] = [
        ("furnace.event", "furnace.event_recorded"),
        ("gauge.check", "gauge.checked"),
        ("care.act", "care.act_recorded"),
        ("feed.create", "calendar_feed.created"),
        ("feed.revoke", "calendar_feed.revoked"),
        ("rule.set", "rule.set"),
        ("exposure.decide", "exposure.decided"),
    ];
    const ELSEWHERE: [&str; 5] = [
        "alert",
        "credential",
        "enrolment",
        "signing_phrase",
        "site_group",
    ];
    if let Some((_, kind)) = WHOLE.iter().find(|(known, _)| *known == action) {
        return Some((*kind).to_owned());
    }
    let (noun, verb) = action.split_once('.')?;
    if ELSEWHERE.contains(&noun) {
        return None;
    }
    let noun = match noun {
        "subscription" => "mail_subscription",
        noun => noun,
    };
    Some(format!("{noun}.{}", happened(verb)))
}

/// What an action's verb says once it is done.
fn happened(verb: &str) -> String {
    match verb {
        "amend" | "record" | "confirm" | "open" | "review" | "reject" | "close" | "resolve"
        | "delete" | "revoke" | "remove" | "create" | "update" | "acknowledge" | "rotate"
        | "unsubscribe" | "check" | "start" | "finish" | "cancel" | "add" | "link" | "report" => {
            let stem = verb.strip_suffix('e').unwrap_or(verb);
            let doubled = if verb == "cancel" { "l" } else { "" };
            format!("{stem}{doubled}ed")
        }
        // Never renamed once it is out: what is not known here stays as it is.
        verb => verb.to_owned(),
    }
}

/// Whether a type that belongs to the network is everybody's to see: what bears on every site.
pub fn is_everybodys(kind: &str) -> bool {
    ["ring_batch.", "rule.", "finding."]
        .iter()
        .any(|noun| kind.starts_with(noun))
}

/// Whose an actor is, as far as the name tells; the credential's id where only its record does.
pub fn actor_of(actor: &str) -> Result<ActorKind, &str> {
    match actor.strip_prefix("credentials/") {
        Some(rest) => Err(rest.split(':').next().unwrap_or(rest)),
        None if actor.starts_with("local") => Ok(ActorKind::Local),
        None => Ok(ActorKind::Server),
    }
}

/// The resource name of the reading that a resource name begins with.
pub fn reading_in(name: &str) -> &str {
    cut(name, "readings").unwrap_or_default()
}

/// A resource name up to the id after a collection; none where it has no such collection.
fn cut<'n>(name: &'n str, collection: &str) -> Option<&'n str> {
    let mut end = 0;
    let mut parts = name.split('/');
    while let (Some(found), Some(id)) = (parts.next(), parts.next()) {
        end += found.len() + 1 + id.len();
        if found == collection {
            return name.get(..end);
        }
        end += 1;
    }
    None
}

#[cfg(test)]
mod tests;
