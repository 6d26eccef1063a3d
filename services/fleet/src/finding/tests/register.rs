//! What opens, is seen again and closes.

use std::cell::Cell;

use proptest::prelude::*;

use super::*;
use crate::violation::Violations;

fn candidate(id: &str, strength: Strength, probability: f64, seen_at: Timestamp) -> Candidate {
    let key = furnace(id);
    Candidate {
        kind: FindingKind::FurnaceLeavingTolerance,
        subject: Subject::Furnace(key.clone()),
        strength,
        probability,
        p_value: None,
        statement: format!("K {id} leaves with {probability}."),
        next_step: "Fire a ring.".to_owned(),
        evidence: vec![Evidence::of("present error", 8.0, 1, "°C")],
        readings: vec![reading(&key, 1)],
        seen_at,
    }
}

/// The register after candidates, as it would be on record.
fn after(
    on_record: &[Finding],
    candidates: &[Candidate],
    last_fired_at: Timestamp,
) -> Vec<Finding> {
    let mut all = on_record.to_vec();
    let next = Cell::new(on_record.len());
    let written = merged(
        on_record,
        candidates,
        |_| Some(Watched::LastFired(last_fired_at)),
        || {
            next.set(next.get() + 1);
            FindingId::new(&format!("n{}", next.get())).expect("an id")
        },
    );
    for finding in written {
        match all.iter_mut().find(|known| known.id == finding.id) {
            Some(known) => *known = finding,
            None => all.push(finding),
        }
    }
    all
}

fn said(note: &str) -> Said {
    Said {
        note: note.to_owned(),
        noted_by: "MK".to_owned(),
    }
}

#[test]
fn a_clear_candidate_opens_a_finding_once() {
    let clear = candidate("k1", Strength::Clear, 0.8, day(0));
    let once = after(&[], &[clear.clone(), clear.clone()], day(0));
    assert_eq!(once.len(), 1);
    assert_eq!(once[0].state, FindingState::Open);
    assert_eq!((once[0].revision, once[0].etag().as_str()), (1, "\"1\""));
    assert_eq!(
        (once[0].first_seen_at, once[0].last_seen_at),
        (day(0), day(0))
    );
    assert!((once[0].false_discovery_rate - 0.5).abs() < 1e-12);
    let written = merged(
        &once,
        &[clear],
        |_| Some(Watched::LastFired(day(0))),
        || panic!("nothing new opens"),
    );
    assert!(written.is_empty());
}

#[test]
fn a_faint_candidate_opens_nothing() {
    let faint = candidate("k1", Strength::Faint, 0.4, day(0));
    assert!(after(&[], &[faint], day(0)).is_empty());
}

#[test]
fn seen_again_it_is_refreshed_and_keeps_what_was_said() {
    let open = after(
        &[],
        &[candidate("k1", Strength::Clear, 0.8, day(0))],
        day(0),
    );
    let seen = acknowledged(&open[0], &said("ring on Friday"), day(1)).expect("open");
    assert_eq!(seen.state, FindingState::Acknowledged);
    let again = after(
        &[seen],
        &[candidate("k1", Strength::Clear, 0.9, day(21))],
        day(21),
    );
    assert_eq!(again.len(), 1);
    assert_eq!(again[0].state, FindingState::Acknowledged);
    assert_eq!(again[0].note, "ring on Friday");
    assert_eq!(
        (again[0].first_seen_at, again[0].last_seen_at),
        (day(0), day(21))
    );
    assert!((again[0].probability - 0.9).abs() < 1e-12);
    // Only what was said is another version.
    assert_eq!(again[0].revision, 2);
}

#[test]
fn it_closes_when_its_probability_has_fallen_and_opens_when_it_is_clear_again() {
    let open = after(
        &[],
        &[candidate("k1", Strength::Clear, 0.8, day(0))],
        day(0),
    );
    let doubtful = after(
        &open,
        &[candidate("k1", Strength::Faint, 0.2, day(7))],
        day(7),
    );
    assert_eq!(doubtful[0].state, FindingState::Open);
    assert_eq!(doubtful[0].last_seen_at, day(0));
    let closed = after(
        &doubtful,
        &[candidate("k1", Strength::Faint, 0.199, day(7))],
        day(7),
    );
    assert_eq!(closed[0].state, FindingState::Resolved);
    assert!(closed[0].note.contains("20 %"), "{}", closed[0].note);
    assert_eq!(closed[0].noted_at, None);
    let again = after(
        &closed,
        &[candidate("k1", Strength::Clear, 0.8, day(7))],
        day(7),
    );
    assert_eq!(again.len(), 2);
    assert_eq!(again[1].state, FindingState::Open);
}

#[test]
fn eight_weeks_of_readings_without_it_close_it_and_silence_does_not() {
    let open = after(
        &[],
        &[candidate("k1", Strength::Clear, 0.8, day(0))],
        day(0),
    );
    // Nobody fired: nothing is known to be better.
    assert!(merged(&open, &[], |_| None, || panic!("nothing opens")).is_empty());
    assert_eq!(after(&open, &[], day(55))[0].state, FindingState::Open);
    let closed = after(&open, &[], day(56));
    assert_eq!(closed[0].state, FindingState::Resolved);
    assert!(closed[0].note.contains("Eight weeks"));
    assert_eq!(closed[0].revision, 2);
    // Faint ones do not count as seen.
    let faint = candidate("k1", Strength::Faint, 0.3, day(56));
    let closed = after(&open, &[faint], day(56));
    assert_eq!(closed[0].state, FindingState::Resolved);
    assert_eq!(closed[0].revision, 2);
}

