//! Ids and resource names: how things are told apart, and how their names are written.

use std::fmt;

/// An id that is not 1 to 63 lower-case letters, digits and hyphens beginning with a letter or digit.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{shown}` is not an id: use 1 to 63 lower-case letters, digits and hyphens, beginning with a letter or digit"
)]
pub struct NotAnId {
    shown: String,
}

/// A resource name that does not have the expected form.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{shown}` is not a name of the form `{form}`")]
pub struct NotAName {
    shown: String,
    form: &'static str,
}

/// The beginning of a text, for messages: bad input may be very long.
pub fn shown(text: &str) -> String {
    const MOST: usize = 80;
    if text.chars().count() <= MOST {
        return text.to_owned();
    }
    let mut start: String = text.chars().take(MOST).collect();
    start.push('…');
    start
}

fn checked_id(text: &str) -> Result<String, NotAnId> {
    let bytes = text.as_bytes();
    let fits = (1..=63).contains(&bytes.len())
        && bytes[0] != b'-'
        && bytes
            .iter()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || *b == b'-');
    if fits {
        Ok(text.to_owned())
    } else {
        Err(NotAnId { shown: shown(text) })
    }
}

macro_rules! id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub struct $name(String);

        impl $name {
            /// Checks the text and makes the id.
            pub fn new(text: &str) -> Result<Self, NotAnId> {
                checked_id(text).map(Self)
            }

            /// Makes the id from a UUID, for resources whose caller gave none.
            pub fn from_uuid(uuid: uuid::Uuid) -> Self {
                Self(uuid.hyphenated().to_string())
            }

            /// The id's text.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }
    };
}

id!(
    /// Tells a site apart.
    SiteId
);
id!(
    /// Tells a furnace apart within its site.
    FurnaceId
);
id!(
    /// Tells a programme apart within its furnace.
    ProgrammeId
);
id!(
    /// Tells a gauge apart within its site.
    GaugeId
);
id!(
    /// Tells a ring batch apart within the network.
    BatchId
);
id!(
    /// Tells a reading apart within its site.
    ReadingId
);
id!(
    /// Tells an adjustment apart within its site.
    AdjustmentId
);
id!(
    /// Tells a furnace event apart within its site.
    EventId
);
id!(
    /// Tells a gauge check apart within its site.
    CheckId
);
id!(
    /// Tells a finding apart within the network.
    FindingId
);
id!(
    /// Tells an alert apart within the network.
    AlertId
);
id!(
    /// Tells an act of care apart within its site.
    ActId
);
id!(
    /// Tells a webhook apart within the network.
    WebhookId
);
id!(
    /// Tells a mail subscription apart within the network.
    SubscriptionId
);
id!(
    /// Tells a calendar feed apart within its site.
    FeedId
);

id!(
    /// Tells a credential apart within the network; a UUID.
    CredentialId
);
id!(
    /// Tells an enrolment apart within the network.
    EnrolmentId
);
id!(
    /// Tells a group of sites apart within the network.
    SiteGroupId
);
id!(
    /// Tells a signature apart within its site.
    SignOffId
);

id!(
    /// Tells a production firing apart within its furnace.
    FiringId
);
id!(
    /// Tells a report of firings apart within its site.
    ReportId
);
id!(
    /// Tells a decision about an exposure apart within its furnace.
    DecisionId
);

/// A furnace of a site.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct FurnaceKey {
    /// The site it stands in.
    pub site: SiteId,
    /// The furnace.
    pub furnace: FurnaceId,
}

/// A programme of a furnace.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ProgrammeKey {
    /// The furnace it runs on.
    pub furnace: FurnaceKey,
    /// The programme.
    pub programme: ProgrammeId,
}

/// A gauge of a site.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct GaugeKey {
    /// The site it belongs to.
    pub site: SiteId,
    /// The gauge.
    pub gauge: GaugeId,
}

/// A reading of a furnace.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ReadingKey {
    /// The furnace that was read.
    pub furnace: FurnaceKey,
    /// The reading.
    pub reading: ReadingId,
}

/// An adjustment of a furnace.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct AdjustmentKey {
    /// The furnace that was adjusted.
    pub furnace: FurnaceKey,
    /// The adjustment.
    pub adjustment: AdjustmentId,
}

/// An event of a furnace.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct EventKey {
    /// The furnace it happened to.
    pub furnace: FurnaceKey,
    /// The event.
    pub event: EventId,
}

