//! The layers above the defaults: how a file, the environment and flags become values by key.

use std::collections::{BTreeMap, HashMap};
use std::net::SocketAddr;
use std::path::Path;

use config::{Config, Environment, File, FileFormat, Source as _, Value, ValueKind};

use super::{ClientCertificates, LogFormat, MailTls, Overrides, without_secrets};

/// What the names of the server's environment variables begin with; `RINGTRUE_SERVER__LOG__FORMAT`
/// sets `log.format`.
pub const ENVIRONMENT_PREFIX: &str = "RINGTRUE_SERVER";

/// Every key there is, in the order it is shown to people.
pub(super) const KEYS: [&str; 43] = [
    "listen",
    "database",
    "drain_s",
    "postgres.connections",
    "postgres.longest_statement_s",
    "postgres.password",
    "log.format",
    "log.filter",
    "telemetry.otlp_endpoint",
    "telemetry.service_name",
    "telemetry.sample_ratio",
    "tls.certificate",
    "tls.key",
    "tls.client_ca",
    "tls.client_certificates",
    "limits.in_flight",
    "limits.deadline_s",
    "limits.message_bytes",
    "limits.connections",
    "limits.connections_per_address",
    "limits.streams_per_connection",
    "limits.header_bytes",
    "access.local_callers",
    "access.calls_per_s",
    "access.calls_per_s_and_address",
    "audit.checkpoint_every_s",
    "audit.key",
    "audit.witness",
    "fleet.refit_every_s",
    "alerts.look_every_s",
    "changes.keep_days",
    "webhooks.allow",
    "http.listen",
    "http.tls",
    "http.public_url",
    "http.allowed_origins",
    "mail.host",
    "mail.port",
    "mail.tls",
    "mail.username",
    "mail.password",
    "mail.from",
    "mail.timeout_s",
];

/// Gives the three layers above the defaults as one tree; each value remembers its origin.
pub(super) fn merged(
    file: Option<&Path>,
    environment: HashMap<String, String>,
    flags: &Overrides,
) -> Result<HashMap<String, Value>, config::ConfigError> {
    let mut layers = Config::builder();
    if let Some(path) = file {
        layers = layers.add_source(File::from(path).format(FileFormat::Toml));
    }
    let environment = Environment::with_prefix(ENVIRONMENT_PREFIX)
        .prefix_separator("__")
        .separator("__")
        .source(Some(environment));
    layers
        .add_source(environment)
        .set_override_option("listen", flags.listen.clone())?
        .set_override_option("database", flags.database.clone())?
        .set_override_option("drain_s", flags.drain_s)?
        .set_override_option("log.format", flags.log_format.clone())?
        .set_override_option("log.filter", flags.log_filter.clone())?
        .set_override_option("telemetry.otlp_endpoint", flags.otlp_endpoint.clone())?
        .build()?
        .collect()
}

/// What the layers gave, by key, and what was wrong with it.
pub(super) struct Given {
    values: BTreeMap<&'static str, Value>,
    pub(super) faults: Vec<String>,
}

impl Given {
    pub(super) fn new(tree: HashMap<String, Value>, faults: Vec<String>) -> Self {
        let mut given = Self {
            values: BTreeMap::new(),
            faults,
        };
        given.flatten("", tree);
        given
    }

    /// Keeps the values of known keys below `section`; notes the others as faults.
    fn flatten(&mut self, section: &str, table: HashMap<String, Value>) {
        // A map of strings has no order; people are told the faults in the same order each time.
        let table: BTreeMap<String, Value> = table.into_iter().collect();
        for (name, value) in table {
            let path = if section.is_empty() {
                name
            } else {
                format!("{section}.{name}")
            };
            if let Some(key) = KEYS.iter().find(|key| **key == path) {
                self.values.insert(key, value);
                continue;
            }
            let members = names_below(&path);
            match value.kind {
                ValueKind::Table(inner) if !members.is_empty() => self.flatten(&path, inner),
                _ if !members.is_empty() => self.faults.push(format!(
                    "{path} ({}) is a group of settings: set {members} in it",
                    origin(&path, &value)
                )),
                _ => self.faults.push(format!(
                    "{path} ({}) is not a setting: {}",
                    origin(&path, &value),
                    match names_below(section) {
                        known if section.is_empty() => format!("known are {known}"),
                        known => format!("[{section}] knows {known}"),
                    }
                )),
            }
        }
    }

