//! A server of a few lines that keeps due dates, rules and alerts, for driving the command line in process.

use std::collections::VecDeque;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::{Arc, Mutex};

use jiff::Timestamp;
use ringtrue::Conversation;
use ringtrue_proto::Date;
use ringtrue_proto::v1::alert_service_server::{AlertService, AlertServiceServer};
use ringtrue_proto::v1::care_service_server::{CareService, CareServiceServer};
use ringtrue_proto::v1::delivery_service_server::{DeliveryService, DeliveryServiceServer};
use ringtrue_proto::v1::operations_service_server::{OperationsService, OperationsServiceServer};
use ringtrue_proto::v1::schedule_service_server::{ScheduleService, ScheduleServiceServer};
use ringtrue_proto::v1::site_service_server::{SiteService, SiteServiceServer};
use ringtrue_proto::v1::*;
use tokio_stream::Stream;
use tonic::{Request, Response, Status};

use crate::in_process::{Outcome, run, served};

/// Name of the furnace known here.
pub(crate) const K2: &str = "sites/porto/furnaces/k2";

pub(crate) type Answered<T> = Result<Response<T>, Status>;

/// What a request to watch is answered with: changes, then the status that ends the stream.
pub(crate) type Turn = (Vec<WatchAlertsResponse>, Status);

/// The server: what it knows, and what it was asked.
#[derive(Clone, Default)]
pub(crate) struct Bench {
    pub(crate) tasks: Arc<Mutex<Vec<DueTask>>>,
    pub(crate) fitness: Arc<Mutex<UseState>>,
    pub(crate) turns: Arc<Mutex<VecDeque<Turn>>>,
    pub(crate) due: Arc<Mutex<Vec<ListDueTasksRequest>>>,
    pub(crate) acts: Arc<Mutex<Vec<RecordCareActRequest>>>,
    pub(crate) rules: Arc<Mutex<Vec<SetScheduleRuleRequest>>>,
    pub(crate) snoozes: Arc<Mutex<Vec<SnoozeAlertRequest>>>,
    pub(crate) watches: Arc<Mutex<Vec<WatchAlertsRequest>>>,
    pub(crate) sites: Arc<Mutex<Vec<UpdateSiteRequest>>>,
    pub(crate) checks: Arc<Mutex<Vec<CheckUseRequest>>>,
}

/// Remembers what was asked.
fn noted<T>(list: &Arc<Mutex<Vec<T>>>, ask: T) {
    list.lock().expect("not poisoned").push(ask);
}

/// What was asked so far.
pub(crate) fn asked<T: Clone>(list: &Arc<Mutex<Vec<T>>>) -> Vec<T> {
    list.lock().expect("not poisoned").clone()
}

pub(crate) fn at(text: &str) -> prost_types::Timestamp {
    let moment: Timestamp = text.parse().expect("a moment");
    prost_types::Timestamp {
        seconds: moment.as_second(),
        nanos: 0,
    }
}

pub(crate) fn date(year: i32, month: i32, day: i32) -> Date {
    Date { year, month, day }
}

/// The calibration of K2, due on Friday 20 November 2026; today is the Monday after it.
pub(crate) fn calibration() -> DueTask {
    let step = |kind: StepKind, state: StepState, due_date| CalibrationStep {
        kind: kind.into(),
        state: state.into(),
        due_date,
    };
    DueTask {
        task: TaskKind::Calibration.into(),
        site: "sites/porto".to_owned(),
        subject: K2.to_owned(),
        site_display_name: "Porto".to_owned(),
        subject_display_name: "K2".to_owned(),
        due_date: Some(date(2026, 11, 20)),
        grace_end_date: Some(date(2026, 11, 23)),
        state: DueState::Overdue.into(),
        steps: vec![
            step(StepKind::Fire, StepState::Late, Some(date(2026, 11, 20))),
            step(StepKind::Measure, StepState::Later, None),
            step(StepKind::EnterSetpoint, StepState::Later, None),
        ],
        reasons: vec![Reason {
            code: "INTERVAL".to_owned(),
            text: "The last ring was fired on 6 November; the rule allows 14 days.".to_owned(),
        }],
        next_step: "Fire a ring of batch X7 with programme Standard today, and measure it when it \
                    is cold."
            .to_owned(),
        rule_words: "every 2 weeks on Friday".to_owned(),
        rule: "sites/porto/scheduleRules/calibration".to_owned(),
        last_done_time: Some(at("2026-11-06T18:00:00Z")),
        cautions: vec![
            "Open the chamber only below the temperature that the maker allows.".to_owned(),
            "The furnace maker's instructions and local rules decide.".to_owned(),
        ],
        time_zone: "Europe/Lisbon".to_owned(),
        ..DueTask::default()
    }
}

