//! One command at work: the connection, the site meant, its zone, and where words go.

use std::collections::BTreeMap;
use std::time::Duration;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use prost::Message;
use ringtrue_proto::v1::{GetSiteRequest, ListSitesRequest, Site};
use ringtrue_remote::{Failure, Identity, Remote, Secret, Settings, Token};
use uuid::{NoContext, Uuid};

use crate::World;
use crate::connection::{Connection, Source, is_encrypted};
use crate::failure::Stop;
use crate::queue::{Bench, Cut, Knowable, down};
use crate::{moment, names, output};

/// Days before the end of a credential from which every command says so.
const SAID_DAYS: i64 = 14;

/// How calls are made: the connection, the longest time for one, the trace they belong to.
#[derive(Debug, Clone)]
pub(crate) struct Over {
    /// The server, and what proves who asks.
    pub(crate) connection: Connection,
    deadline: Duration,
    traceparent: Option<String>,
}

impl Over {
    /// Takes the trace from the surroundings.
    pub(crate) fn new(connection: Connection, deadline: Duration, world: &World<'_>) -> Self {
        let traceparent = world.environment.get("TRACEPARENT").cloned();
        Over {
            connection,
            deadline,
            traceparent: traceparent.filter(|trace| !trace.trim().is_empty()),
        }
    }

    /// Prepares calls.
    ///
    /// # Errors
    /// [`Stop::Usage`] when the address or another setting cannot be used.
    pub(crate) fn remote(&self) -> Result<Remote, Stop> {
        let connection = &self.connection;
        let encrypted = is_encrypted(&connection.endpoint);
        let authority = connection.authority.as_ref().filter(|_| encrypted);
        let identity = connection.identity.as_ref().filter(|_| encrypted);
        let token = connection.token.as_ref();
        Ok(Remote::connect(Settings {
            endpoint: connection.endpoint.clone(),
            authority: authority.map(|pem| pem.clone().into_bytes()),
            token: token.map(|token| Secret::new(token.reveal())),
            // One file holds both; each is found in it by its own mark.
            identity: identity.map(|pem| Identity {
                certificate: pem.clone().into_bytes(),
                key: Secret::new(pem.clone()),
            }),
            operator: connection.operator.clone(),
            deadline: self.deadline,
            traceparent: self.traceparent.clone(),
            ..Settings::default()
        })?)
    }

    /// Longest time for one call.
    pub(crate) fn deadline(&self) -> Duration {
        self.deadline
    }

    /// Calls of the same kind over another connection.
    pub(crate) fn to(&self, connection: Connection) -> Self {
        Over {
            connection,
            ..self.clone()
        }
    }

    /// The same with another token.
    pub(crate) fn with_token(&self, token: Token) -> Self {
        let mut over = self.clone();
        over.connection.token = Some(token);
        over
    }
}

/// One command at work.
pub(crate) struct Session<'w, 'a> {
    /// The surroundings.
    pub(crate) world: &'w mut World<'a>,
    /// The server.
    pub(crate) remote: Remote,
    /// How it is reached.
    pub(crate) over: Over,
    /// The site from `--site`, `RINGTRUE_SITE` or the profile, as given.
    pub(crate) site: Option<String>,
    /// Staff code from `--operator`, `RINGTRUE_OPERATOR` or the profile.
    pub(crate) operator: Option<String>,
    /// Whether results are wanted as JSON.
    pub(crate) json: bool,
    /// What this computer keeps for when the line is down, and how the line stands.
    pub(crate) bench: Bench,
    zones: BTreeMap<String, TimeZone>,
}

/// What makes a change safe to repeat.
#[derive(Debug, Clone)]
pub(crate) struct Repeatable {
    /// The request id.
    pub(crate) request_id: String,
    /// The moment that `now` stands for. It is kept in the id, so that a repeat says the same.
    pub(crate) now: Timestamp,
}

impl<'w, 'a> Session<'w, 'a> {
    /// Begins.
    ///
    /// # Errors
    /// [`Stop::Usage`] when the address or another setting cannot be used.
    pub(crate) fn new(world: &'w mut World<'a>, over: Over, json: bool) -> Result<Self, Stop> {
        let bench = Bench::of(&over.connection, world);
        Ok(Session {
            bench,
            world,
            remote: over.remote()?,
            site: over.connection.site.clone(),
            operator: over.connection.operator.clone(),
            over,
            json,
            zones: BTreeMap::new(),
        })
    }

