//! Furnaces among others, in orders that are not by their names.
//!
//! The furnaces of all sites are looked at in turn and only those of the page are kept. The token of a page
//! holds where its last furnace stood and the moment for which the first page was worked out, so that time
//! that passes between two pages moves no furnace from one to the other.

use std::collections::{BTreeMap, BinaryHeap};
use std::sync::Arc;

use jiff::Timestamp;
use ringtrue_fleet::furnace::FurnaceState;
use ringtrue_fleet::key::{FurnaceKey, ProgrammeKey, SiteId};
use ringtrue_fleet::standing::{Conformity, Standing, StandingOrder};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::PagePart;
use tonic::Request;

use super::super::access::{Method, method};
use super::super::caller::Asking;
use super::super::fields::{calendar_date, choice, settled, site_or_all, timestamp};
use super::super::page::{Order, Paging};
use super::loaded::LoadedSite;
use super::{counted, worked_out};
use crate::app::{App, Error};
use crate::sites_in_turn::SitesInTurn;

const LIST: Method = method("/ringtrue.v1.FleetService/ListFurnaceStandings");

/// Longest text that is looked for, characters.
const LONGEST_SEARCH: usize = 120;

pub(super) async fn list(
    app: &App,
    request: Request<v1::ListFurnaceStandingsRequest>,
) -> Result<v1::ListFurnaceStandingsResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let site = site_or_all(&asked.parent, &mut violations);
    let wanted = Wanted::read(&asked, &mut violations);
    let filters = [
        asked.parent.as_str(),
        &asked.conformity.to_string(),
        &asked.search,
        &asked.with_findings.to_string(),
        &asked.order.to_string(),
    ];
    let paging = Paging::read(
        LIST,
        &filters,
        Order::Ranked,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let wanted = settled(Some(wanted), violations)?;
    let scope = match &site {
        Some(site) => asking.site(site)?,
        None => asking.network()?,
    };
    let read = app.store.read(&scope);
    let place = Place::read(&paging.page.after);
    let now = place
        .as_ref()
        .and_then(|place| Timestamp::from_microsecond(place.moment).ok())
        .unwrap_or_else(|| app.clock.now());
    let after = place.map(|place| place.rank);
    let by_name = wanted.order == StandingOrder::Name;
    let from = match &after {
        Some(rank) if by_name => SiteId::new(&rank.site).ok(),
        _ => None,
    };
    let most = usize::try_from(paging.page.size).map_or(usize::MAX, |size| size + 1);
    let fit = Arc::new(read.fit().await?);
    let mut sites = SitesInTurn::of(&read, site.as_ref(), from.as_ref()).await?;
    let mut best: BinaryHeap<Ranked> = BinaryHeap::new();
    let wanted = Arc::new((wanted, after));
    while let Some(site) = sites.next().await? {
        let loaded = Arc::new(LoadedSite::of(&read, site, &fit).await?);
        let (from, rule) = (Arc::clone(&loaded), Arc::clone(&wanted));
        let own = worked_out(move || ranked(&from, &rule.0, rule.1.as_ref(), now)).await?;
        for (rank, furnace, at) in own {
            best.push(Ranked {
                rank,
                furnace,
                at,
                site: Arc::clone(&loaded),
            });
            if best.len() > most {
                best.pop();
            }
        }
        if by_name && best.len() >= most {
            break;
        }
    }
    let best = best.into_sorted_vec();
    let mut keys = Vec::with_capacity(best.len());
    for one in &best {
        keys.push(one.furnace.clone());
    }
    let fired_before: BTreeMap<_, _> = read.fired_before(&keys).await?.into_iter().collect();
    let rows = worked_out(move || standings(best, &fired_before, now)).await?;
    let key = |(rank, _): &(Rank, Standing)| rank.parts(now);
    let (standings, next_page_token) = paging.cut(&rows, key, |(_, standing)| message(standing));
    Ok(v1::ListFurnaceStandingsResponse {
        standings,
        next_page_token,
    })
}

