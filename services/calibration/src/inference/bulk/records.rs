//! The record of one site, packed: a reading takes 40 bytes, and effects and events that readings have
//! in common are written down once.

use std::ops::Range;

use crate::inference::chain::{Column, Firing};
use crate::inference::site::LocalEffect;

/// A new reading is compared with so many effect lists and events before it gets its own: readings that
/// share gauge, batch and set temperature follow each other closely.
const COMPARED: usize = 64;

/// One reading, packed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Weeks since the reading before of this furnace.
    pub weeks: f64,
    /// Setpoint, °C.
    pub setpoint_c: f64,
    /// Observed offset, °C.
    pub offset_c: f64,
    /// Nominal variance of what the next reading does not repeat, °C².
    pub variance_c2: f64,
    /// Which of the site's effect lists holds.
    list: u32,
    /// Which of the site's events lie before it, counted from 1; 0 is none.
    event: u32,
}

/// What happened to a furnace between two readings.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Event {
    variance_c2: f64,
    shift_c: f64,
    redraws_slope: bool,
}

const NOTHING: Event = Event {
    variance_c2: 0.0,
    shift_c: 0.0,
    redraws_slope: false,
};

/// All readings of one site, furnace by furnace, each furnace in the order of time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SiteRecords {
    /// The site's own effects (gauges) with the checks made of them.
    pub locals: Vec<LocalEffect>,
    readings: Vec<Reading>,
    /// Where every furnace's readings end.
    ends: Vec<usize>,
    effects: Vec<(Column, f64)>,
    /// Where every list of effects ends.
    list_ends: Vec<usize>,
    events: Vec<Event>,
}

impl SiteRecords {
    /// Starts a site without furnaces.
    pub fn new(locals: Vec<LocalEffect>) -> Self {
        SiteRecords {
            locals,
            ..Self::default()
        }
    }

    /// Starts the next furnace; readings pushed from now on are its own.
    pub fn push_furnace(&mut self) {
        self.ends.push(self.readings.len());
    }

    /// Adds a reading to the furnace started last, or to a first one when none was started.
    pub fn push(&mut self, firing: &Firing<'_, Column>) {
        let list = self.list_of(firing.effects);
        let event = self.event_of(Event {
            variance_c2: firing.event_variance_c2,
            shift_c: firing.shift_c,
            redraws_slope: firing.redraws_slope,
        });
        self.readings.push(Reading {
            weeks: firing.weeks,
            setpoint_c: firing.setpoint_c,
            offset_c: firing.offset_c,
            variance_c2: firing.variance_c2,
            list,
            event,
        });
        if self.ends.is_empty() {
            self.ends.push(0);
        }
        if let Some(end) = self.ends.last_mut() {
            *end = self.readings.len();
        }
    }

    /// Gives back the room that growing left over.
    pub fn shrink(&mut self) {
        self.readings.shrink_to_fit();
        self.ends.shrink_to_fit();
        self.effects.shrink_to_fit();
        self.list_ends.shrink_to_fit();
        self.events.shrink_to_fit();
    }

    /// Gives the number of furnaces.
    pub fn furnaces(&self) -> usize {
        self.ends.len()
    }

    /// Gives all readings, furnace by furnace.
    pub fn readings(&self) -> &[Reading] {
        &self.readings
    }

    /// Gives the readings of one furnace; none when there is no such furnace.
    pub fn of_furnace(&self, furnace: usize) -> &[Reading] {
        let range = range_before(&self.ends, furnace);
        self.readings.get(range).unwrap_or_default()
    }

    /// Gives the effects of a reading with their coefficients.
    pub fn effects(&self, reading: &Reading) -> &[(Column, f64)] {
        self.list(reading.list)
    }

    /// Gives a reading as the filter takes it, with effects of the caller's numbering.
    pub fn firing<'a, C>(&self, reading: &Reading, effects: &'a [(C, f64)]) -> Firing<'a, C> {
        let before = usize::try_from(reading.event)
            .ok()
            .and_then(|event| self.events.get(event.checked_sub(1)?))
            .unwrap_or(&NOTHING);
        Firing {
            weeks: reading.weeks,
            setpoint_c: reading.setpoint_c,
            offset_c: reading.offset_c,
            variance_c2: reading.variance_c2,
            event_variance_c2: before.variance_c2,
            redraws_slope: before.redraws_slope,
            shift_c: before.shift_c,
            effects,
        }
    }

    /// Place of a reading's effect list among the site's.
    pub(super) fn list_place(reading: &Reading) -> usize {
        usize::try_from(reading.list).unwrap_or(usize::MAX)
    }

    /// Number of effect lists.
    pub(super) fn lists(&self) -> usize {
        self.list_ends.len()
    }

    fn list(&self, list: u32) -> &[(Column, f64)] {
        let range = match usize::try_from(list) {
            Ok(list) => range_before(&self.list_ends, list),
            Err(_) => return &[],
        };
        self.effects.get(range).unwrap_or_default()
    }

    fn list_of(&mut self, effects: &[(Column, f64)]) -> u32 {
        let known = index(self.list_ends.len());
        for list in (0..known).rev().take(COMPARED) {
            if self.list(list) == effects {
                return list;
            }
        }
        self.effects.extend_from_slice(effects);
        self.list_ends.push(self.effects.len());
        known
    }

    fn event_of(&mut self, event: Event) -> u32 {
        if event == NOTHING {
            return 0;
        }
        for (place, other) in self.events.iter().enumerate().rev().take(COMPARED) {
            if *other == event {
                return index(place + 1);
            }
        }
        self.events.push(event);
        index(self.events.len())
    }
}

/// A place as it is packed; nothing that fits into memory has more.
fn index(place: usize) -> u32 {
    u32::try_from(place).unwrap_or(u32::MAX)
}

/// From the end before to the end at a place; empty beyond the last.
fn range_before(ends: &[usize], place: usize) -> Range<usize> {
    let Some(end) = ends.get(place) else {
        return 0..0;
    };
    let start = match place.checked_sub(1) {
        Some(before) => ends[before],
        None => 0,
    };
    start..*end
}
