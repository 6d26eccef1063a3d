//! Goes through a network's history and says how each way of deciding setpoints would have done. Only reads.

use jiff::Timestamp;
use ringtrue_fleet::backtest::{self, History, NoFigures, Report, Span};
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use ringtrue_store::{Page, PagePart, Read, Store};

use super::Error;
use crate::sites_in_turn::SitesInTurn;

/// Furnaces read at once.
const PAGE: u32 = 200;

/// Furnaces read between two reports of progress.
const REPORTED_EVERY: usize = 100;

/// How far a backtest has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BacktestProgress {
    /// So many furnaces' records were read.
    Reading {
        /// Furnaces.
        furnaces: usize,
    },
    /// So many readings were gone through.
    Replaying(backtest::Progress),
}

/// What a backtest found.
#[derive(Debug, Clone, PartialEq)]
pub struct Backtested {
    /// How each rule would have done, or why nothing can be said.
    pub outcome: Result<Report, NoFigures>,
    /// When the variance components that were used were learnt from these readings; none for the program's
    /// assumptions.
    pub components_at: Option<Timestamp>,
}

/// Goes through the stored history under the variance components of the last fit.
pub async fn backtest(
    store: &Store,
    span: Span,
    mut told: impl FnMut(BacktestProgress) + Send + 'static,
) -> Result<Backtested, Error> {
    let scope = Scope::for_work("backtest");
    let read = store.read(&scope);
    let fit = read.fit().await?;
    let mut history = History::default();
    let mut furnaces = 0;
    let mut sites = SitesInTurn::all(&read);
    while let Some(site) = sites.next().await? {
        add_site(&read, &site.key, &mut history, &mut furnaces, &mut told).await?;
    }
    if let Some(site) = &span.site
        && !history.has_site(site)
    {
        return Err(Error::Missing {
            kind: "ringtrue.v1/Site",
            name: format!("sites/{site}"),
        });
    }
    let components = fit.components;
    // Seconds of computing for a large network: not on a thread that answers calls.
    let outcome = tokio::task::spawn_blocking(move || {
        backtest::backtest(&history, &components, &span, &mut |progress| {
            told(BacktestProgress::Replaying(progress));
        })
    })
    .await
    .map_err(|_| Error::Broken)?;
    Ok(Backtested {
        outcome,
        components_at: fit.components_at,
    })
}

async fn add_site(
    read: &Read,
    site: &SiteId,
    history: &mut History,
    furnaces: &mut usize,
    told: &mut (impl FnMut(BacktestProgress) + Send),
) -> Result<(), Error> {
    let checks = read.site_checks(site).await?;
    let mut pasts = Vec::new();
    let mut page = Page {
        size: PAGE,
        after: Vec::new(),
    };
    loop {
        let mut some = read.furnaces(Some(site), &page).await?;
        let is_last = some.len() <= PAGE as usize;
        some.truncate(PAGE as usize);
        for furnace in &some {
            pasts.push(read.furnace_past(&furnace.key).await?);
            *furnaces += 1;
            if furnaces.is_multiple_of(REPORTED_EVERY) {
                told(BacktestProgress::Reading {
                    furnaces: *furnaces,
                });
            }
        }
        match some.last() {
            Some(last) if !is_last => {
                page.after = vec![
                    PagePart::Text(last.key.site.to_string()),
                    PagePart::Text(last.key.furnace.to_string()),
                ];
            }
            _ => break,
        }
    }
    history.add_site(site, &checks, pasts);
    Ok(())
}