/// The purge firing of K2, in four weeks.
pub(crate) fn purge() -> DueTask {
    DueTask {
        task: TaskKind::PurgeFiring.into(),
        due_date: Some(date(2026, 12, 18)),
        state: DueState::Current.into(),
        steps: Vec::new(),
        cautions: vec!["Fire it with the chamber empty, and ventilate.".to_owned()],
        rule_words: "every 4 weeks".to_owned(),
        rule: String::new(),
        last_done_time: None,
        ..calibration()
    }
}

pub(crate) fn alert() -> Alert {
    Alert {
        name: "alerts/a1".to_owned(),
        kind: AlertKind::CalibrationDue.into(),
        site: "sites/porto".to_owned(),
        subject: K2.to_owned(),
        site_display_name: "Porto".to_owned(),
        subject_display_name: "K2".to_owned(),
        stage: AlertStage::Overdue.into(),
        level: AlertLevel::Manager.into(),
        state: AlertState::Open.into(),
        statement: "The calibration of K2 was due on Friday 20 November.".to_owned(),
        next_step: "Fire a ring today.".to_owned(),
        due_date: Some(date(2026, 11, 20)),
        raise_time: Some(at("2026-11-20T08:00:00Z")),
        time_zone: "Europe/Lisbon".to_owned(),
        ..Alert::default()
    }
}

/// A change of the alert behind a cursor.
pub(crate) fn change(cursor: &str, kind: AlertChangeKind) -> WatchAlertsResponse {
    WatchAlertsResponse {
        change: Some(AlertChange {
            cursor: cursor.to_owned(),
            kind: kind.into(),
            alert: Some(alert()),
            change_time: Some(at("2026-11-23T08:00:00Z")),
        }),
        cursor: cursor.to_owned(),
    }
}

fn rule(name: &str) -> ScheduleRule {
    ScheduleRule {
        name: name.to_owned(),
        task: TaskKind::Calibration.into(),
        plan: PlanKind::FixedDates.into(),
        recurrence: "FREQ=WEEKLY;INTERVAL=2;BYDAY=FR".to_owned(),
        start_date: Some(date(2026, 11, 6)),
        busy_firings_per_day: 2.0,
        busy_interval_days: 14,
        shift: ClosedDayShift::Before.into(),
        grace_days: Some(3),
        verify: true,
        words: "every 2 weeks on Friday".to_owned(),
        set_at: "scheduleRules/calibration".to_owned(),
        basis: "common practice, no source".to_owned(),
        etag: "\"4\"".to_owned(),
        update_time: Some(at("2026-11-01T08:00:00Z")),
        ..ScheduleRule::default()
    }
}

fn porto() -> Site {
    Site {
        name: "sites/porto".to_owned(),
        display_name: "Porto".to_owned(),
        time_zone: "Europe/Lisbon".to_owned(),
        calibration_day: DayOfWeek::Friday.into(),
        calibration_interval_days: 28,
        tolerance_c: 10.0,
        largest_step_c: 30.0,
        closures: vec![Closure {
            from_date: Some(date(2026, 12, 8)),
            until_date: Some(date(2026, 12, 8)),
            reason: "public holiday".to_owned(),
        }],
        firing_time: "15:00".to_owned(),
        quiet_from_time: "19:00".to_owned(),
        quiet_until_time: "07:00".to_owned(),
        manager_after_days: Some(1),
        quality_after_days: Some(3),
        silent_after_days: 35,
        ..Site::default()
    }
}

