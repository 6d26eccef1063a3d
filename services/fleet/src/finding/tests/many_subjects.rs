//! Rules that look at many furnaces, sites or staff codes at once.

use ringtrue_calibration::charts::run_length;

use super::*;
use crate::event::FurnaceEvent;

fn drift_input<'a>(furnace: &'a FurnaceKey, readings: &'a [Surprising]) -> DriftInput<'a> {
    DriftInput {
        furnace,
        display_name: "K2",
        readings,
        events: &[],
        movement: None,
        movement_before: None,
        action_band_c: 3.0,
    }
}

fn drifters(furnaces: &[DriftInput]) -> Vec<Candidate> {
    discovered(furnaces.iter().map(drifting).collect())
}

fn shifts(sites: &[SiteSeen]) -> Vec<Candidate> {
    discovered(sites.iter().map(site_shift).collect())
}

fn patterns(sites: &[SiteSeen]) -> Vec<Candidate> {
    discovered(sites.iter().flat_map(operator_patterns).collect())
}

const CALM: [f64; 9] = [0.3, -0.8, 0.5, 0.1, -0.4, 0.9, -0.2, 0.4, -0.6];
const RISING: [f64; 9] = [0.3, -0.8, 1.1, 1.6, 1.9, 2.2, 2.0, 2.3, 2.1];

#[test]
fn a_furnace_whose_readings_rise_above_what_is_expected_drifts() {
    let keys: Vec<FurnaceKey> = (0..20).map(|n| furnace(&format!("k{n}"))).collect();
    let mut readings: Vec<Vec<Surprising>> = Vec::new();
    for key in &keys {
        readings.push(surprising(key, &CALM));
    }
    readings[7] = surprising(&keys[7], &RISING);
    let inputs: Vec<DriftInput> = keys
        .iter()
        .zip(&readings)
        .map(|(key, readings)| drift_input(key, readings))
        .collect();
    let found = drifters(&inputs);
    assert_eq!(found.len(), 1);
    let candidate = &found[0];
    assert_eq!(candidate.subject, Subject::Furnace(keys[7].clone()));
    assert_eq!(candidate.strength, Strength::Clear);
    assert!(candidate.probability >= 0.95);
    assert!(
        candidate.statement.contains("hotter"),
        "{}",
        candidate.statement
    );
    assert!(
        candidate.statement.contains("°C a week, beyond"),
        "{}",
        candidate.statement
    );
    assert_eq!(candidate.seen_at, day(168));
    assert_eq!(candidate.readings[0], reading(&keys[7], 8));
    assert!(candidate.readings.len() < 9);
}

#[test]
fn a_furnace_that_falls_is_said_to_become_colder() {
    let key = furnace("k1");
    let falling: Vec<f64> = RISING.iter().map(|z| -z).collect();
    let readings = surprising(&key, &falling);
    let found = drifters(&[drift_input(&key, &readings)]);
    assert!(
        found[0].statement.contains("colder"),
        "{}",
        found[0].statement
    );
}

#[test]
fn one_far_reading_is_no_drift() {
    let key = furnace("k1");
    let readings = surprising(&key, &[0.3, -0.8, 0.5, 0.1, -0.4, 0.9, -0.2, 0.4, 9.0]);
    assert!(drifters(&[drift_input(&key, &readings)]).is_empty());
}

#[test]
fn a_drift_that_a_repair_ended_is_over() {
    use crate::event::{EventDetails, EventKind};
    use crate::key::{EventId, EventKey};
    let key = furnace("k1");
    let readings = surprising(&key, &RISING);
    assert_eq!(drifters(&[drift_input(&key, &readings)]).len(), 1);
    let events = [FurnaceEvent {
        key: EventKey {
            furnace: key.clone(),
            event: EventId::new("e1").expect("an id"),
        },
        details: EventDetails {
            kind: Some(EventKind::ElementsReplaced),
            happened_at: Some(day(160)),
            offset_shift_c: None,
            note: String::new(),
            performed_by: String::new(),
        },
        received_at: day(160),
    }];
    let repaired = DriftInput {
        events: &events,
        ..drift_input(&key, &readings)
    };
    assert!(drifters(&[repaired]).is_empty());
}

