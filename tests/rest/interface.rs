//! A server that answers over HTTP, with an administrator's credential.

use std::net::{Ipv4Addr, SocketAddr};

use ringtrue_fleet::credential::Holder;
use ringtrue_fleet::grant::Role;
use ringtrue_server::config::Settings;
use ringtrue_tests::credentials::grant;
use ringtrue_tests::python::asked;
use ringtrue_tests::{Bench, Network};
use serde_json::{Value, json};

use crate::raw::{self, Answer};

/// The server, and who asks it.
pub(crate) struct Interface {
    pub(crate) network: Network,
    pub(crate) address: SocketAddr,
    /// An administrator's token.
    pub(crate) token: String,
}

impl Interface {
    pub(crate) async fn start() -> Self {
        Self::start_with(|_| {}).await
    }

    pub(crate) async fn start_with(change: impl FnOnce(&mut Settings)) -> Self {
        let network = Network::start_with(|settings| {
            settings.http.listen = Some(SocketAddr::from((Ipv4Addr::LOCALHOST, 0)));
            change(settings);
        })
        .await;
        let address = network.http.expect("it answers over HTTP");
        let holder = Holder::Person("ad1".to_owned());
        let administrator = network.held(holder, grant(Role::Administrator, &[])).await;
        Self {
            network,
            address,
            token: administrator.token.text(),
        }
    }

    /// The same with the usual bench.
    pub(crate) async fn with_bench() -> (Self, Bench) {
        let interface = Self::start().await;
        let bench = interface.network.bench().await;
        (interface, bench)
    }

    /// A token of somebody with a role at some sites.
    pub(crate) async fn token_of(&self, role: Role, sites: &[&str]) -> String {
        let holder = Holder::Person("p1".to_owned());
        let held = self.network.held(holder, grant(role, sites)).await;
        held.token.text()
    }

    /// Runs one of the programs beside this file with what it needs to know, and gives what it printed.
    pub(crate) async fn python(&self, program: &str, more: Value) -> String {
        let mut known = json!({
            "base": format!("http://{}", self.address),
            "grpc": self.network.address.to_string(),
            "token": self.token,
            "now": self.network.now().to_string(),
        });
        if let (Some(known), Some(more)) = (known.as_object_mut(), more.as_object()) {
            known.extend(more.clone());
        }
        let program = format!("rest/{program}");
        tokio::task::spawn_blocking(move || asked(program, &known.to_string()))
            .await
            .expect("it does not panic")
    }

    /// Sends a request as the administrator and gives the answer.
    pub(crate) async fn asked(
        &self,
        method: &str,
        path: &str,
        headers: &str,
        body: &str,
    ) -> Answer {
        let token = format!("Authorization: Bearer {}\r\n{headers}", self.token);
        self.asked_as(method, path, &token, body).await
    }

    /// Sends a request with these headers alone.
    pub(crate) async fn asked_as(
        &self,
        method: &str,
        path: &str,
        headers: &str,
        body: &str,
    ) -> Answer {
        let length = if body.is_empty() {
            String::new()
        } else {
            format!(
                "Content-Type: application/json\r\nContent-Length: {}\r\n",
                body.len()
            )
        };
        let request = format!(
            "{method} {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{headers}{length}\r\n{body}"
        );
        raw::asked(self.address, request.as_bytes()).await
    }
}