impl Bench {
    /// Serves on a free port of loopback in a thread of its own, until the test's process ends.
    pub(crate) fn serve(&self) -> SocketAddr {
        let bench = self.clone();
        served(move || {
            tonic::transport::Server::builder()
                .add_service(SiteServiceServer::new(bench.clone()))
                .add_service(CareServiceServer::new(bench.clone()))
                .add_service(ScheduleServiceServer::new(bench.clone()))
                .add_service(AlertServiceServer::new(bench.clone()))
                .add_service(DeliveryServiceServer::new(bench.clone()))
                .add_service(OperationsServiceServer::new(bench))
        })
    }

    /// Runs a command line, its words separated by blanks, with nobody at a terminal.
    pub(crate) fn said(&self, line: &str) -> Outcome {
        self.said_at(line, 100, None)
    }

    /// Runs a command line at a width, with somebody at the terminal or nobody.
    pub(crate) fn said_at(
        &self,
        line: &str,
        columns: u16,
        person: Option<&mut dyn Conversation>,
    ) -> Outcome {
        let words: Vec<&str> = line.split_whitespace().collect();
        run(self.serve(), columns, &words, person)
    }

    /// Runs a command line whose last argument holds blanks.
    pub(crate) fn said_with(&self, line: &str, last: &str) -> Outcome {
        let mut words: Vec<&str> = line.split_whitespace().collect();
        words.push(last);
        run(self.serve(), 100, &words, None)
    }
}

#[tonic::async_trait]
impl SiteService for Bench {
    async fn create_site(&self, _: Request<CreateSiteRequest>) -> Answered<CreateSiteResponse> {
        Err(Status::unimplemented("not asked for here"))
    }

    async fn get_site(&self, _: Request<GetSiteRequest>) -> Answered<GetSiteResponse> {
        Ok(Response::new(GetSiteResponse {
            site: Some(porto()),
        }))
    }

    async fn list_sites(&self, _: Request<ListSitesRequest>) -> Answered<ListSitesResponse> {
        Ok(Response::new(ListSitesResponse {
            sites: vec![porto()],
            next_page_token: String::new(),
        }))
    }

    async fn update_site(&self, ask: Request<UpdateSiteRequest>) -> Answered<UpdateSiteResponse> {
        let ask = ask.into_inner();
        noted(&self.sites, ask.clone());
        let mut site = porto();
        site.closures = ask.site.unwrap_or_default().closures;
        Ok(Response::new(UpdateSiteResponse { site: Some(site) }))
    }
}

#[tonic::async_trait]
impl CareService for Bench {
    async fn list_due_tasks(
        &self,
        ask: Request<ListDueTasksRequest>,
    ) -> Answered<ListDueTasksResponse> {
        let ask = ask.into_inner();
        noted(&self.due, ask.clone());
        let mut tasks = asked(&self.tasks);
        tasks.retain(|task| ask.all || task.state() != DueState::Current);
        tasks.retain(|task| ask.tasks.is_empty() || ask.tasks.contains(&task.task));
        Ok(Response::new(ListDueTasksResponse {
            tasks,
            next_page_token: String::new(),
        }))
    }

    async fn check_use(&self, ask: Request<CheckUseRequest>) -> Answered<CheckUseResponse> {
        let ask = ask.into_inner();
        noted(&self.checks, ask.clone());
        let state = *self.fitness.lock().expect("not poisoned");
        Ok(Response::new(CheckUseResponse {
            furnace: ask.furnace,
            state: state.into(),
            reasons: calibration().reasons,
            setpoint_c: (!ask.programme.is_empty()).then_some(1481.0),
            valid_until_time: Some(at("2026-11-23T23:59:59Z")),
            as_of_time: Some(at("2026-11-23T08:12:00Z")),
            calibration: Some(calibration()),
            caution: "This answer comes from records; it cannot see the furnace.".to_owned(),
        }))
    }

