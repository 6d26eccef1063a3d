//! Sites one after the other: work over a very large network holds few of them in memory.

use std::collections::VecDeque;

use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::site::Site;
use ringtrue_store::{Page, PagePart, Read};

use crate::app::Error;

/// Sites read at once.
const READ_AT_ONCE: u32 = 500;

/// Sites in order of their ids.
pub(crate) struct SitesInTurn<'r> {
    read: &'r Read,
    waiting: VecDeque<Site>,
    page: Option<Page>,
}

impl<'r> SitesInTurn<'r> {
    /// Begins with every site that the reader's scope reaches.
    pub(crate) fn all(read: &'r Read) -> Self {
        Self {
            read,
            waiting: VecDeque::new(),
            page: Some(Page {
                size: READ_AT_ONCE,
                after: Vec::new(),
            }),
        }
    }

    /// Begins with every site that the reader's scope reaches, or with one site, which must exist. With
    /// `from` the sites before it are passed over.
    pub(crate) async fn of(
        read: &'r Read,
        site: Option<&SiteId>,
        from: Option<&SiteId>,
    ) -> Result<Self, Error> {
        let mut turn = Self::all(read);
        if let Some(site) = site {
            let Some(one) = read.site(site).await? else {
                return Err(Error::Missing {
                    kind: "ringtrue.v1/Site",
                    name: site.name(),
                });
            };
            turn.waiting.push_back(one);
            turn.page = None;
        } else if let (Some(from), Some(page)) = (from, &mut turn.page) {
            turn.waiting.extend(read.site(from).await?);
            page.after = vec![PagePart::Text(from.to_string())];
        }
        Ok(turn)
    }

    /// The next site; none after the last.
    pub(crate) async fn next(&mut self) -> Result<Option<Site>, Error> {
        if self.waiting.is_empty()
            && let Some(mut page) = self.page.take()
        {
            let mut sites = self.read.sites(&page).await?;
            // The store gives one more than was asked for where there are more.
            let more = sites.len() > READ_AT_ONCE as usize;
            sites.truncate(READ_AT_ONCE as usize);
            if let (true, Some(last)) = (more, sites.last()) {
                page.after = vec![PagePart::Text(last.key.to_string())];
                self.page = Some(page);
            }
            self.waiting.extend(sites);
        }
        Ok(self.waiting.pop_front())
    }
}
