//! A network with a mail server: subscriptions, alerts, and mail served when a test says so.

use jiff::civil::date;
use ringtrue_fleet::alert::{Alert, AlertChange, AlertKind, AlertState, ChangeKind, Level, Stage};
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::{AlertId, SiteId};
use ringtrue_proto::v1;
use ringtrue_proto::v1::delivery_service_client::DeliveryServiceClient;
use ringtrue_server::app::{self, Served};
use ringtrue_server::config::{MailTls, Settings};
use ringtrue_server::mail::Mailer;
use ringtrue_tests::Network;
use ringtrue_tests::bench::site;
use tokio_util::sync::CancellationToken;
use tonic::transport::Channel;

use crate::receiver::Receiver;

/// Where links in mails lead.
pub(crate) const PUBLIC: &str = "https://ringtrue.example.org";

/// What people call the site: everything that headers and markup could stumble over.
pub(crate) const SITE_NAME: &str = "Größe & Söhne <Nord>";

/// A network, its mail server and the way between them.
pub(crate) struct Post {
    pub(crate) network: Network,
    pub(crate) receiver: Receiver,
    pub(crate) mailer: Mailer,
}

impl Post {
    /// A network with a site `north` in Lisbon and a furnace `k2`.
    pub(crate) async fn start() -> Self {
        let network = Network::start().await;
        let mut north = site();
        SITE_NAME.clone_into(&mut north.display_name);
        let site = network.site("north", north).await.name;
        network
            .furnace(&site, "k2", ringtrue_tests::bench::furnace())
            .await;
        let receiver = Receiver::start();
        let mailer = mailer(receiver.port);
        Self {
            network,
            receiver,
            mailer,
        }
    }

    pub(crate) fn deliveries(&self) -> DeliveryServiceClient<Channel> {
        DeliveryServiceClient::new(self.network.channel())
    }

    /// Subscribes an address at `north`, or at the whole network with an empty parent; gives the name.
    pub(crate) async fn subscribe(
        &self,
        parent: &str,
        address: &str,
        level: v1::AlertLevel,
        mode: v1::MailMode,
    ) -> String {
        let asked = v1::CreateMailSubscriptionRequest {
            parent: parent.to_owned(),
            subscription: Some(v1::MailSubscription {
                address: address.to_owned(),
                level: level.into(),
                mode: mode.into(),
                ..v1::MailSubscription::default()
            }),
            request_id: String::new(),
        };
        let made = self.deliveries().create_mail_subscription(asked).await;
        let made = made.expect("a subscription").into_inner();
        made.subscription.expect("it is told").name
    }

    /// One subscription as it is listed.
    pub(crate) async fn listed(&self, name: &str) -> v1::MailSubscription {
        let parent = match name.split_once("/mailSubscriptions/") {
            Some((site, _)) => site.to_owned(),
            None => String::new(),
        };
        let asked = v1::ListMailSubscriptionsRequest { parent };
        let listed = self.deliveries().list_mail_subscriptions(asked).await;
        let listed = listed.expect("a list").into_inner().subscriptions;
        listed
            .into_iter()
            .find(|subscription| subscription.name == name)
            .expect("it is listed")
    }

    /// Stores a change of an alert as the look for alerts does.
    pub(crate) async fn put(&self, kind: ChangeKind, alert: &Alert) {
        let scope = Scope::for_work("test");
        let mut tx = self
            .network
            .app
            .store
            .begin("test", &scope)
            .await
            .expect("it begins");
        let change = AlertChange {
            kind,
            alert: alert.clone(),
        };
        tx.put_alerts(&[change], self.network.now())
            .await
            .expect("it is stored");
        tx.commit().await.expect("it is committed");
    }

    /// An alert about `k2`, not stored yet.
    pub(crate) fn alert(&self, id: &str, level: Level) -> Alert {
        let now = self.network.now();
        Alert {
            id: AlertId::new(id).expect("an id"),
            cause: format!("calibration_due:{id}"),
            kind: AlertKind::CalibrationDue,
            site: Some(SiteId::new("north").expect("an id")),
            subject: "sites/north/furnaces/k2".to_owned(),
            stage: Stage::Overdue,
            level,
            state: AlertState::Open,
            statement: "Die Kalibrierung ist überfällig: 1 < 2 & more.".to_owned(),
            next_step: "Fire a ring today.".to_owned(),
            due_on: Some(date(2026, 3, 5)),
            raised_at: now,
            updated_at: now,
            note: String::new(),
            noted_by: String::new(),
            snoozed_until: None,
            snoozes: 0,
            snooze_limit: None,
            closed_at: None,
            close_reason: String::new(),
            revision: 1,
        }
    }

    /// Stores a new alert about `k2`.
    pub(crate) async fn raise(&self, id: &str, level: Level) -> Alert {
        let alert = self.alert(id, level);
        self.put(ChangeKind::Raised, &alert).await;
        alert
    }

    /// Closes an alert.
    pub(crate) async fn close(&self, alert: &Alert) {
        let closed = Alert {
            state: AlertState::Closed,
            closed_at: Some(self.network.now()),
            close_reason: "a ring was measured".to_owned(),
            revision: alert.revision + 1,
            ..alert.clone()
        };
        self.put(ChangeKind::Closed, &closed).await;
    }

    /// Makes and sends mail once.
    pub(crate) async fn serve(&self) -> Served {
        self.serve_as("one").await.expect("nobody else is at it")
    }

    /// The same as another process; none while one is at it.
    pub(crate) async fn serve_as(&self, owner: &str) -> Option<Served> {
        let app = &self.network.app;
        let drain = CancellationToken::new();
        app::serve_mail(
            &app.store,
            &app.clock,
            &app.ids,
            &self.mailer,
            owner,
            &drain,
        )
        .await
        .expect("the store works")
    }
}

/// The way to a mail server on loopback.
pub(crate) fn mailer(port: u16) -> Mailer {
    let mut settings = Settings::default();
    settings.mail.host = Some("127.0.0.1".to_owned());
    settings.mail.port = port;
    settings.mail.tls = MailTls::None;
    settings.mail.timeout_s = 2;
    "Ringtrue <ringtrue@example.org>".clone_into(&mut settings.mail.from);
    settings.http.listen = Some("127.0.0.1:7146".parse().expect("an address"));
    settings.http.public_url = Some(PUBLIC.to_owned());
    settings.check().expect("good settings");
    Mailer::of(&settings)
        .expect("no certificates are needed")
        .expect("a mail server is named")
}

/// An alert of a site that rises to the next level; what is wrong is invented.
pub(crate) fn escalated_at(site: &str, id: &str, now: jiff::Timestamp) -> AlertChange {
    AlertChange {
        kind: ChangeKind::Escalated,
        alert: Alert {
            id: AlertId::new(id).expect("an id"),
            cause: format!("invented:{id}"),
            kind: AlertKind::CalibrationDue,
            site: Some(SiteId::new(site).expect("an id")),
            subject: format!("sites/{site}/furnaces/k2"),
            stage: Stage::Overdue,
            level: Level::Manager,
            state: AlertState::Open,
            statement: "Calibration is overdue.".to_owned(),
            next_step: "Fire a ring today.".to_owned(),
            due_on: None,
            raised_at: now,
            updated_at: now,
            note: String::new(),
            noted_by: String::new(),
            snoozed_until: None,
            snoozes: 0,
            snooze_limit: None,
            closed_at: None,
            close_reason: String::new(),
            revision: 1,
        },
    }
}