    async fn record_care_act(
        &self,
        ask: Request<RecordCareActRequest>,
    ) -> Answered<RecordCareActResponse> {
        let ask = ask.into_inner();
        noted(&self.acts, ask.clone());
        let act = CareAct {
            name: format!("{}/careActs/c1", ask.parent),
            ..ask.act.unwrap_or_default()
        };
        Ok(Response::new(RecordCareActResponse {
            act: Some(act),
            next: Some(purge()),
        }))
    }

    async fn list_care_acts(
        &self,
        _: Request<ListCareActsRequest>,
    ) -> Answered<ListCareActsResponse> {
        let mut acts = Vec::new();
        for ask in asked(&self.acts) {
            acts.extend(ask.act);
        }
        Ok(Response::new(ListCareActsResponse {
            acts,
            next_page_token: String::new(),
        }))
    }
}

#[tonic::async_trait]
impl ScheduleService for Bench {
    async fn set_schedule_rule(
        &self,
        ask: Request<SetScheduleRuleRequest>,
    ) -> Answered<SetScheduleRuleResponse> {
        let ask = ask.into_inner();
        noted(&self.rules, ask.clone());
        let stored = ScheduleRule {
            task: TaskKind::Calibration.into(),
            words: "as it was asked for".to_owned(),
            set_at: ask.rule.clone().unwrap_or_default().name,
            ..ask.rule.unwrap_or_default()
        };
        Ok(Response::new(SetScheduleRuleResponse {
            rule: Some(stored),
        }))
    }

    async fn get_schedule_rule(
        &self,
        ask: Request<GetScheduleRuleRequest>,
    ) -> Answered<GetScheduleRuleResponse> {
        Ok(Response::new(GetScheduleRuleResponse {
            rule: Some(rule(&ask.into_inner().name)),
        }))
    }

    async fn list_schedule_rules(
        &self,
        ask: Request<ListScheduleRulesRequest>,
    ) -> Answered<ListScheduleRulesResponse> {
        let parent = ask.into_inner().parent;
        Ok(Response::new(ListScheduleRulesResponse {
            rules: vec![rule(&format!("{parent}/scheduleRules/calibration"))],
        }))
    }

    async fn remove_schedule_rule(
        &self,
        ask: Request<RemoveScheduleRuleRequest>,
    ) -> Answered<RemoveScheduleRuleResponse> {
        Ok(Response::new(RemoveScheduleRuleResponse {
            rule: Some(rule(&ask.into_inner().name)),
        }))
    }
}

#[tonic::async_trait]
impl AlertService for Bench {
    type WatchAlertsStream =
        Pin<Box<dyn Stream<Item = Result<WatchAlertsResponse, Status>> + Send>>;

    async fn get_alert(&self, _: Request<GetAlertRequest>) -> Answered<GetAlertResponse> {
        Ok(Response::new(GetAlertResponse {
            alert: Some(alert()),
        }))
    }

    async fn list_alerts(&self, _: Request<ListAlertsRequest>) -> Answered<ListAlertsResponse> {
        Ok(Response::new(ListAlertsResponse {
            alerts: vec![alert()],
            next_page_token: String::new(),
        }))
    }

    async fn acknowledge_alert(
        &self,
        ask: Request<AcknowledgeAlertRequest>,
    ) -> Answered<AcknowledgeAlertResponse> {
        let ask = ask.into_inner();
        Ok(Response::new(AcknowledgeAlertResponse {
            alert: Some(Alert {
                state: AlertState::Acknowledged.into(),
                note: ask.note,
                noted_by: ask.noted_by,
                ..alert()
            }),
        }))
    }

    async fn snooze_alert(
        &self,
        ask: Request<SnoozeAlertRequest>,
    ) -> Answered<SnoozeAlertResponse> {
        let ask = ask.into_inner();
        noted(&self.snoozes, ask.clone());
        Ok(Response::new(SnoozeAlertResponse {
            alert: Some(Alert {
                state: AlertState::Snoozed.into(),
                snoozed_until_time: ask.until_time,
                snooze_count: 1,
                ..alert()
            }),
        }))
    }

