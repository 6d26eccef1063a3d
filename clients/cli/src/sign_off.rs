//! `ringtrue sign-off`: a second person answers for readings and adjustments.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    GetAdjustmentRequest, GetReadingRequest, ListAwaitedSignOffsRequest, ListSignOffsRequest,
    ListSignOffsResponse, SetSigningPhraseRequest, SignOffMeaning, SignOffRecord, SignOffRequest,
};
use ringtrue_remote::Code;

use crate::command::{Limit, Repeat};
use crate::failure::Stop;
use crate::names::{ADJUSTMENT, READING};
use crate::session::{Session, gathered};
use crate::site::shown_list;
use crate::{adjustment, moment, names, output, reading, words};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue sign-off list                       what waits for a second person
  ringtrue sign-off add k2/ID
  ringtrue sign-off add k2/ID --reject --comment 'ring 2 lay at the door'
  ringtrue sign-off show k2/ID
  ringtrue sign-off phrase                     sets your signing phrase
A signature says who looked at a record, when, and what they say of it. It holds the
SHA-256 of the record, so it is for that content alone, and it is never taken back.
It takes a credential of your own and your signing phrase; whoever performed or
recorded something cannot sign it.";

/// What to do with signatures.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists what waits for a signature at the site, oldest first.
    List {
        /// Lists the signatures there are, newest first, in place of what waits.
        #[arg(long)]
        signed: bool,
        #[command(flatten)]
        limit: Limit,
    },
    /// Shows the signatures of a reading or an adjustment.
    Show {
        /// Reading or adjustment, for example k2/ID or its full name.
        #[arg(value_name = "READING|ADJUSTMENT")]
        subject: String,
    },
    /// Signs a reading or an adjustment that somebody else performed.
    Add(Addition),
    /// Sets the signing phrase of your own credential.
    Phrase {
        /// File whose first line is the new phrase; at a terminal you are asked.
        #[arg(long, value_name = "FILE")]
        phrase_file: Option<PathBuf>,
        /// File whose first line is the phrase before; left out when there is none yet.
        #[arg(long, value_name = "FILE", requires = "phrase_file")]
        old_phrase_file: Option<PathBuf>,
    },
}

/// A signature to be given.
#[derive(Debug, Args)]
pub(crate) struct Addition {
    /// Reading or adjustment, for example k2/ID or its full name.
    #[arg(value_name = "READING|ADJUSTMENT")]
    subject: String,
    /// Says that you looked at it and do not answer for it.
    #[arg(long, requires = "comment")]
    reject: bool,
    /// What you say about it; needed with --reject. No person's name.
    #[arg(long, value_name = "TEXT")]
    comment: Option<String>,
    /// File whose first line is your signing phrase; at a terminal you are asked.
    #[arg(long, value_name = "FILE")]
    phrase_file: Option<PathBuf>,
    #[command(flatten)]
    repeat: Repeat,
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::List { signed, limit } => {
            let site = session.site_name().await?;
            if signed {
                list(site, limit.limit, session).await
            } else {
                awaited(site, limit.limit, session).await
            }
        }
        Ask::Show { subject } => {
            let subject = Subject::find(&subject, session).await?;
            show(subject.name(), session).await
        }
        Ask::Add(addition) => Box::pin(add(addition, session)).await,
        Ask::Phrase {
            phrase_file,
            old_phrase_file,
        } => phrase(phrase_file.as_deref(), old_phrase_file.as_deref(), session).await,
    }
}

/// What is signed, as it is on record.
enum Subject {
    Reading(Box<ringtrue_proto::v1::Reading>),
    Adjustment(Box<ringtrue_proto::v1::Adjustment>),
}

impl Subject {
    fn name(&self) -> &str {
        match self {
            Self::Reading(reading) => &reading.name,
            Self::Adjustment(adjustment) => &adjustment.name,
        }
    }

