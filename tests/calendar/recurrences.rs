//! Thousands of drawn recurrence rules: the days beside python-dateutil and beside the words of RFC 5545, the moments
//! beside Python's zones. The drawing is seeded, so every run asks the same.

use std::collections::BTreeMap;

use jiff::ToSpan as _;
use jiff::civil::{Date, Time, date, time};
use jiff::tz::TimeZone;
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use ringtrue_fleet::recurrence::{NotARecurrence, Recurrence};
use ringtrue_tests::python;
use serde_json::{Value, json};

/// Rules that are asked about.
const N_RULES: usize = 6_000;

/// Days that are compared of each rule.
const MOST_DAYS: usize = 40;

/// Zones with daylight saving to the north and to the south, of half an hour, to the other side, without any, and given
/// up meanwhile; only such whose rules are settled, because the two databases may be of different releases.
const ZONES: [&str; 8] = [
    "Europe/Berlin",
    "America/New_York",
    "Australia/Lord_Howe",
    "Asia/Kathmandu",
    "America/Sao_Paulo",
    "Pacific/Auckland",
    "Europe/Dublin",
    "America/St_Johns",
];

const WEEKDAYS: [&str; 7] = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"];

struct Question {
    recurrence: Recurrence,
    from: Date,
    until: Date,
    zone: &'static str,
    wall: Time,
}

#[test]
fn days_and_moments_are_those_of_other_programs() {
    let mut dice = ChaCha8Rng::seed_from_u64(5545);
    let mut questions = Vec::new();
    let mut refused: BTreeMap<String, usize> = BTreeMap::new();
    while questions.len() < N_RULES {
        let starts_on = day_from(&mut dice, date(1995, 1, 1), 14_000);
        let text = drawn_rule(&mut dice, starts_on);
        match Recurrence::parse(&text, starts_on) {
            Ok(recurrence) => questions.push(drawn_question(&mut dice, recurrence)),
            Err(why) => *refused.entry(kind(&why)).or_default() += 1,
        }
    }
    // Nothing but rules without days is refused of what is drawn.
    let n_refused: usize = refused.values().sum();
    assert!(n_refused < N_RULES, "too many were refused: {refused:?}");
    assert!(
        refused
            .keys()
            .all(|kind| kind == "NeverOccurs" || kind == "TooRare" || kind == "UntilBeforeStart"),
        "{refused:?}"
    );

    let asked: Vec<Value> = questions.iter().map(asked).collect();
    let answers = answers(&asked);
    assert_eq!(answers.len(), questions.len());
    let mut n_by_dateutil = 0;
    let mut n_days = 0;
    let mut wrong = Vec::new();
    for (question, answer) in questions.iter().zip(&answers) {
        let days = question
            .recurrence
            .between(question.from, question.until, MOST_DAYS);
        let ours: Vec<String> = days.iter().map(ToString::to_string).collect();
        let label = format!(
            "{} from {}",
            question.recurrence.text(),
            question.recurrence.starts_on()
        );
        if json!(ours) != answer["words"] {
            wrong.push(format!(
                "{label}: {ours:?}, by the words {}",
                answer["words"]
            ));
        }
        if !answer["dateutil"].is_null() {
            n_by_dateutil += 1;
            if json!(ours) != answer["dateutil"] {
                wrong.push(format!(
                    "{label}: {ours:?}, dateutil {}",
                    answer["dateutil"]
                ));
            }
        }
        let zone = TimeZone::get(question.zone).expect("a zone of the database");
        let moments: Vec<i64> = days
            .iter()
            .map(|day| {
                let at = zone.to_ambiguous_zoned_datetime(day.to_datetime(question.wall));
                at.compatible().expect("a moment").timestamp().as_second()
            })
            .collect();
        if json!(moments) != answer["moments"] {
            wrong.push(format!(
                "{label} at {} in {}: {moments:?}, Python {}",
                question.wall, question.zone, answer["moments"]
            ));
        }
        n_days += days.len();
    }
    assert!(
        wrong.is_empty(),
        "{} differ, of {} rules:\n{}",
        wrong.len(),
        questions.len(),
        wrong[..wrong.len().min(25)].join("\n")
    );
    assert!(n_by_dateutil > 5_000, "{n_by_dateutil}");
    assert!(n_days > 50_000, "{n_days}");
}