    async fn watch_alerts(
        &self,
        ask: Request<WatchAlertsRequest>,
    ) -> Answered<Self::WatchAlertsStream> {
        noted(&self.watches, ask.into_inner());
        let turn = self.turns.lock().expect("not poisoned").pop_front();
        let (changes, end) = turn.unwrap_or_else(|| (Vec::new(), Status::not_found("no more")));
        let mut sent: Vec<Result<WatchAlertsResponse, Status>> = Vec::new();
        for change in changes {
            sent.push(Ok(change));
        }
        sent.push(Err(end));
        Ok(Response::new(Box::pin(tokio_stream::iter(sent))))
    }
}

#[tonic::async_trait]
impl DeliveryService for Bench {
    async fn create_mail_subscription(
        &self,
        ask: Request<CreateMailSubscriptionRequest>,
    ) -> Answered<CreateMailSubscriptionResponse> {
        let ask = ask.into_inner();
        let subscription = MailSubscription {
            name: format!("{}/mailSubscriptions/m1", ask.parent),
            ..ask.subscription.unwrap_or_default()
        };
        Ok(Response::new(CreateMailSubscriptionResponse {
            subscription: Some(subscription),
        }))
    }

    async fn list_mail_subscriptions(
        &self,
        _: Request<ListMailSubscriptionsRequest>,
    ) -> Answered<ListMailSubscriptionsResponse> {
        Ok(Response::new(ListMailSubscriptionsResponse {
            subscriptions: vec![MailSubscription {
                name: "sites/porto/mailSubscriptions/m1".to_owned(),
                address: "bench@porto.example".to_owned(),
                last_failure: "550 no such mailbox".to_owned(),
                ..MailSubscription::default()
            }],
        }))
    }

    async fn delete_mail_subscription(
        &self,
        ask: Request<DeleteMailSubscriptionRequest>,
    ) -> Answered<DeleteMailSubscriptionResponse> {
        match ask.into_inner().name.as_str() {
            "sites/porto/mailSubscriptions/m1" | "mailSubscriptions/m2" => {
                Ok(Response::new(DeleteMailSubscriptionResponse {}))
            }
            other => Err(Status::not_found(format!("{other} is not there"))),
        }
    }

    async fn create_calendar_feed(
        &self,
        ask: Request<CreateCalendarFeedRequest>,
    ) -> Answered<CreateCalendarFeedResponse> {
        let ask = ask.into_inner();
        let feed = ask.feed.unwrap_or_default();
        let is_repeat = feed.display_name == "again";
        let secret_path = if is_repeat { "" } else { "/calendar/5f2c.ics" };
        Ok(Response::new(CreateCalendarFeedResponse {
            feed: Some(CalendarFeed {
                name: format!("{}/calendarFeeds/f1", ask.parent),
                ..feed
            }),
            secret_path: secret_path.to_owned(),
            url: if is_repeat {
                String::new()
            } else {
                format!("http://ringtrue.example:8080{secret_path}")
            },
        }))
    }

    async fn list_calendar_feeds(
        &self,
        _: Request<ListCalendarFeedsRequest>,
    ) -> Answered<ListCalendarFeedsResponse> {
        Ok(Response::new(ListCalendarFeedsResponse {
            feeds: vec![CalendarFeed {
                name: "sites/porto/calendarFeeds/f1".to_owned(),
                display_name: "screen at the bench".to_owned(),
                create_time: Some(at("2026-11-20T08:00:00Z")),
            }],
        }))
    }

    async fn delete_calendar_feed(
        &self,
        _: Request<DeleteCalendarFeedRequest>,
    ) -> Answered<DeleteCalendarFeedResponse> {
        Ok(Response::new(DeleteCalendarFeedResponse {}))
    }
}

#[tonic::async_trait]
impl OperationsService for Bench {
    async fn list_background_work(
        &self,
        _: Request<ListBackgroundWorkRequest>,
    ) -> Answered<ListBackgroundWorkResponse> {
        Ok(Response::new(ListBackgroundWorkResponse {
            work: vec![BackgroundWork {
                name: "alerts".to_owned(),
                last_success_time: Some(at("2026-11-23T08:11:55Z")),
                last_duration_s: 0.042,
                run_count: 812,
                ..BackgroundWork::default()
            }],
        }))
    }
}