/// Which furnaces are wanted, and in which order.
struct Wanted {
    conformity: Option<Conformity>,
    search: String,
    with_findings: bool,
    order: StandingOrder,
}

impl Wanted {
    fn read(asked: &v1::ListFurnaceStandingsRequest, violations: &mut Violations) -> Self {
        violations.text("search", &asked.search, 0, LONGEST_SEARCH);
        let conformity = match choice("conformity", asked.conformity, violations) {
            None | Some(v1::Conformity::Unspecified) => None,
            Some(v1::Conformity::In) => Some(Conformity::In),
            Some(v1::Conformity::Out) => Some(Conformity::Out),
            Some(v1::Conformity::Undecided) => Some(Conformity::Undecided),
            Some(v1::Conformity::Unknown) => Some(Conformity::Unknown),
        };
        let order = match choice("order", asked.order, violations) {
            None | Some(v1::StandingOrder::Unspecified | v1::StandingOrder::Risk) => {
                StandingOrder::Risk
            }
            Some(v1::StandingOrder::Error) => StandingOrder::Error,
            Some(v1::StandingOrder::Drift) => StandingOrder::Drift,
            Some(v1::StandingOrder::Due) => StandingOrder::Due,
            Some(v1::StandingOrder::Name) => StandingOrder::Name,
        };
        Self {
            conformity,
            search: asked.search.to_lowercase(),
            with_findings: asked.with_findings,
            order,
        }
    }

    fn fits(&self, standing: &Standing) -> bool {
        standing.state != FurnaceState::Retired
            && self
                .conformity
                .is_none_or(|wanted| wanted == standing.conformity)
            && (!self.with_findings || standing.open_findings > 0)
            && (self.search.is_empty()
                || standing.display_name.to_lowercase().contains(&self.search)
                || standing.furnace.name().contains(&self.search))
    }
}

/// Where a furnace stands in an order: smaller comes first.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Rank {
    first: i64,
    second: i64,
    site: String,
    furnace: String,
}

impl Rank {
    /// The same order as that of [`ringtrue_fleet::standing::sort`], in whole numbers that travel in a token.
    pub(super) fn of(standing: &Standing, order: StandingOrder) -> Self {
        let error = standing.error.as_ref();
        let risk = error.map(|error| error.leaving_probability.max(error.outside_probability));
        let size_c = error.map(|error| error.error_c.abs());
        let (first, second) = match order {
            StandingOrder::Risk => (largest_first(risk), largest_first(size_c)),
            StandingOrder::Error => (largest_first(size_c), 0),
            StandingOrder::Drift => {
                let drift = standing.drift.map(|drift| drift.c_per_week.abs());
                (largest_first(drift), 0)
            }
            StandingOrder::Due => {
                let due = standing.next_due_on;
                let day = i64::from(due.year()) * 1_000 + i64::from(due.day_of_year());
                (day, 0)
            }
            StandingOrder::Name => (0, 0),
        };
        Self {
            first,
            second,
            site: standing.furnace.site.to_string(),
            furnace: standing.furnace.furnace.to_string(),
        }
    }

    fn parts(&self, now: Timestamp) -> Vec<PagePart> {
        vec![
            PagePart::Number(now.as_microsecond()),
            PagePart::Number(self.first),
            PagePart::Number(self.second),
            PagePart::Text(self.site.clone()),
            PagePart::Text(self.furnace.clone()),
        ]
    }
}

/// A figure that is not negative as a number that grows as the figure shrinks; none comes last. The bits of
/// such figures are ordered as they are.
fn largest_first(figure: Option<f64>) -> i64 {
    match figure {
        Some(figure) => -figure.abs().to_bits().cast_signed(),
        None => 1,
    }
}

/// Where the page before ended, and for which moment it was worked out.
struct Place {
    moment: i64,
    rank: Rank,
}