#[test]
fn rules_refused_as_never_or_too_rare_are_so_by_the_words_too() {
    let mut dice = ChaCha8Rng::seed_from_u64(7529);
    let mut asked_about = Vec::new();
    let mut most = Vec::new();
    while asked_about.len() < 300 {
        let starts_on = day_from(&mut dice, date(1995, 1, 1), 14_000);
        let text = drawn_rule(&mut dice, starts_on);
        // `from` and `until` are the span that is said to be empty.
        let (from, until) = match Recurrence::parse(&text, starts_on) {
            Err(NotARecurrence::NeverOccurs { years, .. }) => {
                (starts_on, starts_on.saturating_add(years.years()))
            }
            Err(NotARecurrence::TooRare { first, years }) => (
                first.saturating_add(1.day()),
                first.saturating_add(years.years()),
            ),
            _ => continue,
        };
        asked_about.push(json!({
            "rule": text, "starts_on": starts_on.to_string(), "from": from.to_string(),
            "until": until.to_string(), "most": 1, "zone": "UTC", "wall": "12:00", "by_dateutil": false,
        }));
        most.push(text);
    }
    for (text, answer) in most.iter().zip(answers(&asked_about)) {
        assert_eq!(answer["words"], json!([]), "{text}");
    }
}

fn answers(questions: &[Value]) -> Vec<Value> {
    let printed = python::asked("calendar/expand.py", &json!(questions).to_string());
    serde_json::from_str(&printed).expect("expand.py prints a JSON list")
}

fn asked(question: &Question) -> Value {
    let rule = question.recurrence.text();
    json!({
        "rule": rule,
        "starts_on": question.recurrence.starts_on().to_string(),
        "from": question.from.to_string(),
        "until": question.until.to_string(),
        "most": MOST_DAYS,
        "zone": question.zone,
        "wall": question.wall.to_string(),
        "by_dateutil": !dateutil_reads_otherwise(rule),
    })
}

/// Where python-dateutil 2.9 departs from RFC 5545; there only the words count.
fn dateutil_reads_otherwise(rule: &str) -> bool {
    let part = |name: &str| {
        rule.split(';')
            .find_map(|part| part.strip_prefix(name)?.strip_prefix('='))
    };
    let days: Vec<&str> = part("BYDAY").map_or_else(Vec::new, |days| days.split(',').collect());
    let n_numbered = days.iter().filter(|day| day.len() > 2).count();
    // A weekday with and one without a number: it wants both at once.
    let is_mixed = n_numbered > 0 && n_numbered < days.len();
    // Positions in the week in which the rule starts: it counts from the start, not from the week's first day.
    let is_position_in_week = rule.starts_with("FREQ=WEEKLY") && part("BYSETPOS").is_some();
    // A sixth weekday of a month and beyond: it looks past the end of its table of the year and fails.
    let number = |day: &str| day[..day.len() - 2].parse().unwrap_or(0_i32);
    let is_beyond_month = part("BYMONTH").is_some() && days.iter().any(|day| number(day).abs() > 5);
    is_mixed || is_position_in_week || is_beyond_month
}

fn drawn_question(dice: &mut ChaCha8Rng, recurrence: Recurrence) -> Question {
    let starts_on = recurrence.starts_on();
    let from = if dice.random_bool(0.5) {
        starts_on
    } else {
        day_from(dice, starts_on, 4_000)
    };
    // No zone changes its clocks between 04:00 and 23:00.
    let wall = time(dice.random_range(4..23), dice.random_range(0..60), 0, 0);
    Question {
        recurrence,
        from,
        until: from.saturating_add(5.years()),
        zone: ZONES[dice.random_range(0..ZONES.len())],
        wall,
    }
}

fn day_from(dice: &mut ChaCha8Rng, first: Date, days: i64) -> Date {
    first.saturating_add(dice.random_range(0..days).days())
}