    /// Reads the record that is meant; a short name may be that of either kind.
    async fn find(text: &str, session: &mut Session<'_, '_>) -> Result<Self, Stop> {
        if text.contains("/adjustments/") {
            let name = session.named(text, ADJUSTMENT).await?;
            return Self::adjustment(name, session).await;
        }
        let name = session.named(text, READING).await?;
        let ask = GetReadingRequest { name: name.clone() };
        match session.remote.reading(ask).await {
            Ok(answer) => Ok(Self::Reading(Box::new(answer.reading.unwrap_or_default()))),
            Err(failure) if failure.code == Code::NotFound && !text.contains("/readings/") => {
                let name = name.replace("/readings/", "/adjustments/");
                Self::adjustment(name, session).await
            }
            Err(failure) => Err(failure.into()),
        }
    }

    async fn adjustment(name: String, session: &mut Session<'_, '_>) -> Result<Self, Stop> {
        let ask = GetAdjustmentRequest { name };
        let answer = session.remote.adjustment(ask).await?;
        let adjustment = answer.adjustment.unwrap_or_default();
        Ok(Self::Adjustment(Box::new(adjustment)))
    }

    /// Shows what is to be signed: nobody signs unseen.
    async fn shown(&self, session: &mut Session<'_, '_>) -> Result<(), Stop> {
        let zone = session.zone(names::site_of(self.name())).await?;
        let drawn = match self {
            Self::Reading(reading) => reading::whole(reading, &zone, session),
            Self::Adjustment(adjustment) => {
                adjustment::drawn(adjustment, &zone, session.world.columns)
            }
        };
        session.say(&drawn)
    }
}

async fn add(ask: Addition, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let subject = Subject::find(&ask.subject, session).await?;
    let request_id = session
        .repeatable(ask.repeat.request_id.as_deref())?
        .request_id;
    let meaning = if ask.reject {
        SignOffMeaning::Rejected
    } else {
        SignOffMeaning::Reviewed
    };
    if session.converses() {
        subject.shown(session).await?;
        session.say(&format!(
            "\nYour signature will say that you {}. It is for this content alone and is never taken back.",
            stated(meaning)
        ))?;
    }
    let mut request = SignOffRequest {
        sign_off: Some(SignOffRecord {
            subject: subject.name().to_owned(),
            meaning: meaning.into(),
            comment: ask.comment.unwrap_or_default(),
            ..SignOffRecord::default()
        }),
        signing_phrase: String::new(),
        request_id: request_id.clone(),
    };
    let signed = loop {
        request.signing_phrase = match &ask.phrase_file {
            Some(file) => first_line(file)?,
            None => {
                session.ask_secret("Your signing phrase:", "it is not shown", "--phrase-file")?
            }
        };
        match session.remote.sign_off(request.clone()).await {
            Ok(answer) => break answer.sign_off.unwrap_or_default(),
            // Whoever mistyped it tries again; the server counts.
            Err(failure)
                if failure.reason == "PHRASE_NOT_ACCEPTED" && ask.phrase_file.is_none() =>
            {
                session.say(&format!("  {}.", failure.message))?;
            }
            Err(failure) => return Err(Stop::of_change(failure, &request_id)),
        }
    };
    if session.json {
        return session.show_json("SignOffRecord", &signed);
    }
    let zone = session.zone(names::site_of(&signed.subject)).await?;
    let drawn = drawn(&signed, &zone, session.world.columns);
    session.show(&drawn)
}