/// A production firing of a furnace.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct FiringKey {
    /// The furnace that fired.
    pub furnace: FurnaceKey,
    /// The firing.
    pub firing: FiringId,
}

/// A decision about what was exposed in a furnace.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct DecisionKey {
    /// The furnace.
    pub furnace: FurnaceKey,
    /// The decision.
    pub decision: DecisionId,
}

/// An act of care at a site.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ActKey {
    /// The site.
    pub site: SiteId,
    /// The act.
    pub act: ActId,
}

/// A calendar feed of a site.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct FeedKey {
    /// The site.
    pub site: SiteId,
    /// The feed.
    pub feed: FeedId,
}

/// Names a webhook.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct WebhookKey {
    /// Its site; none for the whole network.
    pub site: Option<SiteId>,
    /// Its id.
    pub webhook: WebhookId,
}

/// A mail subscription of a site, or of the whole network.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct SubscriptionKey {
    /// The site; none for the whole network.
    pub site: Option<SiteId>,
    /// The subscription.
    pub subscription: SubscriptionId,
}

/// A check of a gauge.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct CheckKey {
    /// The gauge that was checked.
    pub gauge: GaugeKey,
    /// The check.
    pub check: CheckId,
}

/// Splits a name at its slashes when its fixed words are those of `form`, for example
/// `sites/{site}/gauges/{gauge}`; gives the variable parts.
fn parts<'n, const N: usize>(name: &'n str, form: &'static str) -> Result<[&'n str; N], NotAName> {
    let fault = || NotAName {
        shown: shown(name),
        form,
    };
    let mut found = [""; N];
    let mut at = 0;
    let mut given = name.split('/');
    for wanted in form.split('/') {
        let segment = given.next().ok_or_else(fault)?;
        if wanted.starts_with('{') {
            found[at] = segment;
            at += 1;
        } else if wanted != segment {
            return Err(fault());
        }
    }
    if given.next().is_some() {
        return Err(fault());
    }
    Ok(found)
}

/// Why a resource name was not understood.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadName {
    /// The fixed words are wrong.
    #[error(transparent)]
    Form(#[from] NotAName),
    /// One of the ids is wrong.
    #[error(transparent)]
    Id(#[from] NotAnId),
}

impl SiteId {
    /// Reads `sites/{site}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [site] = parts(name, "sites/{site}")?;
        Ok(Self::new(site)?)
    }

    /// Writes `sites/{site}`.
    pub fn name(&self) -> String {
        format!("sites/{self}")
    }
}

impl BatchId {
    /// Reads `ringBatches/{ring_batch}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [batch] = parts(name, "ringBatches/{ring_batch}")?;
        Ok(Self::new(batch)?)
    }

    /// Writes `ringBatches/{ring_batch}`.
    pub fn name(&self) -> String {
        format!("ringBatches/{self}")
    }
}

impl FindingId {
    /// Reads `findings/{finding}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [finding] = parts(name, "findings/{finding}")?;
        Ok(Self::new(finding)?)
    }

    /// Writes `findings/{finding}`.
    pub fn name(&self) -> String {
        format!("findings/{self}")
    }
}

impl FurnaceKey {
    /// Reads `sites/{site}/furnaces/{furnace}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [site, furnace] = parts(name, "sites/{site}/furnaces/{furnace}")?;
        Ok(Self {
            site: SiteId::new(site)?,
            furnace: FurnaceId::new(furnace)?,
        })
    }

    /// Writes `sites/{site}/furnaces/{furnace}`.
    pub fn name(&self) -> String {
        format!("sites/{}/furnaces/{}", self.site, self.furnace)
    }
}

impl ProgrammeKey {
    /// Reads `sites/{site}/furnaces/{furnace}/programmes/{programme}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [site, furnace, programme] = parts(
            name,
            "sites/{site}/furnaces/{furnace}/programmes/{programme}",
        )?;
        Ok(Self {
            furnace: FurnaceKey {
                site: SiteId::new(site)?,
                furnace: FurnaceId::new(furnace)?,
            },
            programme: ProgrammeId::new(programme)?,
        })
    }

    /// Writes `sites/{site}/furnaces/{furnace}/programmes/{programme}`.
    pub fn name(&self) -> String {
        format!("{}/programmes/{}", self.furnace.name(), self.programme)
    }
}

