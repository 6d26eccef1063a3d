//! The year of each laboratory's people, drawn before it begins: who fires when, who forgets, who is late.

use jiff::civil::{Date, Time, Weekday};
use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::act::{ActDetails, ActKind, ActSubject, Use};
use ringtrue_fleet::calendar::{Calendar, Shift, plus};
use ringtrue_fleet::event::EventKind;
use ringtrue_fleet::furnace::FurnaceState;
use ringtrue_fleet::key::FurnaceKey;
use ringtrue_fleet::reading::Purpose;
use ringtrue_fleet::task::TaskKind;

use crate::deed::{Deed, Doing, Firing};
use crate::draw::Draw;
use crate::laboratory::{FIRST_DAY, Laboratory, i32_of};

/// Rings are cold after this, also those that come out late.
const COLD_AFTER: SignedDuration = SignedDuration::from_hours(3);

/// A laboratory's people with their dice.
pub(crate) struct People<'a> {
    laboratory: &'a Laboratory,
    calendar: Calendar,
    draw: Draw,
    days: i64,
    deeds: Vec<Deed>,
}

/// Everything the people of a laboratory do in so many days, in no order.
pub(crate) fn year(laboratory: &Laboratory, seed: u64, days: i64) -> Vec<Deed> {
    let mut people = People {
        laboratory,
        calendar: laboratory.calendar(),
        draw: Draw::of(seed, &format!("people {}", laboratory.id)),
        days,
        deeds: Vec::new(),
    };
    for furnace in &laboratory.furnaces {
        people.furnace(furnace);
    }
    people.check_gauge();
    people.speak();
    people.deeds
}

