//! Calls about who gets mail, and about calendar feeds.

use ringtrue_fleet::alert::Level;
use ringtrue_fleet::delivery::{Feed, MailMode, Subscription};
use ringtrue_fleet::key::{FeedKey, SiteId, SubscriptionKey};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::delivery_service_server::DeliveryService;
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::alerts::{level_message, level_of};
use super::caller::Asking;
use super::fields::{also, choice, found, name, optional_name, settled, timestamp};
use super::listing::Listing;
use super::request::repeatable;
use super::sites;
use super::status::answer;
use crate::app::{self, App, Error, MailWish};

const CREATE_MAIL: Method = method("/ringtrue.v1.DeliveryService/CreateMailSubscription");
const LIST_MAIL: Method = method("/ringtrue.v1.DeliveryService/ListMailSubscriptions");
const DELETE_MAIL: Method = method("/ringtrue.v1.DeliveryService/DeleteMailSubscription");
const CREATE_FEED: Method = method("/ringtrue.v1.DeliveryService/CreateCalendarFeed");
const LIST_FEEDS: Method = method("/ringtrue.v1.DeliveryService/ListCalendarFeeds");
const DELETE_FEED: Method = method("/ringtrue.v1.DeliveryService/DeleteCalendarFeed");

/// Most items of an answer, as the protocol states.
const MOST_LISTED: usize = 1000;

/// Answers calls about deliveries.
#[derive(Clone)]
pub(crate) struct Deliveries(pub(crate) App);

#[tonic::async_trait]
impl DeliveryService for Deliveries {
    async fn create_mail_subscription(
        &self,
        request: Request<v1::CreateMailSubscriptionRequest>,
    ) -> Result<Response<v1::CreateMailSubscriptionResponse>, Status> {
        answer(create_mail(&self.0, request).await)
    }

    async fn list_mail_subscriptions(
        &self,
        request: Request<v1::ListMailSubscriptionsRequest>,
    ) -> Result<Response<v1::ListMailSubscriptionsResponse>, Status> {
        answer(list_mail(&self.0, request).await)
    }

    async fn delete_mail_subscription(
        &self,
        request: Request<v1::DeleteMailSubscriptionRequest>,
    ) -> Result<Response<v1::DeleteMailSubscriptionResponse>, Status> {
        answer(delete_mail(&self.0, request).await)
    }

    async fn create_calendar_feed(
        &self,
        request: Request<v1::CreateCalendarFeedRequest>,
    ) -> Result<Response<v1::CreateCalendarFeedResponse>, Status> {
        answer(create_feed(&self.0, request).await)
    }

    async fn list_calendar_feeds(
        &self,
        request: Request<v1::ListCalendarFeedsRequest>,
    ) -> Result<Response<v1::ListCalendarFeedsResponse>, Status> {
        answer(list_feeds(&self.0, request).await)
    }

    async fn delete_calendar_feed(
        &self,
        request: Request<v1::DeleteCalendarFeedRequest>,
    ) -> Result<Response<v1::DeleteCalendarFeedResponse>, Status> {
        answer(delete_feed(&self.0, request).await)
    }
}