#[test]
fn closed_by_hand_it_opens_anew_only_by_a_later_firing() {
    let open = after(
        &[],
        &[candidate("k1", Strength::Clear, 0.8, day(0))],
        day(0),
    );
    let closed = resolved(&open[0], &said("thermocouple replaced"), day(3)).expect("open");
    assert_eq!(closed.state, FindingState::Resolved);
    let same = after(
        std::slice::from_ref(&closed),
        &[candidate("k1", Strength::Clear, 0.9, day(3))],
        day(3),
    );
    assert_eq!(same, std::slice::from_ref(&closed));
    let later = after(
        &[closed],
        &[candidate("k1", Strength::Clear, 0.9, day(4))],
        day(4),
    );
    assert_eq!(later.len(), 2);
    assert_eq!(later[1].state, FindingState::Open);
    assert_eq!(later[1].first_seen_at, day(4));
}

#[test]
fn notes_on_closed_findings_are_refused() {
    let open = after(
        &[],
        &[candidate("k1", Strength::Clear, 0.8, day(0))],
        day(0),
    );
    let seen = acknowledged(&open[0], &said("seen"), day(1)).expect("open");
    assert_eq!((seen.revision, seen.noted_at), (2, Some(day(1))));
    let other = acknowledged(&seen, &said("ring on Monday"), day(2)).expect("open");
    assert_eq!((other.revision, other.note.as_str()), (3, "ring on Monday"));
    let closed = resolved(&other, &said("mended"), day(3)).expect("acknowledged");
    for again in [
        acknowledged(&closed, &said("seen"), day(4)),
        resolved(&closed, &said("mended"), day(4)),
    ] {
        assert_eq!(again.expect_err("closed").reason(), "FINDING_RESOLVED");
    }
}

#[test]
fn a_note_is_wanted_and_neither_it_nor_a_code_may_be_long() {
    let fields = |said: Said| {
        let mut violations = Violations::default();
        said.check(&mut violations);
        let fields: Vec<String> = violations.0.into_iter().map(|one| one.field).collect();
        fields
    };
    assert!(fields(said("ring on Friday")).is_empty());
    assert_eq!(fields(said("")), ["note"]);
    let long = Said {
        note: "x".repeat(501),
        noted_by: "x".repeat(41),
    };
    assert_eq!(fields(long), ["note", "noted_by"]);
}

#[test]
fn the_stronger_of_two_candidates_counts() {
    let clear = candidate("k1", Strength::Clear, 0.6, day(0));
    let faint = candidate("k1", Strength::Faint, 0.9, day(5));
    for both in [[clear.clone(), faint.clone()], [faint, clear]] {
        let open = after(&[], &both, day(5));
        assert!((open[0].probability - 0.6).abs() < 1e-12);
    }
}

fn any_candidate() -> impl Strategy<Value = Candidate> {
    (0..4_usize, any::<bool>(), 0..1000_i32, 0..120_i64).prop_map(
        |(id, clear, thousandths, days)| {
            let strength = if clear {
                Strength::Clear
            } else {
                Strength::Faint
            };
            let probability = f64::from(thousandths) / 1000.0;
            candidate(&format!("k{id}"), strength, probability, day(days))
        },
    )
}

proptest! {
    #[test]
    fn the_same_candidates_twice_change_nothing_the_second_time(
        before in proptest::collection::vec(any_candidate(), 0..8),
        by_hand in proptest::collection::vec(any::<bool>(), 4),
        now in proptest::collection::vec(any_candidate(), 0..8),
        fired in 0..200_i64,
    ) {
        let mut register = after(&[], &before, day(60));
        for (finding, close) in register.iter_mut().zip(by_hand) {
            if close {
                *finding = resolved(finding, &said("mended"), day(70)).expect("open");
            }
        }
        let once = after(&register, &now, day(fired));
        let twice = after(&once, &now, day(fired));
        prop_assert_eq!(&once, &twice);
        for (at, finding) in once.iter().enumerate() {
            for other in &once[at + 1..] {
                let double = finding.subject == other.subject
                    && finding.state != FindingState::Resolved
                    && other.state != FindingState::Resolved;
                prop_assert!(!double);
            }
        }
    }
}

#[test]
fn a_finding_about_a_retired_furnace_closes() {
    let open = after(
        &[],
        &[candidate("k1", Strength::Clear, 0.8, day(0))],
        day(0),
    );
    let closed = merged(
        &open,
        &[],
        |_| Some(Watched::Retired),
        || panic!("nothing opens"),
    );
    assert_eq!(closed.len(), 1);
    assert_eq!(closed[0].state, FindingState::Resolved);
    assert!(closed[0].note.contains("retired"), "{}", closed[0].note);
}
