//! Sites whose furnaces moved together: their gauge or the mains, not the furnaces.

use jiff::Timestamp;
use ringtrue_calibration::charts::ewma::{EwmaDesign, EwmaLimits, EwmaState};

use super::probability::{as_number, two_sided};
use super::{
    Candidate, Evidence, FindingKind, SiteSeen, Strength, Subject, Tested, latest,
    rounded_probability,
};
use crate::key::{FurnaceId, ReadingKey};

/// Weight of the newest week.
const LAMBDA: f64 = 0.25;

/// Limit of the average in its standard deviations: a false alarm in a thousand weeks with readings, twenty
/// to forty years of a site.
pub(super) const LIMIT: f64 = 3.22;

/// A furnace moved when its readings of a week lie farther than this from what was expected, in standard
/// deviations of their mean.
const MOVED_Z: f64 = 1.0;

/// Fewest furnaces that must have moved in one week.
const FEWEST_FURNACES: usize = 2;

const SECONDS_A_WEEK: i64 = 604_800;

/// The first Monday after 1970-01-01, in seconds: weeks begin on Mondays, UTC.
const FIRST_MONDAY_S: i64 = 4 * 86_400;

/// One week of a site.
struct Week {
    /// Sum of the distances over the root of their number: standard normal when nothing is wrong.
    z: f64,
    /// Each furnace with the sum of its distances over the root of their number.
    furnaces: Vec<(FurnaceId, f64)>,
    /// Readings, earliest first.
    readings: Vec<ReadingKey>,
    last_fired_at: Timestamp,
}

/// How a site stands at its last week with readings.
struct Shifted {
    p_value: f64,
    z: f64,
    together: usize,
    /// Furnaces read in that week.
    read: usize,
    weeks: usize,
    readings: Vec<ReadingKey>,
    seen_at: Timestamp,
    beyond: bool,
}

/// Looks whether the furnaces of one site moved together; what speaks for it is one of the tests of
/// [`super::discovered`].
pub fn site_shift(site: &SiteSeen) -> Tested {
    let Some(shifted) = shifted(&weeks(site)) else {
        return Tested {
            p_value: 1.0,
            candidate: None,
        };
    };
    let clear = shifted.beyond && shifted.together >= FEWEST_FURNACES;
    Tested {
        p_value: shifted.p_value,
        candidate: clear.then(|| candidate(site, shifted)),
    }
}

/// The site's weeks with readings, earliest first.
fn weeks(site: &SiteSeen) -> Vec<Week> {
    let mut readings: Vec<(i64, &super::Surprising)> = Vec::new();
    for reading in site.readings {
        if reading.z.is_finite() {
            let week = (reading.fired_at.as_second() - FIRST_MONDAY_S).div_euclid(SECONDS_A_WEEK);
            readings.push((week, reading));
        }
    }
    readings.sort_by(|(_, one), (_, other)| {
        (one.fired_at, &one.reading).cmp(&(other.fired_at, &other.reading))
    });
    let mut weeks = Vec::new();
    for of_one_week in readings.chunk_by(|(one, _), (other, _)| one == other) {
        let mut sum = 0.0;
        let mut own: Vec<(FurnaceId, f64, usize)> = Vec::new();
        let mut keys = Vec::with_capacity(of_one_week.len());
        let mut last_fired_at = Timestamp::MIN;
        for (_, reading) in of_one_week {
            sum += reading.z;
            let furnace = &reading.reading.furnace.furnace;
            match own.iter_mut().find(|(known, _, _)| known == furnace) {
                Some((_, sum, count)) => {
                    *sum += reading.z;
                    *count += 1;
                }
                None => own.push((furnace.clone(), reading.z, 1)),
            }
            keys.push(reading.reading.clone());
            last_fired_at = last_fired_at.max(reading.fired_at);
        }
        let mut furnaces = Vec::with_capacity(own.len());
        for (furnace, sum, count) in own {
            furnaces.push((furnace, sum / as_number(count).sqrt()));
        }
        weeks.push(Week {
            z: sum / as_number(of_one_week.len()).sqrt(),
            furnaces,
            readings: keys,
            last_fired_at,
        });
    }
    weeks
}

fn shifted(weeks: &[Week]) -> Option<Shifted> {
    let last = weeks.last()?;
    let design = EwmaDesign {
        lambda: LAMBDA,
        limit: LIMIT,
        limits: EwmaLimits::Exact,
    };
    let mut state = EwmaState::default();
    // The weeks since the average last turned to the side where it is now.
    let mut from = 0;
    for (at, week) in weeks.iter().enumerate() {
        let before = state.value;
        state = state.follow(week.z, &design);
        if (before > 0.0) != (state.value > 0.0) {
            from = at;
        }
    }
    let z = state.value / (design.reach(state.points) / LIMIT);
    let side = if state.value < 0.0 { -1.0 } else { 1.0 };
    let (mut together, mut read) = (0, 0);
    let mut readings = Vec::new();
    let run = weeks.get(from..).unwrap_or_default();
    for week in run {
        let mut moved = 0;
        for (_, furnace_z) in &week.furnaces {
            moved += usize::from(side * furnace_z > MOVED_Z);
        }
        if moved > together {
            (together, read) = (moved, week.furnaces.len());
        }
        readings.extend(week.readings.iter());
    }
    Some(Shifted {
        p_value: two_sided(z),
        z,
        together,
        read,
        weeks: run.len(),
        readings: latest(readings.into_iter()),
        seen_at: last.last_fired_at,
        beyond: state.signal(&design).is_some(),
    })
}

fn candidate(site: &SiteSeen, shifted: Shifted) -> Candidate {
    let name = site.display_name;
    let direction = if shifted.z > 0.0 { "hotter" } else { "colder" };
    let statement = format!(
        "Furnaces of {name} read {direction} than expected at the same time: in one week {} of the {} that \
         were read did. That is rather the gauge or the mains than the furnaces, unless one of them drifts.",
        shifted.together, shifted.read
    );
    Candidate {
        kind: FindingKind::SiteShift,
        subject: Subject::Site(site.site.clone()),
        strength: Strength::Clear,
        probability: rounded_probability(1.0 - shifted.p_value),
        p_value: Some(shifted.p_value),
        statement,
        next_step: "Leave the setpoints for now. Check the gauge on a reference block; was it dropped or \
                    zeroed anew? Then ask whether the mains supply or the room changed, and fire one ring in \
                    each furnace."
            .to_owned(),
        evidence: vec![
            Evidence::of(
                "furnaces that moved in one week",
                as_number(shifted.together),
                0,
                "",
            ),
            Evidence::of("weeks with readings since it began", as_number(shifted.weeks), 0, ""),
            Evidence::of("site average in its standard deviations", shifted.z, 1, ""),
            Evidence::of("chance without a shift", shifted.p_value, 6, ""),
        ],
        readings: shifted.readings,
        seen_at: shifted.seen_at,
    }
}