async fn create_mail(
    app: &App,
    request: Request<v1::CreateMailSubscriptionRequest>,
) -> Result<v1::CreateMailSubscriptionResponse, Error> {
    let asking = Asking::of(CREATE_MAIL, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(CREATE_MAIL, &request_id, &asked, &mut violations);
    let site = optional_name("parent", &asked.parent, SiteId::parse, &mut violations);
    let wish = wish(&asked.subscription.unwrap_or_default(), &mut violations);
    also(&mut violations, |more| {
        if let Some(wish) = &wish {
            wish.check("subscription", more);
        }
    });
    let wish = settled(wish, violations)?;
    let _scope = asking.site_or_network(site.as_ref())?;
    let made =
        app::create_mail_subscription(app, &asking.caller, site.as_ref(), wish, &repeat).await?;
    Ok(v1::CreateMailSubscriptionResponse {
        subscription: Some(subscription_message(&made)),
    })
}

async fn list_mail(
    app: &App,
    request: Request<v1::ListMailSubscriptionsRequest>,
) -> Result<v1::ListMailSubscriptionsResponse, Error> {
    let asking = Asking::of(LIST_MAIL, &request)?;
    let listing = Listing::read(app, &asking, &request.get_ref().parent).await?;
    let listed = listing.read.subscriptions(listing.of()).await?;
    Ok(v1::ListMailSubscriptionsResponse {
        subscriptions: listed
            .iter()
            .take(MOST_LISTED)
            .map(subscription_message)
            .collect(),
    })
}

async fn delete_mail(
    app: &App,
    request: Request<v1::DeleteMailSubscriptionRequest>,
) -> Result<v1::DeleteMailSubscriptionResponse, Error> {
    let asking = Asking::of(DELETE_MAIL, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(DELETE_MAIL, &request_id, &asked, &mut violations);
    let key = name("name", &asked.name, SubscriptionKey::parse, &mut violations);
    let key = settled(key, violations)?;
    let _scope = asking.site_or_network(key.site.as_ref())?;
    app::delete_mail_subscription(app, &asking.caller, &key, &repeat).await?;
    Ok(v1::DeleteMailSubscriptionResponse {})
}

async fn create_feed(
    app: &App,
    request: Request<v1::CreateCalendarFeedRequest>,
) -> Result<v1::CreateCalendarFeedResponse, Error> {
    let asking = Asking::of(CREATE_FEED, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(CREATE_FEED, &request_id, &asked, &mut violations);
    let site = name("parent", &asked.parent, SiteId::parse, &mut violations);
    let display_name = asked.feed.unwrap_or_default().display_name;
    violations.text("feed.display_name", &display_name, 1, 120);
    let site = settled(site, violations)?;
    let _scope = asking.site(&site)?;
    let (feed, secret) =
        app::create_calendar_feed(app, &asking.caller, &site, display_name, &repeat).await?;
    let secret_path = secret.map_or_else(String::new, |secret| format!("/calendar/{secret}.ics"));
    let url = match &app.public_url {
        Some(base) if !secret_path.is_empty() => format!("{base}{secret_path}"),
        _ => String::new(),
    };
    Ok(v1::CreateCalendarFeedResponse {
        feed: Some(feed_message(&feed)),
        secret_path,
        url,
    })
}

async fn list_feeds(
    app: &App,
    request: Request<v1::ListCalendarFeedsRequest>,
) -> Result<v1::ListCalendarFeedsResponse, Error> {
    let asking = Asking::of(LIST_FEEDS, &request)?;
    let parent = &request.get_ref().parent;
    let mut violations = Violations::default();
    let site = name("parent", parent, SiteId::parse, &mut violations);
    let site = settled(site, violations)?;
    let scope = asking.site(&site)?;
    let read = app.store.read(&scope).on_one_connection();
    found(read.site(&site).await?, sites::KIND, site.name())?;
    let listed = read.feeds(&site).await?;
    Ok(v1::ListCalendarFeedsResponse {
        feeds: listed.iter().take(MOST_LISTED).map(feed_message).collect(),
    })
}

async fn delete_feed(
    app: &App,
    request: Request<v1::DeleteCalendarFeedRequest>,
) -> Result<v1::DeleteCalendarFeedResponse, Error> {
    let asking = Asking::of(DELETE_FEED, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(DELETE_FEED, &request_id, &asked, &mut violations);
    let key = name("name", &asked.name, FeedKey::parse, &mut violations);
    let key = settled(key, violations)?;
    let _scope = asking.site(&key.site)?;
    app::delete_calendar_feed(app, &asking.caller, &key, &repeat).await?;
    Ok(v1::DeleteCalendarFeedResponse {})
}

/// Reads what is wished; what is left out gets the protocol's defaults.
fn wish(given: &v1::MailSubscription, violations: &mut Violations) -> Option<MailWish> {
    // Both are read before one of them can end this: all that is wrong is told at once.
    let level = choice("subscription.level", given.level, violations);
    let mode = choice("subscription.mode", given.mode, violations);
    Some(MailWish {
        address: given.address.trim().to_owned(),
        level: level_of(level?).unwrap_or(Level::Technician),
        mode: match mode? {
            v1::MailMode::Unspecified | v1::MailMode::Immediate => MailMode::Immediate,
            v1::MailMode::Digest => MailMode::Digest,
        },
    })
}

fn subscription_message(subscription: &Subscription) -> v1::MailSubscription {
    let mode = match subscription.mode {
        MailMode::Immediate => v1::MailMode::Immediate,
        MailMode::Digest => v1::MailMode::Digest,
    };
    v1::MailSubscription {
        name: subscription.key.name(),
        address: subscription.address.clone(),
        level: level_message(subscription.level).into(),
        mode: mode.into(),
        unsubscribed: subscription.unsubscribed,
        last_sent_time: subscription.last_sent_at.map(timestamp),
        last_failure: subscription.last_failure.clone(),
        create_time: Some(timestamp(subscription.created_at)),
    }
}

fn feed_message(feed: &Feed) -> v1::CalendarFeed {
    v1::CalendarFeed {
        name: feed.key.name(),
        display_name: feed.display_name.clone(),
        create_time: Some(timestamp(feed.created_at)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(given: &v1::MailSubscription) -> (Option<MailWish>, Vec<String>) {
        let mut violations = Violations::default();
        let wish = wish(given, &mut violations);
        if let Some(wish) = &wish {
            wish.check("subscription", &mut violations);
        }
        let fields = violations.0.into_iter().map(|violation| violation.field);
        (wish, fields.collect())
    }

    #[test]
    fn what_is_left_out_gets_the_defaults_that_the_protocol_states() {
        let (wish, wrong) = read(&v1::MailSubscription {
            address: " lab@example.org ".to_owned(),
            ..v1::MailSubscription::default()
        });
        let wanted = MailWish {
            address: "lab@example.org".to_owned(),
            level: Level::Technician,
            mode: MailMode::Immediate,
        };
        assert_eq!((wish, wrong), (Some(wanted), Vec::new()));
    }

    #[test]
    fn every_bad_field_is_named() {
        let (_, wrong) = read(&v1::MailSubscription {
            address: "lab".to_owned(),
            level: 9,
            mode: 9,
            ..v1::MailSubscription::default()
        });
        assert_eq!(wrong, ["subscription.level", "subscription.mode"]);
        let (_, wrong) = read(&v1::MailSubscription {
            address: "lab".to_owned(),
            ..v1::MailSubscription::default()
        });
        assert_eq!(wrong, ["subscription.address"]);
    }
}
