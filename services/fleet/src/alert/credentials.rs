//! Credentials that end soon, or have ended: a device that is let in no longer records nothing.

use jiff::{SignedDuration, Timestamp};

use super::causes::{AT_ANY_TIME, Wanted, weekday_and};
use super::{AlertKind, Level, Stage};
use crate::calendar::Calendar;
use crate::credential::Credential;
use crate::key::SiteId;

/// Days after its end at which a credential is taken to be wanted no more.
pub const REMEMBERED_DAYS: i64 = 30;

/// What asks for an alert among the credentials of one place, and the next moment at which one of them is taken to
/// be wanted no more.
///
/// `credentials` are those of the place that were not revoked. One that was made again after people were warned, with
/// the same name, holder and grant, is replaced.
pub fn of_credentials(
    credentials: &[Credential],
    site: Option<&SiteId>,
    calendar: &Calendar,
    now: Timestamp,
) -> (Vec<Wanted>, Option<Timestamp>) {
    let mut all = Vec::new();
    let mut next_at: Option<Timestamp> = None;
    for credential in credentials {
        let forgotten_at = forgotten_at(credential);
        let is_over = credential.revoked_at.is_some() || forgotten_at <= now;
        if is_over || credentials.iter().any(|one| replaces(one, credential)) {
            continue;
        }
        next_at = Some(next_at.map_or(forgotten_at, |next| next.min(forgotten_at)));
        all.push(ending(credential, site, calendar));
    }
    (all, next_at)
}

fn forgotten_at(credential: &Credential) -> Timestamp {
    let for_so_long = SignedDuration::from_hours(24 * REMEMBERED_DAYS);
    credential
        .expires_at
        .checked_add(for_so_long)
        .unwrap_or(Timestamp::MAX)
}

/// Whether a credential was made in place of another. Before the warning another of the same name is another device.
fn replaces(new: &Credential, old: &Credential) -> bool {
    new.key != old.key
        && new.revoked_at.is_none()
        && new.created_at >= old.warned_from()
        && new.expires_at > old.expires_at
        && new.display_name == old.display_name
        && new.holder == old.holder
        && new.grant == old.grant
}

fn ending(credential: &Credential, site: Option<&SiteId>, calendar: &Calendar) -> Wanted {
    let (from, end) = (credential.warned_from(), credential.expires_at);
    let local = calendar.zone().to_datetime(end);
    let zone = if site.is_some() { "" } else { " UTC" };
    let level = if site.is_some() {
        Level::Manager
    } else {
        Level::Quality
    };
    let next_step = if credential.secret.is_some() {
        "Run `ringtrue credential rotate` where it is used before that day, or enrol there again."
    } else {
        "Make a credential for a new certificate, and revoke this one."
    };
    Wanted {
        // A rotation begins another round.
        cause: format!("credential/{}/{}", credential.key, end.as_second()),
        kind: AlertKind::CredentialEnds,
        site: site.cloned(),
        subject: credential.key.name(),
        stages: vec![(Stage::Due, from), (Stage::Overdue, end)],
        levels: vec![(level, from)],
        urgent: false,
        statement: format!(
            "The credential \u{201c}{}\u{201d} ends on {} at {}{zone}.",
            credential.display_name,
            weekday_and(local.date()),
            local.strftime("%H:%M"),
        ),
        next_step: next_step.to_owned(),
        due_on: Some(local.date()),
        snooze_limit: Some(AT_ANY_TIME),
    }
}

#[cfg(test)]
mod tests;
