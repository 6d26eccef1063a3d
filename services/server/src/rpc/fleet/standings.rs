//! Furnaces among others, in orders that are not by their names.
//!
//! All furnaces in reach are looked at and only those of the page are kept. The token of a page holds where its last
//! furnace stood and the moment for which the first page was worked out, so that time that passes between two pages
//! moves no furnace from one to the other.

use std::cmp::Ordering;
use std::collections::BinaryHeap;
use std::sync::Arc;

use jiff::Timestamp;
use ringtrue_fleet::key::{FurnaceId, ProgrammeKey};
use ringtrue_fleet::standing::{Conformity, Standing, StandingOrder};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::PagePart;
use tonic::Request;

use super::super::access::{Method, method};
use super::super::caller::Asking;
use super::super::fields::{calendar_date, choice, settled, site_or_all, timestamp};
use super::super::page::{Order, Paging};
use super::counted;
use crate::app::{App, Error};
use crate::glances::{Glance, SiteGlances, foresee, worked_out};

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
    let scope = asking.site_or_network(site.as_ref())?;
    let place = Place::read(&paging.page.after);
    let moment = place
        .as_ref()
        .and_then(|place| Timestamp::from_microsecond(place.moment).ok());
    let mut seen = app
        .glances
        .seen(&app.store, &app.clock, &scope, site.as_ref(), moment)
        .await?;
    let most = usize::try_from(paging.page.size).map_or(usize::MAX, |size| size + 1);
    let sites = std::mem::take(&mut seen.sites);
    let best = worked_out(move || best(&sites, &wanted, place.as_ref(), most)).await?;
    let mut shown = Vec::with_capacity(best.len());
    for one in &best {
        shown.push((Arc::clone(&one.site), one.furnace.clone()));
    }
    // One more than is shown says only that there is another page.
    shown.truncate(most - 1);
    foresee(&app.store.read(&scope), &seen, &shown).await?;
    let (standings, next_page_token) = paging.cut(
        &best,
        |one| one.parts(seen.at),
        |one| {
            one.standing()
                .map(|standing| message(&standing))
                .unwrap_or_default()
        },
    );
    Ok(v1::ListFurnaceStandingsResponse {
        standings,
        next_page_token,
        as_of_time: Some(timestamp(seen.at)),
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

    fn fits(&self, site: &SiteGlances, glance: &Glance) -> bool {
        self.conformity
            .is_none_or(|wanted| wanted == glance.conformity)
            && (!self.with_findings || glance.open_findings > 0)
            && (self.search.is_empty()
                || glance.searched().contains(&self.search)
                || site.key(glance).name().contains(&self.search))
    }
}

/// Where a furnace stands in an order: smaller comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Rank<'a> {
    first: i64,
    second: i64,
    site: &'a str,
    furnace: &'a str,
}

impl<'a> Rank<'a> {
    /// The same order as that of [`ringtrue_fleet::standing::sort`], in whole numbers that travel in a token.
    pub(super) fn of(site: &'a SiteGlances, glance: &'a Glance, order: StandingOrder) -> Self {
        let error = glance.error.as_ref();
        let risk = error.map(|error| error.leaving_probability.max(error.outside_probability));
        let size_c = error.map(|error| error.error_c.abs());
        let (first, second) = match order {
            StandingOrder::Risk => (largest_first(risk), largest_first(size_c)),
            StandingOrder::Error => (largest_first(size_c), 0),
            StandingOrder::Drift => {
                let drift = glance.drift.map(|drift| drift.c_per_week.abs());
                (largest_first(drift), 0)
            }
            StandingOrder::Due => {
                let due = glance.next_due_on;
                let day = i64::from(due.year()) * 1_000 + i64::from(due.day_of_year());
                (day, 0)
            }
            StandingOrder::Name => (0, 0),
        };
        Self {
            first,
            second,
            site: site.site.as_str(),
            furnace: glance.furnace.as_str(),
        }
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
    first: i64,
    second: i64,
    site: String,
    furnace: String,
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
            first: *first,
            second: *second,
            site: site.clone(),
            furnace: furnace.clone(),
        })
    }

    fn rank(&self) -> Rank<'_> {
        Rank {
            first: self.first,
            second: self.second,
            site: &self.site,
            furnace: &self.furnace,
        }
    }
}

/// A furnace on its way to the page.
struct Found<'a> {
    rank: Rank<'a>,
    site: &'a Arc<SiteGlances>,
}

impl PartialEq for Found<'_> {
    fn eq(&self, other: &Self) -> bool {
        self.rank == other.rank
    }
}

impl Eq for Found<'_> {}

impl PartialOrd for Found<'_> {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Found<'_> {
    fn cmp(&self, other: &Self) -> Ordering {
        self.rank.cmp(&other.rank)
    }
}

/// A furnace of the page.
struct Picked {
    first: i64,
    second: i64,
    site: Arc<SiteGlances>,
    furnace: FurnaceId,
}

impl Picked {
    fn standing(&self) -> Option<Standing> {
        let glance = self.site.glance(&self.furnace)?;
        Some(self.site.standing(glance))
    }

    fn parts(&self, at: Timestamp) -> Vec<PagePart> {
        vec![
            PagePart::Number(at.as_microsecond()),
            PagePart::Number(self.first),
            PagePart::Number(self.second),
            PagePart::Text(self.site.site.to_string()),
            PagePart::Text(self.furnace.to_string()),
        ]
    }
}

/// The first furnaces that are wanted and stand behind the page before; sites are given by id.
fn best(
    sites: &[Arc<SiteGlances>],
    wanted: &Wanted,
    after: Option<&Place>,
    most: usize,
) -> Vec<Picked> {
    let after = after.map(Place::rank);
    let by_name = wanted.order == StandingOrder::Name;
    let from = match after {
        Some(rank) if by_name => sites.partition_point(|site| site.site.as_str() < rank.site),
        _ => 0,
    };
    let mut best: BinaryHeap<Found<'_>> = BinaryHeap::new();
    for site in sites.get(from..).unwrap_or_default() {
        for glance in &site.furnaces {
            let rank = Rank::of(site, glance, wanted.order);
            let is_behind = after.is_none_or(|after| rank > after);
            let is_before = best.len() < most || best.peek().is_some_and(|last| rank < last.rank);
            // Looking for a text takes longest.
            if !is_behind || !is_before || !wanted.fits(site, glance) {
                continue;
            }
            best.push(Found { rank, site });
            if best.len() > most {
                best.pop();
            }
        }
        if by_name && best.len() >= most {
            break;
        }
    }
    let mut picked = Vec::with_capacity(best.len());
    for Found { rank, site } in best.into_sorted_vec() {
        if let Ok(furnace) = FurnaceId::new(rank.furnace) {
            picked.push(Picked {
                first: rank.first,
                second: rank.second,
                site: Arc::clone(site),
                furnace,
            });
        }
    }
    picked
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