    /// Says that the stored credential ends soon, while there is time to renew it.
    pub(crate) fn warn_of_end(&mut self) -> Result<(), Stop> {
        let connection = &self.over.connection;
        let (Source::Stored, Some(profile)) = (connection.source, &connection.profile) else {
            return Ok(());
        };
        let Some(until) = profile.until() else {
            return Ok(());
        };
        let days = until.duration_since(self.world.now).as_hours() / 24;
        if until <= self.world.now || days >= SAID_DAYS || self.json {
            return Ok(());
        }
        let when = moment::brief(until, &TimeZone::UTC);
        self.say(&format!(
            "Your credential ends {when}. `ringtrue credential rotate` renews it."
        ))
    }

    /// Says a line beside the result: progress, a warning, what was taken for granted.
    pub(crate) fn say(&mut self, line: &str) -> Result<(), Stop> {
        let line = wrapped(line, self.world.columns);
        writeln!(self.world.err, "{line}")?;
        Ok(())
    }

    /// Writes a line of the result, wrapped to the width.
    pub(crate) fn show_line(&mut self, line: &str) -> Result<(), Stop> {
        let line = wrapped(line, self.world.columns);
        self.show(&line)
    }

    /// Writes a part of the result.
    pub(crate) fn show(&mut self, text: &str) -> Result<(), Stop> {
        writeln!(self.world.out, "{text}")?;
        Ok(())
    }

    /// Writes a message as JSON.
    pub(crate) fn show_json(&mut self, kind: &str, message: &impl Message) -> Result<(), Stop> {
        let text = output::json(kind, message)?;
        self.show(&text)
    }

    /// Whether somebody can be asked.
    pub(crate) fn converses(&self) -> bool {
        self.world.conversation.is_some() && !self.json
    }

    /// Asks for a line; nobody there is a usage error that names the flag.
    pub(crate) fn ask(
        &mut self,
        question: &str,
        help: &str,
        preset: Option<&str>,
        flag: &str,
    ) -> Result<String, Stop> {
        match &mut self.world.conversation {
            Some(person) if !self.json => Ok(person.text(question, help, preset)?),
            _ => Err(lacking(flag)),
        }
    }

    /// Asks for a line that is not shown while it is typed; nobody there is a usage error that names the flag.
    pub(crate) fn ask_secret(
        &mut self,
        question: &str,
        help: &str,
        flag: &str,
    ) -> Result<String, Stop> {
        match &mut self.world.conversation {
            Some(person) if !self.json => Ok(person.secret(question, help)?),
            _ => Err(lacking(flag)),
        }
    }