#[test]
fn a_tracked_drift_must_stand_after_two_readings() {
    let key = furnace("k1");
    let readings = surprising(&key, &CALM);
    let fast = Movement {
        change_c: -6.0,
        standard_uncertainty_c: 0.8,
    };
    let slow = Movement {
        change_c: -1.0,
        standard_uncertainty_c: 0.8,
    };
    let with = |now, before| DriftInput {
        movement: Some(now),
        movement_before: before,
        ..drift_input(&key, &readings)
    };
    let found = drifters(&[with(fast, Some(fast))]);
    assert_eq!(found.len(), 1);
    assert!(
        found[0]
            .statement
            .contains("colder by 0.75 ± 0.20 °C a week")
    );
    assert!(drifters(&[with(fast, Some(slow))]).is_empty());
    assert!(drifters(&[with(fast, None)]).is_empty());
    assert!(drifters(&[with(slow, Some(slow))]).is_empty());
}

#[test]
fn hundreds_of_steady_furnaces_give_hardly_a_finding() {
    let mut noise = Noise(7);
    let mut keys = Vec::new();
    let mut readings = Vec::new();
    for number in 0..400 {
        let key = furnace(&format!("k{number}"));
        let distances: Vec<f64> = (0..9).map(|_| noise.next()).collect();
        readings.push(surprising(&key, &distances));
        keys.push(key);
    }
    let inputs: Vec<DriftInput> = keys
        .iter()
        .zip(&readings)
        .map(|(key, readings)| drift_input(key, readings))
        .collect();
    // A finding at all, when none is true, has a probability of at most 5 %.
    assert!(drifters(&inputs).is_empty());
}

#[test]
fn nothing_read_nothing_found() {
    assert!(drifters(&[]).is_empty());
    let key = furnace("k1");
    assert!(drifters(&[drift_input(&key, &[])]).is_empty());
    assert!(shifts(&[]).is_empty());
    assert!(patterns(&[]).is_empty());
    let north = site("north");
    let empty = SiteSeen {
        site: &north,
        display_name: "North bench",
        readings: &[],
    };
    assert!(shifts(&[empty]).is_empty());
    assert!(patterns(&[empty]).is_empty());
    let mut broken = surprising(&key, &RISING);
    for reading in &mut broken {
        reading.z = f64::NAN;
    }
    assert!(drifters(&[drift_input(&key, &broken)]).is_empty());
    let broken = SiteSeen {
        readings: &broken,
        ..empty
    };
    assert!(shifts(&[broken]).is_empty());
    assert!(patterns(&[broken]).is_empty());
}

/// Four furnaces read in each of twelve weeks; from a week on all lie off by so much.
fn four_furnaces(noise: &mut Noise, off_from_week: i64, off_z: f64) -> Vec<Surprising> {
    let mut readings = Vec::new();
    for week in 0..12 {
        for number in 0..4_usize {
            let key = furnace(&format!("k{number}"));
            let off = if week >= off_from_week { off_z } else { 0.0 };
            readings.push(Surprising {
                reading: reading(&key, usize::try_from(week).expect("small") * 4 + number),
                fired_at: day(7 * week),
                z: noise.next() + off,
                standard_deviation_c: 2.5,
                gain: 0.4,
                performed_by: String::new(),
            });
        }
    }
    readings
}

#[test]
fn furnaces_that_move_together_are_the_gauge_or_the_mains() {
    let north = site("north");
    let readings = four_furnaces(&mut Noise(3), 10, 2.4);
    let seen = SiteSeen {
        site: &north,
        display_name: "North bench",
        readings: &readings,
    };
    let found = shifts(&[seen]);
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].subject, Subject::Site(north.clone()));
    assert!(
        found[0].statement.contains("hotter"),
        "{}",
        found[0].statement
    );
    assert!(
        found[0].statement.contains("of the 4 that were read"),
        "{}",
        found[0].statement
    );
    assert!(found[0].next_step.contains("reference block"));
    assert_eq!(found[0].seen_at, day(77));
    assert!(found[0].probability >= 0.95);
}