impl GaugeKey {
    /// Reads `sites/{site}/gauges/{gauge}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [site, gauge] = parts(name, "sites/{site}/gauges/{gauge}")?;
        Ok(Self {
            site: SiteId::new(site)?,
            gauge: GaugeId::new(gauge)?,
        })
    }

    /// Writes `sites/{site}/gauges/{gauge}`.
    pub fn name(&self) -> String {
        format!("sites/{}/gauges/{}", self.site, self.gauge)
    }
}

impl ReadingKey {
    /// Reads `sites/{site}/furnaces/{furnace}/readings/{reading}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [site, furnace, reading] =
            parts(name, "sites/{site}/furnaces/{furnace}/readings/{reading}")?;
        Ok(Self {
            furnace: FurnaceKey {
                site: SiteId::new(site)?,
                furnace: FurnaceId::new(furnace)?,
            },
            reading: ReadingId::new(reading)?,
        })
    }

    /// Writes `sites/{site}/furnaces/{furnace}/readings/{reading}`.
    pub fn name(&self) -> String {
        format!("{}/readings/{}", self.furnace.name(), self.reading)
    }
}

impl AdjustmentKey {
    /// Reads `sites/{site}/furnaces/{furnace}/adjustments/{adjustment}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [site, furnace, adjustment] = parts(
            name,
            "sites/{site}/furnaces/{furnace}/adjustments/{adjustment}",
        )?;
        Ok(Self {
            furnace: FurnaceKey {
                site: SiteId::new(site)?,
                furnace: FurnaceId::new(furnace)?,
            },
            adjustment: AdjustmentId::new(adjustment)?,
        })
    }

    /// Writes `sites/{site}/furnaces/{furnace}/adjustments/{adjustment}`.
    pub fn name(&self) -> String {
        format!("{}/adjustments/{}", self.furnace.name(), self.adjustment)
    }
}

impl AlertId {
    /// Reads `alerts/{alert}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [alert] = parts(name, "alerts/{alert}")?;
        Ok(Self::new(alert)?)
    }

    /// Writes `alerts/{alert}`.
    pub fn name(&self) -> String {
        format!("alerts/{self}")
    }
}

impl CredentialId {
    /// Reads `credentials/{credential}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [credential] = parts(name, "credentials/{credential}")?;
        Ok(Self::new(credential)?)
    }

    /// Writes `credentials/{credential}`.
    pub fn name(&self) -> String {
        format!("credentials/{self}")
    }
}

impl EnrolmentId {
    /// Reads `enrolments/{enrolment}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [enrolment] = parts(name, "enrolments/{enrolment}")?;
        Ok(Self::new(enrolment)?)
    }

    /// Writes `enrolments/{enrolment}`.
    pub fn name(&self) -> String {
        format!("enrolments/{self}")
    }
}

impl SiteGroupId {
    /// Reads `siteGroups/{site_group}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [group] = parts(name, "siteGroups/{site_group}")?;
        Ok(Self::new(group)?)
    }

    /// Writes `siteGroups/{site_group}`.
    pub fn name(&self) -> String {
        format!("siteGroups/{self}")
    }
}

impl ActKey {
    /// Reads `sites/{site}/careActs/{care_act}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [site, act] = parts(name, "sites/{site}/careActs/{care_act}")?;
        Ok(Self {
            site: SiteId::new(site)?,
            act: ActId::new(act)?,
        })
    }

    /// Writes `sites/{site}/careActs/{care_act}`.
    pub fn name(&self) -> String {
        format!("sites/{}/careActs/{}", self.site, self.act)
    }
}

impl FeedKey {
    /// Reads `sites/{site}/calendarFeeds/{calendar_feed}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [site, feed] = parts(name, "sites/{site}/calendarFeeds/{calendar_feed}")?;
        Ok(Self {
            site: SiteId::new(site)?,
            feed: FeedId::new(feed)?,
        })
    }

    /// Writes `sites/{site}/calendarFeeds/{calendar_feed}`.
    pub fn name(&self) -> String {
        format!("sites/{}/calendarFeeds/{}", self.site, self.feed)
    }
}