    /// Asks until the answer is understood.
    pub(crate) fn ask_until<T>(
        &mut self,
        question: &str,
        help: &str,
        preset: Option<&str>,
        flag: &str,
        understand: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T, Stop> {
        loop {
            let answer = self.ask(question, help, preset, flag)?;
            match understand(&answer) {
                Ok(value) => return Ok(value),
                Err(why) => self.say(&format!("  {why}"))?,
            }
        }
    }

    /// Asks to pick one of several.
    pub(crate) fn pick(
        &mut self,
        question: &str,
        options: &[String],
        flag: &str,
    ) -> Result<usize, Stop> {
        match &mut self.world.conversation {
            Some(person) if !self.json => Ok(person.choice(question, options)?),
            _ => Err(lacking(flag)),
        }
    }

    /// Asks yes or no.
    pub(crate) fn agreed(&mut self, question: &str) -> Result<bool, Stop> {
        match &mut self.world.conversation {
            Some(person) => Ok(person.agreement(question)?),
            None => Ok(false),
        }
    }

    /// Gives the name of the site meant; the only one there is when none was named.
    pub(crate) async fn site_name(&mut self) -> Result<String, Stop> {
        if let Some(site) = &self.site {
            return names::site(site).map_err(Stop::Usage);
        }
        let ask = ListSitesRequest {
            page_size: 2,
            ..ListSitesRequest::default()
        };
        let sites = if self.is_cut_off() {
            self.recalled::<Site>("sites/")
        } else {
            match self.remote.sites(ask).await {
                Ok(answer) => answer.sites,
                Err(failure) => {
                    self.cut_off(Stop::from(failure))?;
                    self.recalled::<Site>("sites/")
                }
            }
        };
        match sites.as_slice() {
            [only] => {
                let name = only.name.clone();
                self.say(&format!("Site {}, the only one.", names::id(&name)))?;
                self.site = Some(name.clone());
                Ok(name)
            }
            [] if self.is_cut_off() => Err(Stop::Usage(
                "This computer has seen no site yet. Say which with --site, or set RINGTRUE_SITE."
                    .to_owned(),
            )),
            [] => Err(Stop::Missing(
                "There is no site yet. Add one with `ringtrue site add`.".to_owned(),
            )),
            _ => Err(Stop::Usage(
                "Several sites exist. Say which with --site, or set RINGTRUE_SITE.".to_owned(),
            )),
        }
    }

    /// Gives the name of something at a site: spelled out, or short at the site meant.
    pub(crate) async fn named(&mut self, text: &str, kinds: &[&str]) -> Result<String, Stop> {
        if let Some(name) = names::spelled_out(text, kinds) {
            return Ok(name);
        }
        let site = self.site_name().await?;
        let short = text.trim().matches('/').count();
        if kinds.len() > 2 && short + 2 == kinds.len() {
            let whole = format!("{}/{}", names::id(&site), text.trim());
            if let Some(name) = names::spelled_out(&whole, kinds) {
                return Ok(name);
            }
        }
        match kinds {
            [_, kind] => names::below(&site, kind, text).map_err(Stop::Usage),
            _ => Err(Stop::Usage(format!(
                "`{text}` does not say its furnace; write FURNACE/{text} or name it with --furnace"
            ))),
        }
    }

    /// Gives the zone of a site; asked for once.
    pub(crate) async fn zone(&mut self, site: &str) -> Result<TimeZone, Stop> {
        if let Some(zone) = self.zones.get(site) {
            return Ok(zone.clone());
        }
        if !self.is_cut_off() {
            let ask = GetSiteRequest {
                name: site.to_owned(),
            };
            match self.remote.site(ask).await {
                Ok(answer) => {
                    let found = answer.site.unwrap_or_default();
                    self.learn(std::slice::from_ref(&found));
                    return self.learn_zone(site, &found.time_zone);
                }
                Err(failure) => self.cut_off(Stop::from(failure))?,
            }
        }
        self.zone_known(site).ok_or_else(|| {
            Stop::Usage(format!(
                "No server answers, and this computer has not seen the time zone of {site} yet. Give \
                 times with their offset, like 2026-11-20T18:00:00+00:00."
            ))
        })
    }

    /// The zone of a site as far as this computer knows it; the server is not asked.
    pub(crate) fn zone_known(&mut self, site: &str) -> Option<TimeZone> {
        if let Some(zone) = self.zones.get(site) {
            return Some(zone.clone());
        }
        let seen = self.recalled::<Site>(site);
        let seen = seen.into_iter().find(|seen| seen.name == site)?;
        let zone = TimeZone::get(&seen.time_zone).ok()?;
        self.zones.insert(site.to_owned(), zone.clone());
        Some(zone)
    }

    /// Keeps what the server just said, for when it cannot be asked.
    pub(crate) fn learn<T: Knowable>(&self, things: &[T]) {
        self.bench.learn(things, None, self.world.now);
    }

    /// What this computer knows below a name.
    pub(crate) fn recalled<T: Knowable>(&self, prefix: &str) -> Vec<T> {
        let seen = self.bench.recalled::<T>(prefix);
        seen.into_iter().map(|seen| seen.it).collect()
    }

    /// Whether this command does without the server.
    pub(crate) fn is_cut_off(&self) -> bool {
        self.bench.cut.is_some()
    }

    /// Does without the server from now on, when it is the line that failed and the command may wait.
    ///
    /// # Errors
    /// What came, when it was anything else.
    pub(crate) fn cut_off(&mut self, stop: Stop) -> Result<(), Stop> {
        let words = match stop.failure() {
            Some(failure) if failure.is_of_the_line() && self.bench.may_wait => {
                down(failure, &self.over.connection.endpoint)
            }
            _ => return Err(stop),
        };
        if let Stop::Failed {
            failure,
            request_id: Some(request_id),
        } = stop
        {
            self.bench.unsure = Some((failure, request_id));
        }
        self.bench.cut = Some(Cut::Down(words));
        Ok(())
    }

    /// By how much this computer's clock is ahead of the server's, s; none before the server answered.
    pub(crate) fn clock_ahead_s(&self) -> Option<i64> {
        let contact = self.remote.last_contact();
        self.bench.clock_ahead_s(contact.as_ref(), self.world.now)
    }

    /// Remembers the zone of a site that has just been read.
    pub(crate) fn learn_zone(&mut self, site: &str, name: &str) -> Result<TimeZone, Stop> {
        let zone = if let Ok(zone) = TimeZone::get(name) {
            zone
        } else {
            self.say(&format!(
                "Time zone `{name}` is not known on this computer; times are shown in UTC."
            ))?;
            TimeZone::UTC
        };
        self.zones.insert(site.to_owned(), zone.clone());
        Ok(zone)
    }

    /// Reads a moment as said at a site; the zone is asked for only when the text needs one.
    pub(crate) async fn moment(
        &mut self,
        text: &str,
        site: &str,
        now: Timestamp,
    ) -> Result<Timestamp, Stop> {
        if let Some(moment) = moment::absolute(text) {
            return Ok(moment);
        }
        let zone = self.zone(site).await?;
        moment::spoken(text, now, &zone).map_err(Stop::Usage)
    }

    /// Gives the request id of a change: the one given, else a new one.
    pub(crate) fn repeatable(&self, given: Option<&str>) -> Result<Repeatable, Stop> {
        let now = self.world.now;
        let Some(given) = given else {
            let seconds = u64::try_from(now.as_second()).unwrap_or(0);
            let nanos = u32::try_from(now.subsec_nanosecond()).unwrap_or(0);
            let stamp = uuid::Timestamp::from_unix(NoContext, seconds, nanos);
            let id = Uuid::new_v7(stamp);
            return Ok(Repeatable {
                now: moment_of(&id).unwrap_or(now),
                request_id: id.to_string(),
            });
        };
        let id = Uuid::parse_str(given.trim()).map_err(|_| {
            Stop::Usage(format!(
                "`{given}` is not a UUID; leave --request-id out, or repeat the one shown before"
            ))
        })?;
        Ok(Repeatable {
            now: moment_of(&id).unwrap_or(now),
            request_id: id.to_string(),
        })
    }

    /// Who did something: as given, else the operator.
    pub(crate) fn who(&self, given: Option<String>) -> String {
        given.or_else(|| self.operator.clone()).unwrap_or_default()
    }
}

/// A line wrapped to a width, each part as far in as its beginning; several lines stay as they are.
fn wrapped(line: &str, columns: u16) -> String {
    if line.contains('\n') || line.chars().count() <= usize::from(columns) {
        return line.to_owned();
    }
    let words = line.trim_start();
    let indent = " ".repeat(line.len() - words.len());
    let width = columns.saturating_sub(u16::try_from(indent.len()).unwrap_or(0));
    let mut parts = Vec::new();
    for part in output::paragraph(words, width).lines() {
        parts.push(format!("{indent}{part}"));
    }
    parts.join("\n")
}

/// The moment kept in a UUIDv7 (RFC 9562, section 5.7), to the millisecond.
fn moment_of(id: &Uuid) -> Option<Timestamp> {
    if id.get_version_num() != 7 {
        return None;
    }
    let (seconds, nanos) = id.get_timestamp()?.to_unix();
    let seconds = i64::try_from(seconds).ok()?;
    Timestamp::new(seconds, i32::try_from(nanos).ok()?).ok()
}

/// A usage error over something missing that nobody is there to be asked for.
pub(crate) fn lacking(flag: &str) -> Stop {
    Stop::Usage(format!(
        "{flag} is missing, and nobody is at a terminal to be asked. Give {flag}; \
         `--help` shows how."
    ))
}

/// Follows pages until `limit` things are there or none are left; says whether more exist.
pub(crate) async fn gathered<T>(
    limit: usize,
    mut page: impl AsyncFnMut(i32, String) -> Result<(Vec<T>, String), Box<Failure>>,
) -> Result<(Vec<T>, String), Stop> {
    let mut things = Vec::new();
    let mut token = String::new();
    loop {
        let left = limit.saturating_sub(things.len()).clamp(1, 1000);
        let size = i32::try_from(left).unwrap_or(1000);
        let (mut more, next) = page(size, token).await?;
        things.append(&mut more);
        token = next;
        if token.is_empty() || things.len() >= limit {
            return Ok((things, token));
        }
    }
}
