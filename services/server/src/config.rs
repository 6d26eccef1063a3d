//! The settings of the server, from four layers: defaults, a file, the environment, flags.
//!
//! This is the only place that reads the environment. Every fault in every layer is found in one
//! go, so that a person corrects them once.

mod access;
mod audit;
mod changes;
mod deliveries;
mod layers;
mod limits;
mod postgres;
mod tls;
mod webhooks;

use std::collections::HashMap;
use std::fmt;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;

use ringtrue_store::Location;

use tracing_subscriber::EnvFilter;

pub use access::Access;
pub use audit::Audit;
pub use changes::Changes;
pub use deliveries::{Http, Mail, MailTls, Secret};
pub use layers::ENVIRONMENT_PREFIX;
use layers::{Given, merged, misspelt_variables};
pub use limits::Limits;
pub use postgres::Postgres;
use tls::check_reach;
pub use tls::{ClientCertificates, Tls};
pub use webhooks::Webhooks;

/// Everything the server can be told before it starts.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// The address and port to serve on; without [`Settings::tls`] only addresses of this machine itself are accepted.
    pub listen: SocketAddr,
    /// The path of the database file, relative to the folder the server was started in; or the address of a
    /// database on PostgreSQL, such as `postgres://ringtrue_server@db.example.org/ringtrue?sslmode=verify-full`.
    pub database: String,
    /// How a database on PostgreSQL is used.
    pub postgres: Postgres,
    /// How long calls in progress may go on after the server was asked to stop, in seconds.
    pub drain_s: u64,
    /// What is written to the standard error stream.
    pub log: Log,
    /// What is sent to a telemetry collector.
    pub telemetry: Collection,
    /// How connections are encrypted.
    pub tls: Tls,
    /// What calls and connections may take.
    pub limits: Limits,
    /// Who may come in and how often.
    pub access: Access,
    /// What proves the audit chains.
    pub audit: Audit,
    /// How the network's readings are put together.
    pub fleet: Fleet,
    /// How what is due is looked at.
    pub alerts: Alerts,
    /// How long it is told what changed.
    pub changes: Changes,
    /// Where events are sent.
    pub webhooks: Webhooks,
    /// The pages and calendar feeds beside the gRPC interface.
    pub http: Http,
    /// How mail goes out.
    pub mail: Mail,
}

/// How what is due is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Alerts {
    /// How often it is looked whether anything is due for an alert, in seconds; 0 leaves it to others.
    pub look_every_s: u64,
}

/// How the network's readings are put together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fleet {
    /// How often it is looked whether readings changed and the network is to be fitted anew, in seconds;
    /// 0 leaves it to others.
    pub refit_every_s: u64,
}

/// What is written to the standard error stream.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Log {
    /// Lines for people or for programs.
    pub format: LogFormat,
    /// Which messages are written, as directives of `tracing_subscriber::EnvFilter`.
    pub filter: String,
}

/// How a log line is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LogFormat {
    /// For people.
    Text,
    /// One JSON object a line, for programs.
    Json,
}

/// What is sent to a telemetry collector.
#[derive(Debug, Clone, PartialEq)]
pub struct Collection {
    /// Where traces and metrics go, over gRPC, such as `http://127.0.0.1:4317`; nothing is sent
    /// while unset.
    pub otlp_endpoint: Option<String>,
    /// The name the server has there.
    pub service_name: String,
    /// The share of calls that are traced, 0 to 1; a caller's own decision goes before it.
    pub sample_ratio: f64,
}

/// What was given as flags when the server was started; goes before everything else.
#[derive(Debug, Clone, Default)]
pub struct Overrides {
    /// For `listen`.
    pub listen: Option<String>,
    /// For `database`.
    pub database: Option<String>,
    /// For `drain_s`, in seconds.
    pub drain_s: Option<u64>,
    /// For `log.format`.
    pub log_format: Option<String>,
    /// For `log.filter`.
    pub log_filter: Option<String>,
    /// For `telemetry.otlp_endpoint`.
    pub otlp_endpoint: Option<String>,
}

/// Everything that is wrong with the settings, each with what to do about it; never empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Faults(Vec<String>);