/// A rule that RFC 5545 allows, as wild as its grammar.
fn drawn_rule(dice: &mut ChaCha8Rng, starts_on: Date) -> String {
    let frequency = ["DAILY", "WEEKLY", "MONTHLY", "YEARLY"][dice.random_range(0..4)];
    let mut parts = vec![format!("FREQ={frequency}")];
    let by_week = frequency == "YEARLY" && dice.random_bool(0.2);
    if !by_week && dice.random_bool(0.5) {
        let most = if frequency == "DAILY" { 40 } else { 6 };
        parts.push(format!("INTERVAL={}", dice.random_range(1..=most)));
    }
    match dice.random_range(0..5) {
        0 => parts.push(format!("COUNT={}", dice.random_range(1..60))),
        1 => {
            let until = day_from(dice, starts_on, 3_000);
            parts.push(format!("UNTIL={}", until.strftime("%Y%m%d")));
        }
        _ => {}
    }
    let n_before = parts.len();
    if dice.random_bool(0.25) {
        parts.push(format!(
            "BYMONTH={}",
            some(dice, 5, |dice| dice.random_range(1..=12))
        ));
    }
    if by_week {
        // New Year is where weeks are hard.
        let weeks = some(dice, 4, |dice| {
            let week = if dice.random_bool(0.5) {
                dice.random_range(1..=51)
            } else {
                dice.random_range(1..=3)
            };
            if dice.random_bool(0.4) { -week } else { week }
        });
        parts.push(format!("BYWEEKNO={weeks}"));
    }
    if frequency == "YEARLY" && dice.random_bool(0.2) {
        parts.push(format!(
            "BYYEARDAY={}",
            some(dice, 8, |dice| either_end(dice, 366))
        ));
    }
    if frequency != "WEEKLY" && dice.random_bool(0.35) {
        parts.push(format!(
            "BYMONTHDAY={}",
            some(dice, 6, |dice| either_end(dice, 31))
        ));
    }
    if by_week || dice.random_bool(0.5) {
        let numbered = match frequency {
            "MONTHLY" if !by_week => 5,
            "YEARLY" if !by_week => 52,
            _ => 0,
        };
        let days = some(dice, 4, |dice| {
            let day = WEEKDAYS[dice.random_range(0..7)];
            if numbered == 0 || dice.random_bool(0.4) {
                return day.to_owned();
            }
            // A month is not counted five from its end here.
            let most = if dice.random_bool(0.7) {
                numbered.min(5)
            } else {
                numbered
            };
            let nth = either_end(dice, most);
            let nth = if nth == -5 && frequency == "MONTHLY" {
                -1
            } else {
                nth
            };
            format!("{nth}{day}")
        });
        parts.push(format!("BYDAY={days}"));
    }
    if parts.len() > n_before && !by_week && dice.random_bool(0.3) {
        let most = match frequency {
            "DAILY" => 1,
            "WEEKLY" => 3,
            _ => 8,
        };
        parts.push(format!(
            "BYSETPOS={}",
            some(dice, 2, |dice| either_end(dice, most))
        ));
    }
    if dice.random_bool(0.3) {
        parts.push(format!("WKST={}", WEEKDAYS[dice.random_range(0..7)]));
    }
    parts.join(";")
}

fn either_end(dice: &mut ChaCha8Rng, most: i32) -> i32 {
    let at = dice.random_range(1..=most);
    if dice.random_bool(0.4) { -at } else { at }
}

fn some<T: ToString>(
    dice: &mut ChaCha8Rng,
    most: usize,
    mut draw: impl FnMut(&mut ChaCha8Rng) -> T,
) -> String {
    let n_values = dice.random_range(1..=most);
    let values: Vec<String> = (0..n_values).map(|_| draw(dice).to_string()).collect();
    values.join(",")
}

fn kind(why: &NotARecurrence) -> String {
    let whole = format!("{why:?}");
    whole
        .split([' ', '{'])
        .next()
        .unwrap_or_default()
        .to_owned()
}