impl People<'_> {
    /// A local time of the year's day of a number.
    fn at(&self, day: i64, hour: i8, minute: i8) -> Timestamp {
        self.calendar
            .at(date_of(day), Time::constant(hour, minute, 0, 0))
    }

    /// The number of the first open day from a day on.
    fn open_from(&self, day: i64) -> i64 {
        let found = self.calendar.shifted(date_of(day), Shift::After, None);
        i64::from((found - FIRST_DAY).get_days())
    }

    fn add(&mut self, at: Timestamp, words: String, doing: Doing) {
        self.deeds.push(Deed { at, words, doing });
    }

    fn act(
        &mut self,
        at: Timestamp,
        furnace: &FurnaceKey,
        kind: ActKind,
        task: Option<TaskKind>,
        words: String,
    ) {
        let details = ActDetails {
            kind: Some(kind),
            task,
            subject: Some(ActSubject::Furnace(furnace.clone())),
            acted_at: at,
            reason: match kind {
                ActKind::Skipped | ActKind::Deferred { .. } => "no time this week".to_owned(),
                _ => String::new(),
            },
            chamber_was_empty: true,
            performed_by: "t1".to_owned(),
        };
        self.add(at, words, Doing::Act(Box::new(details)));
    }

    fn furnace(&mut self, furnace: &FurnaceKey) {
        let arrives = if self.draw.chance(0.1) {
            self.draw.between(20, 200)
        } else {
            0
        };
        let at = if arrives == 0 {
            crate::steps::start()
        } else {
            self.at(arrives, 10, 30)
        };
        let words = format!("{}/arrives", furnace.name());
        self.add(at, words, Doing::AddFurnace(furnace.clone()));
        let away = self.away(furnace, arrives);
        self.fire(furnace, arrives, away);
        if self.laboratory.counts_use {
            self.count_use(furnace, arrives, away);
        }
        self.care(furnace, arrives, away);
        self.happen(furnace, arrives, away);
    }

    /// From when to when a furnace is out of use; one that is retired never comes back.
    fn away(&mut self, furnace: &FurnaceKey, arrives: i64) -> (i64, i64) {
        let is_retired = self.draw.chance(0.03);
        if !is_retired && !self.draw.chance(0.12) {
            return (i64::MAX, i64::MAX);
        }
        let from = arrives + self.draw.between(60, 300);
        let until = if is_retired {
            i64::MAX
        } else {
            from + self.draw.between(10, 60)
        };
        let mut set = |day: i64, state| {
            let at = self.at(day, 13, 15);
            let words = format!("{}/state {day}", furnace.name());
            self.add(at, words, Doing::SetState(furnace.clone(), state));
        };
        if is_retired {
            set(from, FurnaceState::Retired);
        } else {
            set(from, FurnaceState::InService);
            set(until, FurnaceState::InUse);
        }
        (from, until)
    }

    /// Rings: fired about when they have it in mind, measured on a later working day, or forgotten.
    fn fire(&mut self, furnace: &FurnaceKey, arrives: i64, away: (i64, i64)) {
        let mut day = arrives + self.draw.between(0, 4);
        let mut number = 0;
        while day < self.days - 3 {
            if !(away.0 - 3..away.1).contains(&day) {
                number += 1;
                let fired_on = if self.draw.chance(0.95) {
                    self.open_from(day)
                } else {
                    day
                };
                self.one_firing(furnace, number, fired_on);
            }
            let usual = self.laboratory.usual_days;
            let off = match self.draw.between(0, 99) {
                0..50 => -self.draw.between(0, 4.min(usual - 1)),
                50..80 => self.draw.between(1, 3),
                80..95 => self.draw.between(4, 12),
                _ => self.draw.between(20, 60),
            };
            day += usual + off;
        }
    }

    fn one_firing(&mut self, furnace: &FurnaceKey, number: i64, day: i64) {
        let (next_day, hour, minute) = match self.draw.between(0, 99) {
            0..40 => (0, 18, 10),
            40..80 => (0, 20, 45),
            80..90 => (0, 16, 30),
            // About midnight, where the day is easily taken for the other one.
            90..95 => (0, 23, 50),
            _ => (1, 0, 20),
        };
        let fired_at = self.at(day + next_day, hour, minute);
        let words = format!("{}/firing {number}", furnace.name());
        if self.draw.chance(0.5) {
            // Noted when it was put in, or when it came out.
            let early = self.draw.between(-6, 1);
            let at = fired_at + SignedDuration::from_mins(15 * early);
            let task = self.draw.one(&[None, Some(TaskKind::Calibration)]);
            let words = format!("{words} noted");
            self.act(at, furnace, ActKind::RingFired, task, words);
        }
        if self.draw.chance(0.03) {
            // Lost: nobody ever measures it.
            return;
        }
        let wait = match self.draw.between(0, 99) {
            0..80 => 1,
            80..95 => self.draw.between(2, 4),
            _ => self.draw.between(8, 14),
        };
        let measured_on = self.open_from(day + next_day + wait);
        let (hour, minute) = self.draw.one(&[(8, 15), (8, 15), (11, 40), (7, 5)]);
        let measured_at = self
            .at(measured_on, hour, minute)
            .max(fired_at + COLD_AFTER);
        self.read(furnace, &words, fired_at, measured_at, Purpose::Routine);
        self.follow(furnace, &words, measured_at, measured_on);
    }

    fn read(
        &mut self,
        furnace: &FurnaceKey,
        words: &str,
        fired_at: Timestamp,
        measured_at: Timestamp,
        purpose: Purpose,
    ) {
        let off_mm = match self.draw.between(0, 99) {
            0..85 => self.draw.normal(0.025),
            85..97 => self.draw.normal(0.09),
            // So far off that nobody believes it at once.
            _ => self.draw.one(&[-0.22, 0.22]),
        };
        let spread_mm = if self.draw.chance(0.04) { 0.05 } else { 0.001 };
        let diameters_mm = (0..3)
            .map(|_| {
                let shown = 19.557 + off_mm + self.draw.normal(spread_mm);
                (shown.clamp(19.25, 19.95) * 1000.0).round() / 1000.0
            })
            .collect();
        let purpose = if self.draw.chance(0.03) {
            Purpose::Practice
        } else {
            purpose
        };
        let firing = Firing {
            furnace: furnace.clone(),
            gauge: self.laboratory.gauge.clone(),
            words: words.to_owned(),
            fired_at,
            purpose,
            diameters_mm,
        };
        self.add(measured_at, format!("{words} read"), Doing::Read(firing));
    }

    /// The advised setpoint is entered at once, later or never; where the rule asks for it a second ring follows.
    fn follow(&mut self, furnace: &FurnaceKey, words: &str, measured_at: Timestamp, day: i64) {
        let later = match self.draw.between(0, 99) {
            0..55 => 0,
            55..80 => self.draw.between(1, 5),
            _ => return,
        };
        let day = day + later;
        let at = if later == 0 {
            measured_at
        } else {
            self.at(day, 12, 5)
        };
        let doing = Doing::EnterSetpoint(furnace.clone(), format!("{words} read"));
        self.add(at, format!("{words} entered"), doing);
        let verifies = self
            .laboratory
            .rule
            .as_ref()
            .is_some_and(|rule| rule.verify);
        if !verifies || self.draw.chance(0.4) {
            return;
        }
        let day = day + self.draw.between(0, 3);
        let fired_at = self.at(day, 19, 20);
        let words = format!("{words} again");
        if self.draw.chance(0.5) {
            let words = format!("{words} noted");
            self.act(fired_at, furnace, ActKind::RingFired, None, words);
        }
        let measured_on = self.open_from(day + 1);
        let measured_at = self.at(measured_on, 9, 30);
        self.read(
            furnace,
            &words,
            fired_at,
            measured_at,
            Purpose::Verification,
        );
    }

    /// Firings of a fortnight, counted on the Monday after, with some that nobody counts.
    fn count_use(&mut self, furnace: &FurnaceKey, arrives: i64, away: (i64, i64)) {
        let mut busy = 24;
        for fortnight in 1..self.days / 14 {
            let monday = 14 * fortnight;
            if self.draw.chance(0.3) {
                busy = self.draw.one(&[8, 20, 28, 44]);
            }
            let skips = self.draw.chance(0.15);
            if skips || monday < arrives + 15 || monday >= away.0 {
                continue;
            }
            let firings = i32_of(busy + self.draw.between(-5, 5));
            let counted = Use {
                from: date_of(monday - 14),
                until: date_of(monday - 1),
                firings,
                hours_hot: 2.25 * f64::from(firings),
            };
            let at = self.at(monday, 8, 15);
            let words = format!("{}/use {fortnight}", furnace.name());
            self.act(at, furnace, ActKind::UseCounted(counted), None, words);
        }
    }

    /// Care: done, left out or put off about when the usual rules want it.
    fn care(&mut self, furnace: &FurnaceKey, arrives: i64, away: (i64, i64)) {
        for (task, every) in [
            (TaskKind::PurgeFiring, 28),
            (TaskKind::BeadReplacement, 90),
            (TaskKind::ElementRegeneration, 250),
        ] {
            let mut day = arrives + self.draw.between(5, every);
            while day < self.days - 2 && day < away.0 {
                let at = self.at(day, 17, 5);
                let kind = match self.draw.between(0, 99) {
                    0..65 => ActKind::Done,
                    65..80 => ActKind::Skipped,
                    _ => ActKind::Deferred {
                        until: Some(date_of(day + self.draw.between(2, 25))),
                    },
                };
                let words = format!("{}/{} {day}", furnace.name(), task.word());
                self.act(at, furnace, kind, Some(task), words);
                day += match kind {
                    ActKind::Deferred { .. } => self.draw.between(1, 40),
                    _ => every + self.draw.between(-6, 25),
                };
            }
        }
    }

    fn happen(&mut self, furnace: &FurnaceKey, arrives: i64, away: (i64, i64)) {
        let kinds = [
            EventKind::ElementsReplaced,
            EventKind::ThermocoupleReplaced,
            EventKind::ControllerChanged,
            EventKind::Moved,
            EventKind::MainsWork,
            EventKind::Repair,
            EventKind::DiscolouredWork,
            EventKind::DiscolouredWork,
        ];
        for number in 0..self.draw.between(0, 3) {
            let day = arrives + self.draw.between(10, 340);
            if day >= self.days - 2 || day >= away.0 {
                continue;
            }
            let kind = self.draw.one(&kinds);
            let happened_at = self.at(day, 12, 0);
            let told_at = happened_at + SignedDuration::from_hours(self.draw.between(0, 60));
            let words = format!("{}/event {number}", furnace.name());
            let doing = Doing::Happen(furnace.clone(), kind, happened_at);
            self.add(told_at, words, doing);
        }
    }

    fn check_gauge(&mut self) {
        let gauge = self.laboratory.gauge.clone();
        let mut day = self.draw.between(1, 12);
        while day < self.days {
            let at = self.at(self.open_from(day), 10, 20);
            let words = format!("{}/check {day}", gauge.name());
            self.add(at, words, Doing::CheckGauge(gauge.clone()));
            day += self.draw.between(60, 260);
        }
    }

    fn speak(&mut self) {
        for day in 1..self.days - 1 {
            let is_busy = date_of(day).weekday() == Weekday::Monday;
            if !self.draw.chance(if is_busy { 0.06 } else { 0.012 }) {
                continue;
            }
            let at = self.at(day, 9, 30);
            let words = format!("{} speaks {day}", self.laboratory.id);
            self.add(at, words, Doing::Speak(self.laboratory.id.clone()));
        }
    }
}

/// The local day of a number.
pub(crate) fn date_of(day: i64) -> Date {
    plus(FIRST_DAY, i32_of(day))
}
