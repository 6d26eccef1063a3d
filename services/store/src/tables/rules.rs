//! Rules of scheduling: their row, and every statement that touches it.

use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::rule::{Rule, RuleKey};

use crate::{Error, Read, Request, Tx};

impl Read {
    /// The network's rules; with a site also its own and those of its furnaces.
    pub async fn rules_of(&self, _site: Option<&SiteId>) -> Result<Vec<Rule>, Error> {
        Err(Error::OutOfScope)
    }

    /// The rule that is set at a place itself; none when it was removed.
    pub async fn own_rule(&self, _key: &RuleKey) -> Result<Option<Rule>, Error> {
        Err(Error::OutOfScope)
    }
}

impl Tx {
    /// The rule that is set at a place itself; none when it was removed.
    pub async fn own_rule(&mut self, _key: &RuleKey) -> Result<Option<Rule>, Error> {
        Err(Error::OutOfScope)
    }

    /// The last version of the rule of a place, also of a removed one: the next takes its number from it.
    pub async fn rule_before(&mut self, _key: &RuleKey) -> Result<Option<Rule>, Error> {
        Err(Error::OutOfScope)
    }

    /// Stores a version of a rule.
    pub async fn put_rule(&mut self, _rule: &Rule, _request: &Request) -> Result<(), Error> {
        Err(Error::OutOfScope)
    }

    /// Removes a rule: the outer one holds again. What is given is its next version.
    pub async fn remove_rule(&mut self, _rule: &Rule, _request: &Request) -> Result<(), Error> {
        Err(Error::OutOfScope)
    }
}
