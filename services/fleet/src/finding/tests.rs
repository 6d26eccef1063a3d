//! Tests of the rules behind findings, with invented readings.

mod many_subjects;
mod of_site;
mod one_subject;
mod register;

use jiff::{Span, Timestamp};

use super::*;
use crate::key::{FurnaceId, ReadingId};

fn at(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

/// A Wednesday noon so many days after 2026-06-03.
fn day(days: i64) -> Timestamp {
    at("2026-06-03T12:00:00Z")
        .checked_add(Span::new().hours(24 * days))
        .expect("within range")
}

fn site(id: &str) -> SiteId {
    SiteId::new(id).expect("an id")
}

fn furnace(id: &str) -> FurnaceKey {
    FurnaceKey {
        site: site("north"),
        furnace: FurnaceId::new(id).expect("an id"),
    }
}

fn reading(furnace: &FurnaceKey, number: usize) -> ReadingKey {
    ReadingKey {
        furnace: furnace.clone(),
        reading: ReadingId::new(&format!("r{number}")).expect("an id"),
    }
}

/// Standard normal numbers that are the same in every run: sums of twelve numbers of a linear congruential
/// generator (Knuth, MMIX, from memory).
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        let mut sum = -6.0;
        for _ in 0..12 {
            self.0 = self
                .0
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let high = u32::try_from(self.0 >> 32).expect("32 bits");
            sum += f64::from(high) / f64::from(u32::MAX);
        }
        sum
    }
}

/// A reading every three weeks with these distances from what was expected.
fn surprising(furnace: &FurnaceKey, distances: &[f64]) -> Vec<Surprising> {
    let mut readings = Vec::new();
    let mut days = 0;
    for (number, z) in distances.iter().enumerate() {
        readings.push(Surprising {
            reading: reading(furnace, number),
            fired_at: day(days),
            z: *z,
            standard_deviation_c: 2.9,
            gain: 0.45,
            performed_by: String::new(),
        });
        days += 21;
    }
    readings
}

#[test]
fn kinds_states_and_subjects_are_read_back_from_their_words() {
    for kind in FindingKind::ALL {
        assert_eq!(FindingKind::parse(kind.word()), Some(kind));
        assert!(kind.false_discovery_rate() <= 0.5);
    }
    assert_eq!(FindingKind::parse("haunted"), None);
    for state in [
        FindingState::Open,
        FindingState::Acknowledged,
        FindingState::Resolved,
    ] {
        assert_eq!(FindingState::parse(state.word()), Some(state));
    }
    assert_eq!(FindingState::parse("Open"), None);
    let names = [
        ("sites/north", true),
        ("sites/north/furnaces/k2", true),
        ("sites/north/gauges/c1", true),
        ("ringBatches/b7", false),
    ];
    for (name, of_a_site) in names {
        let subject = Subject::parse(name).expect("a subject");
        assert_eq!(subject.name(), name);
        assert_eq!(subject.site().is_some(), of_a_site);
    }
    for name in [
        "",
        "sites",
        "furnaces/k2",
        "sites/north/programmes/p",
        "ringBatches/B 7",
    ] {
        assert!(Subject::parse(name).is_err(), "{name}");
    }
}

#[test]
fn figures_are_rounded_as_people_see_them() {
    let evidence = Evidence::of("bias", -0.04, 1, "°C");
    assert_eq!(evidence.value.to_bits(), 0.0_f64.to_bits());
    assert!((rounded(2.345, 1) - 2.3).abs() < 1e-12);
    assert!(rounded(f64::NAN, 1).is_nan());
    assert!((rounded_probability(1.7) - 1.0).abs() < 1e-12);
}

#[test]
fn false_shares_report_what_the_step_up_procedure_reports() {
    use ringtrue_calibration::discovery::benjamini_hochberg;
    // The fifteen probabilities of Benjamini & Hochberg 1995, section 4 (from memory).
    let published = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
        0.5719, 0.6528, 0.7590, 1.000,
    ];
    let mut shuffled = published;
    shuffled.reverse();
    shuffled.swap(2, 9);
    for figures in [published, shuffled] {
        let shares = probability::false_shares(&figures);
        for rate in [0.01, 0.05, 0.1, 0.5] {
            let reported: Vec<bool> = shares.iter().map(|share| *share <= rate).collect();
            assert_eq!(reported, benjamini_hochberg(&figures, rate), "{rate}");
        }
    }
    // The fourth, of fifteen: 0.0095 · 15 / 4.
    let shares = probability::false_shares(&published);
    assert!((shares[3] - 0.035_625).abs() < 1e-12);
    assert!(probability::false_shares(&[]).is_empty());
}

#[test]
fn probabilities_of_sizes_are_those_of_the_normal_law() {
    use super::probability::{size_exceeds, two_sided};
    assert!((two_sided(1.959_964) - 0.05).abs() < 1e-6);
    assert!((two_sided(f64::NAN) - 1.0).abs() < 1e-12);
    assert!((size_exceeds(0.0, 1.0, 1.959_964) - 0.05).abs() < 1e-6);
    assert!((size_exceeds(5.0, 0.0, 3.0) - 1.0).abs() < 1e-12);
    assert!(size_exceeds(2.0, 0.0, 3.0).abs() < 1e-12);
    assert!(size_exceeds(f64::NAN, 1.0, 3.0).abs() < 1e-12);
}
