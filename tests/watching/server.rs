//! The server under measurement, a process of its own: it raises an alert when a line says so, and answers
//! with the moment of its commit.

use std::io::Write as _;
use std::path::Path;
use std::time::{SystemTime, UNIX_EPOCH};

use anyhow::Context as _;
use ringtrue_fleet::alert::{Alert, AlertChange, AlertKind, AlertState, ChangeKind, Level, Stage};
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::{AlertId, SiteId};
use ringtrue_server::app::App;
use ringtrue_server::clock::Clock;
use ringtrue_server::config::{Alerts, Fleet, Settings};
use ringtrue_server::ids::Ids;
use ringtrue_server::lifecycle::Lifecycle;
use ringtrue_server::serve;
use ringtrue_server::transport::Transport;
use ringtrue_store::{Request, Store};
use tokio::io::{AsyncBufReadExt as _, BufReader};

/// Wall time, nanoseconds: both processes read the same clock of the machine.
#[expect(
    clippy::disallowed_methods,
    reason = "two processes compare moments; tests measure, they do not decide by the clock"
)]
pub(crate) fn now_ns() -> u128 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |since| since.as_nanos())
}

/// Serves until the standard input ends.
pub(crate) async fn serve(database: &Path) -> anyhow::Result<()> {
    let mut settings = Settings {
        listen: "127.0.0.1:0".parse()?,
        database: database.display().to_string(),
        fleet: Fleet { refit_every_s: 0 },
        alerts: Alerts { look_every_s: 0 },
        ..Settings::default()
    };
    settings.limits.in_flight = 20_000;
    // Every stream may have a connection of its own, and all come from this machine.
    settings.limits.connections_per_address = 20_000;
    let lifecycle = Lifecycle::new();
    let store = Store::open(database).await?;
    let app = App::start(store.clone(), Clock::system(), Ids::system(), &lifecycle);
    let scope = Scope::for_work("benchmark");
    let site = crate::network::site(0);
    let mut tx = store.begin("benchmark", &scope).await?;
    tx.insert_site(&site, &Request::NONE).await?;
    tx.commit().await?;
    let listener = serve::bind(settings.listen).await?;
    let address = listener.local_addr()?;
    let transport = Transport::of(&settings)?;
    serve::start(listener, &transport, &app, &settings, &lifecycle);
    say(&address.to_string())?;
    let mut lines = BufReader::new(tokio::io::stdin()).lines();
    let mut number = 0_u64;
    while let Some(line) = lines.next_line().await? {
        if line != "alert" {
            continue;
        }
        number += 1;
        let now = app.clock.now();
        let change = AlertChange {
            kind: ChangeKind::Raised,
            alert: alert(number, site.key.clone(), now)?,
        };
        let mut tx = store.begin("benchmark", &scope).await?;
        tx.put_alerts(&[change], now).await?;
        tx.commit().await?;
        let committed = now_ns();
        app.alerts.ring();
        say(&committed.to_string())?;
    }
    lifecycle.drain.cancel();
    Ok(())
}

fn say(line: &str) -> anyhow::Result<()> {
    let mut out = std::io::stdout();
    writeln!(out, "{line}")?;
    out.flush().context("the parent reads on")
}

fn alert(number: u64, site: SiteId, now: jiff::Timestamp) -> anyhow::Result<Alert> {
    Ok(Alert {
        id: AlertId::new(&format!("bench-{number}"))?,
        cause: format!("benchmark/{number}"),
        kind: AlertKind::CalibrationDue,
        subject: format!("{}/furnaces/k2", site.name()),
        site: Some(site),
        stage: Stage::Due,
        level: Level::Technician,
        state: AlertState::Open,
        statement: "K2: calibration is due by Friday 2026-11-27. By rule: every 28 days at most, on Friday."
            .to_owned(),
        next_step: "Fire a fresh test ring with a load of K2, measure it when it is cold, record the reading."
            .to_owned(),
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
    })
}