    fn wrong(&mut self, key: &str, value: &Value, want: &str) {
        let shown = match &value.kind {
            ValueKind::Table(_) => "a group".to_owned(),
            ValueKind::Array(_) => "a list".to_owned(),
            _ => without_secrets(&value.to_string()),
        };
        self.faults.push(format!(
            "{key} = {shown} ({}): write {want}",
            origin(key, value)
        ));
    }

    pub(super) fn optional_text(&mut self, key: &'static str) -> Option<String> {
        let value = self.values.remove(key)?;
        if let ValueKind::String(text) = &value.kind {
            return Some(text.trim().to_owned()).filter(|text| !text.is_empty());
        }
        self.wrong(key, &value, "text in quotes");
        None
    }

    /// A list of texts; from the environment, with commas between them.
    pub(super) fn texts(&mut self, key: &'static str) -> Vec<String> {
        let Some(value) = self.values.remove(key) else {
            return Vec::new();
        };
        let texts = match &value.kind {
            ValueKind::Array(values) => values
                .iter()
                .map(|value| match &value.kind {
                    ValueKind::String(text) => Some(text.trim().to_owned()),
                    _ => None,
                })
                .collect::<Option<Vec<String>>>(),
            ValueKind::String(text) => {
                let texts = text.split(',').map(|text| text.trim().to_owned());
                Some(texts.filter(|text| !text.is_empty()).collect())
            }
            _ => None,
        };
        texts.unwrap_or_else(|| {
            self.wrong(
                key,
                &value,
                "a list of texts in quotes, such as [\"one\", \"other\"]",
            );
            Vec::new()
        })
    }

    pub(super) fn text(&mut self, key: &'static str, default: String) -> String {
        let Some(value) = self.values.remove(key) else {
            return default;
        };
        if let ValueKind::String(text) = &value.kind {
            return text.clone();
        }
        self.wrong(key, &value, "text in quotes");
        default
    }

    pub(super) fn whole(&mut self, key: &'static str, default: u64) -> u64 {
        let Some(value) = self.values.remove(key) else {
            return default;
        };
        let number = match &value.kind {
            ValueKind::I64(number) => u64::try_from(*number).ok(),
            ValueKind::U64(number) => Some(*number),
            ValueKind::String(text) => text.trim().parse().ok(),
            _ => None,
        };
        number.unwrap_or_else(|| {
            self.wrong(key, &value, &format!("a whole number, such as {default}"));
            default
        })
    }

    pub(super) fn truth(&mut self, key: &'static str, default: bool) -> bool {
        let Some(value) = self.values.remove(key) else {
            return default;
        };
        let truth = match &value.kind {
            ValueKind::Boolean(truth) => Some(*truth),
            ValueKind::String(text) => text.trim().parse().ok(),
            _ => None,
        };
        truth.unwrap_or_else(|| {
            self.wrong(key, &value, "true or false");
            default
        })
    }

    pub(super) fn size(&mut self, key: &'static str, default: usize) -> usize {
        let number = self.whole(key, u64::try_from(default).unwrap_or(u64::MAX));
        usize::try_from(number).unwrap_or(usize::MAX)
    }

    pub(super) fn fraction(&mut self, key: &'static str, default: f64) -> f64 {
        let Some(value) = self.values.remove(key) else {
            return default;
        };
        let number = match &value.kind {
            ValueKind::Float(number) => Some(*number),
            ValueKind::I64(0) => Some(0.0),
            ValueKind::I64(1) => Some(1.0),
            ValueKind::String(text) => text.trim().parse().ok(),
            _ => None,
        };
        number.unwrap_or_else(|| {
            self.wrong(key, &value, "a number from 0 to 1, such as 0.1");
            default
        })
    }