#[test]
fn one_furnace_alone_is_no_shift_of_the_site() {
    let north = site("north");
    let mut readings = four_furnaces(&mut Noise(3), 12, 0.0);
    readings.retain(|reading| reading.reading.furnace.furnace.as_str() == "k0");
    for reading in readings.iter_mut().rev().take(4) {
        reading.z = 3.0;
    }
    let seen = SiteSeen {
        site: &north,
        display_name: "North bench",
        readings: &readings,
    };
    assert!(shifts(&[seen]).is_empty());
}

#[test]
fn steady_sites_give_hardly_a_shift() {
    let mut noise = Noise(11);
    let mut sites = Vec::new();
    let mut readings = Vec::new();
    for number in 0..100 {
        sites.push(site(&format!("s{number}")));
        readings.push(four_furnaces(&mut noise, 12, 0.0));
    }
    let seen: Vec<SiteSeen> = sites
        .iter()
        .zip(&readings)
        .map(|(site, readings)| SiteSeen {
            site,
            display_name: "somewhere",
            readings,
        })
        .collect();
    assert!(shifts(&seen).is_empty());
    assert!(patterns(&seen).is_empty());
}

#[test]
fn the_limit_of_the_site_chart_gives_a_false_alarm_in_a_thousand_weeks() {
    // Crowder 1987, as `run_length` computes it.
    let limit = run_length::ewma_limit_for(1000.0, 0.25).expect("a limit");
    assert!((limit - site_shift::LIMIT).abs() < 0.01, "{limit}");
}

/// Readings by two codes, taking turns; those of `B7` lie off by so much.
fn by_two_codes(noise: &mut Noise, each: usize, off_z: f64) -> Vec<Surprising> {
    let key = furnace("k1");
    let mut readings = Vec::new();
    for number in 0..2 * each {
        let own = number.is_multiple_of(2);
        readings.push(Surprising {
            reading: reading(&key, number),
            fired_at: day(i64::try_from(number).expect("small")),
            z: noise.next() + if own { off_z } else { 0.0 },
            standard_deviation_c: 2.5,
            gain: 0.4,
            performed_by: if own { "b7 " } else { "C1" }.to_owned(),
        });
    }
    readings
}

#[test]
fn two_ways_of_measuring_are_seen_and_nobody_is_blamed() {
    let north = site("north");
    let readings = by_two_codes(&mut Noise(5), 14, 2.0);
    let seen = SiteSeen {
        site: &north,
        display_name: "North bench",
        readings: &readings,
    };
    let found = patterns(&[seen]);
    // Both codes differ from each other, and the site has one finding.
    assert_eq!(found.len(), 1);
    assert!(
        found[0].statement.contains("staff code B7"),
        "{}",
        found[0].statement
    );
    assert!(found[0].next_step.contains("one ring together"));
    assert!(found[0].statement.contains("°C hotter"));
}

#[test]
fn fewer_than_eight_readings_say_nothing_about_a_code() {
    let north = site("north");
    for (each, found) in [(7, 0), (8, 1)] {
        let readings = by_two_codes(&mut Noise(5), each, 4.0);
        let seen = SiteSeen {
            site: &north,
            display_name: "North bench",
            readings: &readings,
        };
        assert_eq!(patterns(&[seen]).len(), found, "{each}");
    }
    let mut nameless = by_two_codes(&mut Noise(5), 14, 4.0);
    for reading in &mut nameless {
        reading.performed_by = " ".to_owned();
    }
    let seen = SiteSeen {
        site: &north,
        display_name: "North bench",
        readings: &nameless,
    };
    assert!(patterns(&[seen]).is_empty());
}

#[test]
fn codes_that_measure_alike_are_not_named() {
    let north = site("north");
    let readings = by_two_codes(&mut Noise(5), 30, 0.0);
    let seen = SiteSeen {
        site: &north,
        display_name: "North bench",
        readings: &readings,
    };
    assert!(patterns(&[seen]).is_empty());
}