impl WebhookKey {
    /// Reads `sites/{site}/webhooks/{webhook}` or `webhooks/{webhook}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        if let Ok([webhook]) = parts(name, "webhooks/{webhook}") {
            return Ok(Self {
                site: None,
                webhook: WebhookId::new(webhook)?,
            });
        }
        let [site, webhook] = parts(name, "sites/{site}/webhooks/{webhook}")?;
        Ok(Self {
            site: Some(SiteId::new(site)?),
            webhook: WebhookId::new(webhook)?,
        })
    }

    /// Writes the name that [`WebhookKey::parse`] reads.
    pub fn name(&self) -> String {
        match &self.site {
            Some(site) => format!("sites/{site}/webhooks/{}", self.webhook),
            None => format!("webhooks/{}", self.webhook),
        }
    }
}

impl SubscriptionKey {
    /// Reads `sites/{site}/mailSubscriptions/{mail_subscription}` or
    /// `mailSubscriptions/{mail_subscription}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        if let Ok([subscription]) = parts(name, "mailSubscriptions/{mail_subscription}") {
            return Ok(Self {
                site: None,
                subscription: SubscriptionId::new(subscription)?,
            });
        }
        let [site, subscription] =
            parts(name, "sites/{site}/mailSubscriptions/{mail_subscription}")?;
        Ok(Self {
            site: Some(SiteId::new(site)?),
            subscription: SubscriptionId::new(subscription)?,
        })
    }

    /// Writes the name that [`SubscriptionKey::parse`] reads.
    pub fn name(&self) -> String {
        match &self.site {
            Some(site) => format!("sites/{site}/mailSubscriptions/{}", self.subscription),
            None => format!("mailSubscriptions/{}", self.subscription),
        }
    }
}

impl FiringKey {
    /// Reads `sites/{site}/furnaces/{furnace}/firings/{firing}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [site, furnace, firing] =
            parts(name, "sites/{site}/furnaces/{furnace}/firings/{firing}")?;
        Ok(Self {
            furnace: FurnaceKey {
                site: SiteId::new(site)?,
                furnace: FurnaceId::new(furnace)?,
            },
            firing: FiringId::new(firing)?,
        })
    }

    /// Writes `sites/{site}/furnaces/{furnace}/firings/{firing}`.
    pub fn name(&self) -> String {
        format!("{}/firings/{}", self.furnace.name(), self.firing)
    }
}

impl DecisionKey {
    /// Reads `sites/{site}/furnaces/{furnace}/exposureDecisions/{exposure_decision}`.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        let [site, furnace, decision] = parts(
            name,
            "sites/{site}/furnaces/{furnace}/exposureDecisions/{exposure_decision}",
        )?;
        Ok(Self {
            furnace: FurnaceKey {
                site: SiteId::new(site)?,
                furnace: FurnaceId::new(furnace)?,
            },
            decision: DecisionId::new(decision)?,
        })
    }

    /// Writes `sites/{site}/furnaces/{furnace}/exposureDecisions/{exposure_decision}`.
    pub fn name(&self) -> String {
        format!(
            "{}/exposureDecisions/{}",
            self.furnace.name(),
            self.decision
        )
    }
}

impl EventKey {
    /// Writes `sites/{site}/furnaces/{furnace}/events/{event}`.
    pub fn name(&self) -> String {
        format!("{}/events/{}", self.furnace.name(), self.event)
    }
}

impl CheckKey {
    /// Writes `sites/{site}/gauges/{gauge}/checks/{check}`.
    pub fn name(&self) -> String {
        format!("{}/checks/{}", self.gauge.name(), self.check)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_furnace_name_reads_back_as_written() {
        let key = FurnaceKey::parse("sites/porto/furnaces/k2").expect("well formed");
        assert_eq!(key.name(), "sites/porto/furnaces/k2");
    }

    #[test]
    fn wrong_words_and_wrong_ids_are_told_apart() {
        assert!(matches!(
            FurnaceKey::parse("sites/porto/gauges/k2"),
            Err(BadName::Form(_))
        ));
        assert!(matches!(
            FurnaceKey::parse("sites/Porto/furnaces/k2"),
            Err(BadName::Id(_))
        ));
        assert!(matches!(
            FurnaceKey::parse("sites/porto/furnaces/k2/x"),
            Err(BadName::Form(_))
        ));
        assert!(matches!(SiteId::parse("sites/"), Err(BadName::Id(_))));
        assert!(matches!(SiteId::parse(""), Err(BadName::Form(_))));
    }

    #[test]
    fn a_long_wrong_name_is_cut_in_the_message() {
        let long = "x".repeat(10_000);
        let message = SiteId::new(&long).expect_err("too long").to_string();
        assert!(message.len() < 300, "{message}");
    }
}