async fn phrase(
    new: Option<&Path>,
    old: Option<&Path>,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let ask = if let Some(new) = new {
        SetSigningPhraseRequest {
            new_phrase: first_line(new)?,
            old_phrase: old.map(first_line).transpose()?.unwrap_or_default(),
        }
    } else {
        let flag = "--phrase-file";
        let old_phrase =
            session.ask_secret("The phrase before:", "nothing when there is none yet", flag)?;
        let help = "8 to 200 characters that only you know, several words for example";
        loop {
            let new_phrase = session.ask_secret("The new phrase:", help, flag)?;
            if session.ask_secret("The new phrase again:", "", flag)? == new_phrase {
                break SetSigningPhraseRequest {
                    new_phrase,
                    old_phrase,
                };
            }
            session.say("  These were two different ones.")?;
        }
    };
    let answer = session.remote.set_signing_phrase(ask).await?;
    if session.json {
        return session.show_json("SetSigningPhraseResponse", &answer);
    }
    session.say(
        "Your signing phrase is set for this credential. Tell it to nobody, whoever asks. If it is forgotten or \
         gets about, have the credential revoked and a new one made.",
    )
}

/// The first line of a file, without its end.
fn first_line(file: &Path) -> Result<String, Stop> {
    let text = std::fs::read_to_string(file)
        .map_err(|error| Stop::Usage(format!("{} cannot be read: {error}", file.display())))?;
    Ok(text.lines().next().unwrap_or_default().to_owned())
}

async fn awaited(site: String, limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let ask = ListAwaitedSignOffsRequest {
        parent: site.clone(),
    };
    let answer = session.remote.awaited_sign_offs(ask).await?;
    if session.json {
        return session.show_json("ListAwaitedSignOffsResponse", &answer);
    }
    if answer.awaited.is_empty() {
        return session.say(
            "Nothing waits for a signature. `ringtrue site show` tells whether this site asks for any.",
        );
    }
    let zone = session.zone(&site).await?;
    let mut rows = Vec::new();
    for waiting in answer.awaited.iter().take(limit) {
        let when = moment::received(waiting.record_time.as_ref());
        rows.push(vec![
            when.map(|at| moment::brief(at, &zone)).unwrap_or_default(),
            waiting.summary.clone(),
            waiting.performed_by.clone(),
            short(&waiting.subject),
        ]);
    }
    let headings = ["recorded", "what", "by", "sign as"];
    let more = answer.awaited.len() > limit;
    shown_list("records that wait", &headings, &rows, more, session)
}

/// A record's short name, as the commands here take it.
fn short(name: &str) -> String {
    let furnace = names::id(names::parent(name));
    format!("{furnace}/{}", names::id(name))
}

async fn list(parent: String, limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let (sign_offs, next_page_token) = signatures(&parent, limit, session).await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListSignOffsResponse {
            sign_offs,
            next_page_token,
        };
        return session.show_json("ListSignOffsResponse", &whole);
    }
    let zone = session.zone(names::site_of(&parent)).await?;
    let mut rows = Vec::new();
    for signed in &sign_offs {
        let when = moment::received(signed.sign_time.as_ref());
        rows.push(vec![
            when.map(|at| moment::brief(at, &zone)).unwrap_or_default(),
            signed.person.clone(),
            words::word(words::MEANINGS, signed.meaning()).to_owned(),
            signed.comment.clone(),
            short(&signed.subject),
        ]);
    }
    let headings = ["signed", "by", "means", "comment", "record"];
    shown_list("signatures", &headings, &rows, more, session)
}

async fn show(subject: &str, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let (sign_offs, next_page_token) = signatures(subject, MOST_OF_A_RECORD, session).await?;
    if session.json {
        let whole = ListSignOffsResponse {
            sign_offs,
            next_page_token,
        };
        return session.show_json("ListSignOffsResponse", &whole);
    }
    if sign_offs.is_empty() {
        return session.say(&format!(
            "Nobody has signed {subject} yet. `ringtrue sign-off add` does, for a person other than the one \
             who performed or recorded it."
        ));
    }
    let zone = session.zone(names::site_of(subject)).await?;
    let columns = session.world.columns;
    let cards: Vec<String> = sign_offs
        .iter()
        .map(|signed| drawn(signed, &zone, columns))
        .collect();
    session.show(&cards.join("\n\n"))
}

/// More people than ever sign one record.
const MOST_OF_A_RECORD: usize = 100;