impl Place {
    fn read(after: &[PagePart]) -> Option<Self> {
        let [
            PagePart::Number(moment),
            PagePart::Number(first),
            PagePart::Number(second),
            PagePart::Text(site),
            PagePart::Text(furnace),
        ] = after
        else {
            return None;
        };
        Some(Self {
            moment: *moment,
            rank: Rank {
                first: *first,
                second: *second,
                site: site.clone(),
                furnace: furnace.clone(),
            },
        })
    }
}

/// A furnace of the page, with the site that it was found in.
struct Ranked {
    rank: Rank,
    furnace: FurnaceKey,
    at: usize,
    site: Arc<LoadedSite>,
}

impl PartialEq for Ranked {
    fn eq(&self, other: &Self) -> bool {
        self.rank == other.rank
    }
}

impl Eq for Ranked {}

impl PartialOrd for Ranked {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Ranked {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.rank.cmp(&other.rank)
    }
}

/// The furnaces of a site that are wanted and stand behind the page before.
fn ranked(
    site: &LoadedSite,
    wanted: &Wanted,
    after: Option<&Rank>,
    now: Timestamp,
) -> Vec<(Rank, FurnaceKey, usize)> {
    let mut own = Vec::new();
    for (at, standing) in site.glances(now).into_iter().enumerate() {
        if !wanted.fits(&standing) {
            continue;
        }
        let rank = Rank::of(&standing, wanted.order);
        if after.is_none_or(|last| rank > *last) {
            own.push((rank, standing.furnace, at));
        }
    }
    own
}

fn standings(
    best: Vec<Ranked>,
    fired_before: &BTreeMap<FurnaceKey, Timestamp>,
    now: Timestamp,
) -> Vec<(Rank, Standing)> {
    let mut rows = Vec::with_capacity(best.len());
    for one in best {
        let before = fired_before.get(&one.furnace).copied();
        if let Some(standing) = one.site.standing(one.at, before, now) {
            rows.push((one.rank, standing));
        }
    }
    rows
}

/// Writes where a furnace stands.
pub(super) fn message(standing: &Standing) -> v1::FurnaceStanding {
    let conformity = match standing.conformity {
        Conformity::In => v1::Conformity::In,
        Conformity::Out => v1::Conformity::Out,
        Conformity::Undecided => v1::Conformity::Undecided,
        Conformity::Unknown => v1::Conformity::Unknown,
    };
    let error = standing.error.as_ref();
    let foreseen = standing.foreseen.as_ref();
    v1::FurnaceStanding {
        furnace: standing.furnace.name(),
        furnace_display_name: standing.display_name.clone(),
        site_display_name: standing.site_display_name.clone(),
        programme: error.map_or(String::new(), |error| ProgrammeKey::name(&error.programme)),
        present_error_c: error.map_or(0.0, |error| error.error_c),
        standard_uncertainty_c: error.map_or(0.0, |error| error.standard_uncertainty_c),
        tolerance_c: standing.tolerance_c,
        outside_probability: error.map_or(0.0, |error| error.outside_probability),
        leaving_probability: error.map_or(0.0, |error| error.leaving_probability),
        conformity: conformity.into(),
        drift_c_per_week: standing.drift.map_or(0.0, |drift| drift.c_per_week),
        drift_standard_uncertainty_c_per_week: standing
            .drift
            .map_or(0.0, |drift| drift.standard_uncertainty_c_per_week),
        leaving_date: foreseen
            .and_then(|foreseen| foreseen.leaving_on)
            .map(calendar_date),
        earliest_leaving_date: foreseen
            .and_then(|foreseen| foreseen.earliest_leaving_on)
            .map(calendar_date),
        next_due_date: Some(calendar_date(standing.next_due_on)),
        last_fire_time: standing.last_fired_at.map(timestamp),
        reading_count: counted(standing.readings),
        open_finding_count: counted(standing.open_findings),
        interval: foreseen.map(|foreseen| v1::IntervalAdvice {
            interval_days: counted(foreseen.interval.days),
            method: foreseen.interval.method.to_owned(),
            reliability_target: foreseen.interval.reliability_target,
            reason: foreseen.interval.reason.clone(),
            staircase_interval_days: counted(foreseen.interval.staircase_days),
        }),
    }
}