impl Faults {
    /// Gives the faults, one sentence each.
    pub fn sentences(&self) -> &[String] {
        &self.0
    }
}

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the settings cannot be used:")?;
        for fault in &self.0 {
            write!(f, "\n  - {fault}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}

impl Default for Settings {
    fn default() -> Self {
        Self {
            listen: SocketAddr::from((Ipv4Addr::LOCALHOST, 7145)),
            database: "ringtrue.db".to_owned(),
            postgres: Postgres::default(),
            drain_s: 20,
            log: Log {
                format: LogFormat::Text,
                filter: "info,h2=warn,hyper=warn,tonic=warn,sqlx=warn,opentelemetry=warn"
                    .to_owned(),
            },
            telemetry: Collection {
                otlp_endpoint: None,
                service_name: "ringtrue-server".to_owned(),
                sample_ratio: 1.0,
            },
            tls: Tls::default(),
            limits: Limits::default(),
            access: Access::default(),
            audit: Audit::default(),
            fleet: Fleet { refit_every_s: 5 },
            alerts: Alerts { look_every_s: 1 },
            changes: Changes::default(),
            webhooks: Webhooks::default(),
            http: Http::default(),
            mail: Mail::default(),
        }
    }
}

/// The password that `copy` proves itself with at one of its databases, out of the environment: `FROM` or `TO`.
///
/// Fails when it is no text.
pub fn copy_password(end: &str) -> Result<Option<Secret>, Faults> {
    let name = format!("RINGTRUE_COPY_{end}_PASSWORD");
    #[expect(
        clippy::disallowed_methods,
        reason = "this file is the door of the environment"
    )]
    match std::env::var(&name) {
        Ok(password) if password.is_empty() => Ok(None),
        Ok(password) => Ok(Some(Secret::new(password))),
        Err(std::env::VarError::NotPresent) => Ok(None),
        Err(std::env::VarError::NotUnicode(_)) => Err(Faults(vec![format!(
            "{name} is not UTF-8 text; set it again"
        )])),
    }
}

impl Settings {
    /// Gives the settings from the defaults, a TOML file if one is named, the environment of this
    /// process and the flags, later ones before earlier ones, and checks them.
    ///
    /// Fails with every fault found in any of them.
    pub fn load(file: Option<&Path>, flags: &Overrides) -> Result<Self, Faults> {
        let mut environment = HashMap::new();
        let mut unreadable = Vec::new();
        #[expect(
            clippy::disallowed_methods,
            reason = "this file is the door of the environment"
        )]
        let variables = std::env::vars_os();
        for (name, value) in variables {
            let name = name.to_string_lossy().into_owned();
            if !name.starts_with(ENVIRONMENT_PREFIX) {
                continue;
            }
            match value.into_string() {
                Ok(value) => {
                    environment.insert(name, value);
                }
                Err(_) => unreadable.push(format!("{name} is not UTF-8 text; set it again")),
            }
        }
        if !unreadable.is_empty() {
            return Err(Faults(unreadable));
        }
        Self::from_layers(file, environment, flags)
    }

    fn from_layers(
        file: Option<&Path>,
        environment: HashMap<String, String>,
        flags: &Overrides,
    ) -> Result<Self, Faults> {
        let mut faults = misspelt_variables(&environment);
        let merged = match merged(file, environment, flags) {
            Ok(merged) => merged,
            Err(fault) => {
                faults.push(format!("{fault}; correct it and start again"));
                return Err(Faults(faults));
            }
        };
        let mut given = Given::new(merged, faults);

        let default = Self::default();
        let settings = Self {
            listen: given
                .address("listen", "127.0.0.1:7145")
                .unwrap_or(default.listen),
            database: given.text("database", default.database),
            postgres: Postgres::given(&mut given),
            drain_s: given.whole("drain_s", default.drain_s),
            log: Log {
                format: given.log_format(default.log.format),
                filter: given.text("log.filter", default.log.filter),
            },
            telemetry: Collection {
                otlp_endpoint: given.optional_text("telemetry.otlp_endpoint"),
                service_name: given.text("telemetry.service_name", default.telemetry.service_name),
                sample_ratio: given
                    .fraction("telemetry.sample_ratio", default.telemetry.sample_ratio),
            },
            tls: Tls::given(&mut given),
            limits: Limits::given(&mut given),
            access: Access::given(&mut given),
            audit: Audit::given(&mut given),
            fleet: Fleet {
                refit_every_s: given.whole("fleet.refit_every_s", default.fleet.refit_every_s),
            },
            alerts: Alerts {
                look_every_s: given.whole("alerts.look_every_s", default.alerts.look_every_s),
            },
            changes: Changes::given(&mut given),
            webhooks: Webhooks::given(&mut given),
            http: Http::given(&mut given),
            mail: Mail::given(&mut given),
        };
        let mut faults = given.faults;
        if let Err(more) = settings.check() {
            faults.extend(more.0);
        }
        if faults.is_empty() {
            Ok(settings)
        } else {
            Err(Faults(faults))
        }
    }

    /// Checks that the server can work with these settings; fails with every fault.
    pub fn check(&self) -> Result<(), Faults> {
        let mut faults = Vec::new();
        check_reach("listen", self.listen, &self.tls, &mut faults);
        self.tls.check(&mut faults);
        if self.database.trim().is_empty() {
            faults.push("database is empty: name a file, such as ringtrue.db".to_owned());
        } else if self.database.contains("://") && matches!(self.location(), Location::File(_)) {
            faults.push(format!(
                "database = {} is an address of no kind that works here: name a file, such as ringtrue.db, \
                 or an address that begins with postgres://",
                without_secrets(&self.database)
            ));
        }
        self.postgres.check(&mut faults);
        within("drain_s", self.drain_s, 0, 3_600, "seconds", &mut faults);
        let refit_every_s = self.fleet.refit_every_s;
        within(
            "fleet.refit_every_s",
            refit_every_s,
            0,
            86_400,
            "seconds",
            &mut faults,
        );
        within(
            "alerts.look_every_s",
            self.alerts.look_every_s,
            0,
            3_600,
            "seconds",
            &mut faults,
        );
        if let Err(cause) = EnvFilter::try_new(&self.log.filter) {
            faults.push(format!(
                "log.filter = {} cannot be read ({cause}): write levels such as info or \
                 info,sqlx=warn",
                self.log.filter
            ));
        }
        if let Some(endpoint) = &self.telemetry.otlp_endpoint
            && !is_plain_http(endpoint)
        {
            faults.push(format!(
                "telemetry.otlp_endpoint = {} cannot be sent to: write http://, a name and a \
                 port, such as http://127.0.0.1:4317",
                without_secrets(endpoint)
            ));
        }
        if self.telemetry.service_name.trim().is_empty() {
            faults.push(
                "telemetry.service_name is empty: write a name, such as ringtrue-server".to_owned(),
            );
        }
        if !(0.0..=1.0).contains(&self.telemetry.sample_ratio) {
            faults.push(format!(
                "telemetry.sample_ratio = {} is not a share: write a number from 0 (no call) to 1 \
                 (every call)",
                self.telemetry.sample_ratio
            ));
        }
        self.limits.check(&mut faults);
        self.audit.check(&mut faults);
        self.changes.check(&mut faults);
        self.webhooks.check(&mut faults);
        self.http.check(&self.tls, &mut faults);
        self.mail.check(&mut faults);
        if faults.is_empty() {
            Ok(())
        } else {
            Err(Faults(faults))
        }
    }

    /// Where the database is.
    pub fn location(&self) -> Location {
        self.postgres.location(&self.database)
    }

    /// The database as it may be shown: without a password.
    pub fn database_shown(&self) -> String {
        without_secrets(&self.database)
    }

    /// Gives the settings in force as the text of a settings file, with secrets hidden.
    pub fn effective(&self) -> String {
        let format = match self.log.format {
            LogFormat::Text => "text",
            LogFormat::Json => "json",
        };
        let endpoint = self.telemetry.otlp_endpoint.as_deref().unwrap_or_default();
        let lines = [
            format!("listen = {:?}", self.listen.to_string()),
            format!("database = {:?}", without_secrets(&self.database)),
            format!("drain_s = {}", self.drain_s),
            self.postgres.effective(),
            "\n[log]".to_owned(),
            format!("format = {format:?}"),
            format!("filter = {:?}", self.log.filter),
            "\n[telemetry]".to_owned(),
            format!("otlp_endpoint = {:?}", without_secrets(endpoint)),
            format!("service_name = {:?}", self.telemetry.service_name),
            format!("sample_ratio = {:?}", self.telemetry.sample_ratio),
            self.tls.effective(),
            self.limits.effective(),
            self.access.effective(),
            self.audit.effective(),
            "\n[fleet]".to_owned(),
            format!("refit_every_s = {}", self.fleet.refit_every_s),
            "\n[alerts]".to_owned(),
            format!("look_every_s = {}", self.alerts.look_every_s),
            self.changes.effective(),
            self.webhooks.effective(),
            self.http.effective(),
            self.mail.effective(),
        ];
        lines.join("\n")
    }
}