async fn signatures(
    parent: &str,
    limit: usize,
    session: &Session<'_, '_>,
) -> Result<(Vec<SignOffRecord>, String), Stop> {
    let remote = session.remote.clone();
    gathered(limit, async |page_size, page_token| {
        let ask = ListSignOffsRequest {
            parent: parent.to_owned(),
            page_size,
            page_token,
        };
        let page = remote.sign_offs(ask).await?;
        Ok((page.sign_offs, page.next_page_token))
    })
    .await
}

/// Says who signed a record, a line for each, newest first. The record is worth showing without this, too.
pub(crate) async fn said_of(
    subject: &str,
    zone: &TimeZone,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let Ok((sign_offs, _)) = signatures(subject, MOST_OF_A_RECORD, session).await else {
        return Ok(());
    };
    for signed in &sign_offs {
        session.say(&line(signed, zone))?;
    }
    Ok(())
}

fn line(signed: &SignOffRecord, zone: &TimeZone) -> String {
    let when = moment::received(signed.sign_time.as_ref());
    let when = when.map(|at| moment::shown(at, zone)).unwrap_or_default();
    let said = words::word(words::MEANINGS, signed.meaning());
    let mut line = format!("Signed by {} on {when}: {said}", signed.person);
    if !signed.comment.is_empty() {
        line.push_str(" (");
        line.push_str(&signed.comment);
        line.push(')');
    }
    line.push('.');
    line
}

/// What a signature states, after "you".
fn stated(meaning: SignOffMeaning) -> &'static str {
    match meaning {
        SignOffMeaning::Rejected => "looked at this record and do not answer for it",
        SignOffMeaning::Reviewed | SignOffMeaning::Unspecified => {
            "looked at this record and found it in order"
        }
    }
}

fn drawn(signed: &SignOffRecord, zone: &TimeZone, columns: u16) -> String {
    let when = moment::received(signed.sign_time.as_ref());
    let means = match signed.meaning() {
        SignOffMeaning::Reviewed => "reviewed: looked at the record and found it in order",
        SignOffMeaning::Rejected => "rejected: looked at the record and does not answer for it",
        SignOffMeaning::Unspecified => "",
    };
    let lines = [
        ("Signed by", signed.person.clone()),
        (
            "On",
            when.map(|at| moment::shown(at, zone)).unwrap_or_default(),
        ),
        ("Means", means.to_owned()),
        ("Comment", signed.comment.clone()),
        ("Record", signed.subject.clone()),
        ("Its SHA-256", signed.record_sha256.clone()),
        ("Signature", signed.name.clone()),
    ];
    output::card(&lines, columns)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signed() -> SignOffRecord {
        SignOffRecord {
            name: "sites/porto/furnaces/k2/readings/r1/signOffs/s1".to_owned(),
            subject: "sites/porto/furnaces/k2/readings/r1".to_owned(),
            meaning: SignOffMeaning::Rejected.into(),
            comment: "ring 2 lay at the door".to_owned(),
            person: "qc".to_owned(),
            sign_time: Some(moment::sent(
                "2026-11-20T18:00:00Z".parse().expect("a moment"),
            )),
            record_sha256: "ab".repeat(32),
        }
    }

    #[test]
    fn a_signature_says_who_when_and_what_it_means_in_one_line_and_in_full() {
        assert_eq!(
            line(&signed(), &TimeZone::UTC),
            "Signed by qc on Friday 20 November 2026 18:00 UTC: rejected (ring 2 lay at the door)."
        );
        let card = drawn(&signed(), &TimeZone::UTC, 120);
        for words in [
            "Signed by    qc",
            "does not answer for it",
            "abababab",
            "readings/r1",
        ] {
            assert!(card.contains(words), "{words} in\n{card}");
        }
    }

    #[test]
    fn a_short_name_is_the_furnaces_and_the_records() {
        assert_eq!(short("sites/porto/furnaces/k2/adjustments/a1"), "k2/a1");
    }
}