    /// An address and a port; none when it is left out, empty or wrong.
    pub(super) fn address(&mut self, key: &'static str, such_as: &str) -> Option<SocketAddr> {
        let value = self.values.remove(key)?;
        if let ValueKind::String(text) = &value.kind {
            match text.trim().parse() {
                Ok(address) => return Some(address),
                Err(_) if text.trim().is_empty() && key != "listen" => return None,
                Err(_) => {}
            }
        }
        self.wrong(
            key,
            &value,
            &format!("an address and a port, such as {such_as}"),
        );
        None
    }

    /// A secret: it is read from the environment only, so that it stands in no file that is shown around.
    pub(super) fn secret(&mut self, key: &'static str) -> Option<String> {
        let value = self.values.remove(key)?;
        let ValueKind::String(text) = &value.kind else {
            // A password of digits alone: the environment gives text, a file may give a number.
            self.faults.push(format!(
                "{key} ({}) is not text; set {} instead",
                origin(key, &value),
                variable(key)
            ));
            return None;
        };
        if text.is_empty() {
            return None;
        }
        if value.origin() != Some("the environment") {
            self.faults.push(format!(
                "{key} ({}) is a secret and is not read from there: set {} instead",
                origin(key, &value),
                variable(key)
            ));
            return None;
        }
        Some(text.clone())
    }

    pub(super) fn mail_tls(&mut self, default: MailTls) -> MailTls {
        let Some(value) = self.values.remove("mail.tls") else {
            return default;
        };
        let chosen = match &value.kind {
            ValueKind::String(text) => MailTls::parse(text),
            _ => None,
        };
        chosen.unwrap_or_else(|| {
            self.wrong("mail.tls", &value, "starttls, implicit or none");
            default
        })
    }

    pub(super) fn client_certificates(
        &mut self,
        default: ClientCertificates,
    ) -> ClientCertificates {
        let Some(value) = self.values.remove("tls.client_certificates") else {
            return default;
        };
        let chosen = match &value.kind {
            ValueKind::String(text) => ClientCertificates::parse(text),
            _ => None,
        };
        chosen.unwrap_or_else(|| {
            self.wrong("tls.client_certificates", &value, "optional or required");
            default
        })
    }

    pub(super) fn log_format(&mut self, default: LogFormat) -> LogFormat {
        let Some(value) = self.values.remove("log.format") else {
            return default;
        };
        match &value.kind {
            ValueKind::String(text) if text == "text" => LogFormat::Text,
            ValueKind::String(text) if text == "json" => LogFormat::Json,
            _ => {
                self.wrong("log.format", &value, "text or json");
                default
            }
        }
    }
}

/// Gives the names of the settings in a section, and of the sections, as a list for people.
fn names_below(section: &str) -> String {
    let mut names: Vec<&str> = Vec::new();
    for key in KEYS {
        let rest = if section.is_empty() {
            Some(key)
        } else {
            key.strip_prefix(section)
                .and_then(|rest| rest.strip_prefix('.'))
        };
        let name = rest.map(|rest| rest.split('.').next().unwrap_or(rest));
        if let Some(name) = name
            && !names.contains(&name)
        {
            names.push(name);
        }
    }
    names.join(", ")
}

/// Says where a value came from, so that a person knows where to change it.
fn origin(key: &str, value: &Value) -> String {
    match value.origin() {
        None => "a flag".to_owned(),
        Some("the environment") => variable(key),
        Some(file) => file.to_owned(),
    }
}

/// Gives the environment variable that sets a key.
fn variable(key: &str) -> String {
    format!(
        "{ENVIRONMENT_PREFIX}__{}",
        key.replace('.', "__").to_uppercase()
    )
}

/// Finds variables that name a setting with one underscore where two belong; they would be ignored
/// without a word otherwise.
pub(super) fn misspelt_variables(environment: &HashMap<String, String>) -> Vec<String> {
    let mut faults = Vec::new();
    for key in KEYS {
        let right = variable(key);
        let squeezed = right.replace("__", "_");
        let mut names: Vec<&String> = environment
            .keys()
            .filter(|name| **name != right && name.replace("__", "_") == squeezed)
            .collect();
        names.sort();
        for name in names {
            // With the right beginning the variable is read, and refused as an unknown key.
            if !name.starts_with(&format!("{ENVIRONMENT_PREFIX}__")) {
                faults.push(format!("{name} is not read: write {right}"));
            }
        }
    }
    faults
}