/// Says whether an endpoint has the form `http://name`, without encryption.
fn is_plain_http(endpoint: &str) -> bool {
    match endpoint.parse::<http::Uri>() {
        Ok(uri) => uri.scheme_str() == Some("http") && uri.authority().is_some(),
        Err(_) => false,
    }
}

fn within(key: &str, value: u64, least: u64, most: u64, unit: &str, faults: &mut Vec<String>) {
    if value < least || value > most {
        faults.push(format!(
            "{key} = {value} is out of range: write {least} to {most} {unit}"
        ));
    }
}

/// Whether an address holds a password, before its `@` or behind its `?`.
pub fn holds_password(address: &str) -> bool {
    let rest = address.split_once("://").map_or("", |(_, rest)| rest);
    let (rest, query) = rest.split_once('?').unwrap_or((rest, ""));
    let user = rest.rsplit_once('@').map_or("", |(user, _)| user);
    user.contains(':') || query.split('&').any(|one| one.starts_with("password="))
}

/// Hides what may be a password in an address: the part before `@` and the part behind `?`.
pub fn without_secrets(address: &str) -> String {
    let Some((scheme, rest)) = address.split_once("://") else {
        return address.to_owned();
    };
    let (rest, query) = match rest.split_once('?') {
        Some((rest, _)) => (rest, "?***"),
        None => (rest, ""),
    };
    match rest.rsplit_once('@') {
        Some((_, host)) => format!("{scheme}://***@{host}{query}"),
        None => format!("{scheme}://{rest}{query}"),
    }
}

#[cfg(test)]
mod tests;
