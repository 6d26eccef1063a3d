//! Tests of the order in which furnaces are listed, and of the place that a token holds.

use std::collections::BTreeSet;

use jiff::Timestamp;
use jiff::civil::Date;
use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::finding::{Finding, FindingKind, FindingState, Subject};
use ringtrue_fleet::furnace::FurnaceState;
use ringtrue_fleet::key::{
    BatchId, FindingId, FurnaceId, FurnaceKey, ProgrammeId, ProgrammeKey, ReadingKey, SiteId,
};
use ringtrue_fleet::standing::{Conformity, Drift, PresentError, Standing, StandingOrder, sort};
use ringtrue_store::NamedFinding;

use super::findings;
use super::standings::Rank;
use crate::glances::{Glance, SiteGlances};

fn standing(site: &str, furnace: &str, figures: Option<[f64; 3]>, day: i16) -> Standing {
    let furnace = FurnaceKey {
        site: SiteId::new(site).expect("an id"),
        furnace: FurnaceId::new(furnace).expect("an id"),
    };
    let first: Date = "2025-12-01".parse().expect("a day");
    Standing {
        display_name: "K".to_owned(),
        site_display_name: "S".to_owned(),
        state: FurnaceState::InUse,
        tolerance_c: 10.0,
        conformity: Conformity::Undecided,
        error: figures.map(|[leaving_probability, error_c, _]| PresentError {
            programme: ProgrammeKey {
                furnace: furnace.clone(),
                programme: ProgrammeId::new("p1").expect("an id"),
            },
            error_c,
            standard_uncertainty_c: 2.0,
            outside_probability: 0.1,
            leaving_probability,
        }),
        drift: figures.map(|[_, _, c_per_week]| Drift {
            c_per_week,
            standard_uncertainty_c_per_week: 0.1,
        }),
        foreseen: None,
        next_due_on: first
            .checked_add(jiff::Span::new().days(day))
            .expect("a day"),
        due: false,
        last_fired_at: None,
        last_reading: None,
        readings: 0,
        open_findings: 0,
        furnace,
    }
}

fn some() -> Vec<Standing> {
    vec![
        standing("south", "k1", Some([0.2, -9.0, 0.3]), 40),
        standing("north", "k2", Some([0.05, 9.0, -0.4]), 20),
        standing("north", "k1", None, 0),
        standing("north", "k3", Some([0.9, 1.0, 0.0]), 31),
        standing("south", "k0", Some([0.2, 9.5, 0.3]), 31),
        standing("east", "k9", None, 30),
        standing("east", "k8", Some([1e-12, 0.0, -0.0]), 400),
        standing("east", "k7", Some([0.1, 3.0, 1e-9]), 2),
    ]
}

/// A furnace as it is kept, in a site by itself.
fn alone(standing: Standing) -> SiteGlances {
    let site = standing.furnace.site.clone();
    SiteGlances::from_standings(site, "S", 1, Timestamp::UNIX_EPOCH, vec![standing])
}

fn rank(site: &SiteGlances, order: StandingOrder) -> Rank<'_> {
    Rank::of(site, &site.furnaces[0], order)
}

#[test]
fn ranks_stand_in_the_order_of_the_fleet_s_own_rule() {
    for order in [
        StandingOrder::Risk,
        StandingOrder::Error,
        StandingOrder::Drift,
        StandingOrder::Due,
        StandingOrder::Name,
    ] {
        let mut by_rule = some();
        sort(&mut by_rule, order);
        let mut by_rank: Vec<SiteGlances> = some().into_iter().map(alone).collect();
        by_rank.sort_by(|one, other| rank(one, order).cmp(&rank(other, order)));
        let mut ranked = Vec::new();
        for site in &by_rank {
            ranked.push(site.key(&site.furnaces[0]).name());
        }
        let mut ruled = Vec::new();
        for standing in &by_rule {
            ruled.push(standing.furnace.name());
        }
        assert_eq!(ranked, ruled, "{order:?}");
    }
}

#[test]
fn a_standing_is_kept_whole_but_for_its_reading() {
    for standing in some() {
        let kept = alone(standing.clone());
        assert_eq!(kept.standing(&kept.furnaces[0]), standing);
    }
}

#[test]
fn a_furnace_is_kept_in_few_bytes() {
    let bytes = std::mem::size_of::<Glance>();
    assert!(
        bytes <= 304,
        "{bytes} bytes, beside three or four short texts"
    );
}

#[test]
fn no_two_furnaces_have_the_same_rank() {
    let one = alone(standing("north", "k1", None, 0));
    let other = alone(standing("north", "k2", None, 0));
    for order in [StandingOrder::Risk, StandingOrder::Due] {
        assert!(rank(&one, order) < rank(&other, order), "{order:?}");
    }
}

#[test]
fn a_batch_s_finding_names_no_reading_of_a_site_that_the_caller_may_not_see() {
    let mut readings = Vec::new();
    for reading in [
        "sites/north/furnaces/k2/readings/r1",
        "sites/south/furnaces/k2/readings/r2",
    ] {
        readings.push(ReadingKey::parse(reading).expect("a name"));
    }
    let named = NamedFinding {
        finding: Finding {
            id: FindingId::new("f1").expect("an id"),
            kind: FindingKind::BatchSuspect,
            subject: Subject::Batch(BatchId::new("b1").expect("an id")),
            state: FindingState::Open,
            probability: 0.97,
            statement: String::new(),
            next_step: String::new(),
            evidence: Vec::new(),
            readings,
            first_seen_at: Timestamp::UNIX_EPOCH,
            last_seen_at: Timestamp::UNIX_EPOCH,
            false_discovery_rate: 0.5,
            note: String::new(),
            noted_by: String::new(),
            noted_at: None,
            revision: 1,
        },
        subject_display_name: "B1".to_owned(),
        site_display_name: String::new(),
    };
    let seen_by = |caller: &Caller| -> Vec<String> {
        let scope = caller.network(Right::Read).expect("may read");
        findings::message(&scope, &named).readings
    };
    let own = BTreeSet::from([SiteId::new("south").expect("an id")]);
    let south = Caller::of_sites("x".to_owned(), [Right::Read].into(), own);
    assert_eq!(seen_by(&south), ["sites/south/furnaces/k2/readings/r2"]);
    assert_eq!(seen_by(&Caller::local(None)).len(), 2);
}
