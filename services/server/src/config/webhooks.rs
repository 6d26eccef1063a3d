//! The settings of webhooks.

use ringtrue_fleet::webhook::address::Network;

use super::layers::Given;

/// Webhooks.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Webhooks {
    /// Networks that events may be sent to although they are inside, with commas between them, such as
    /// `10.1.2.0/24, 127.0.0.0/8`; empty for none.
    pub allow: String,
}

impl Webhooks {
    pub(super) fn given(given: &mut Given) -> Self {
        Self {
            allow: given.text("webhooks.allow", String::new()),
        }
    }

    /// The networks; fails with what is wrong with one of them.
    pub fn allowed(&self) -> Result<Vec<Network>, String> {
        self.allow
            .split(',')
            .map(str::trim)
            .filter(|network| !network.is_empty())
            .map(|network| Network::parse(network).map_err(|fault| fault.to_string()))
            .collect()
    }

    pub(super) fn check(&self, faults: &mut Vec<String>) {
        if let Err(fault) = self.allowed() {
            faults.push(format!("webhooks.allow: {fault}"));
        }
    }

    pub(super) fn effective(&self) -> String {
        format!("\n[webhooks]\nallow = {:?}", self.allow)
    }
}
