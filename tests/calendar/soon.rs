//! Recurrence rules made to be looked for long are answered soon.

use std::time::{Duration, Instant};

use jiff::civil::{Date, date};
use ringtrue_fleet::recurrence::Recurrence;

/// Longest that one question may take in a program built for debugging, on a busy machine. The slowest takes a
/// twentieth of it; built for release, 3 ms.
const PATIENCE: Duration = Duration::from_millis(500);

/// Asks, and gives the answer when it came in time.
fn soon<T>(what: &str, ask: impl Fn() -> T) -> T {
    // A machine that was busy with something else may be asked again.
    let mut longest = Duration::ZERO;
    for _ in 0..3 {
        let start = Instant::now();
        let answer = ask();
        if start.elapsed() < PATIENCE {
            return answer;
        }
        longest = longest.max(start.elapsed());
    }
    panic!("{what}: {longest:?}");
}

#[test]
fn rules_that_never_come_round_are_refused_soon() {
    let positions: Vec<String> = (300..330).map(|at| at.to_string()).collect();
    let positions = format!("FREQ=YEARLY;BYDAY=MO;BYSETPOS={}", positions.join(","));
    let never = [
        "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30",
        "FREQ=DAILY;INTERVAL=7;BYDAY=TU;COUNT=9999",
        "FREQ=MONTHLY;BYMONTHDAY=31;BYMONTH=2,4,6,9,11",
        "FREQ=MONTHLY;BYDAY=MO;BYSETPOS=6",
        "FREQ=YEARLY;BYWEEKNO=1,2,3;BYDAY=MO;BYMONTH=11",
        "FREQ=YEARLY;BYDAY=MO,1TU,TU,WE,TH,FR,SA,SU;BYMONTH=2;BYMONTHDAY=30",
        positions.as_str(),
    ];
    let monday = date(1900, 1, 1);
    for text in never {
        let refused = soon(text, || Recurrence::parse(text, monday)).expect_err(text);
        assert!(
            refused.to_string().contains("no day in the"),
            "{text}: {refused}"
        );
    }
}

#[test]
fn rules_that_rarely_come_round_are_expanded_soon() {
    // A rule, the day on which it is right, and the day from which it hardly ever comes or never.
    let rare = [
        (
            "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=29;BYDAY=MO;COUNT=9999",
            date(2040, 1, 1),
            date(1900, 1, 1),
        ),
        ("FREQ=DAILY;COUNT=9999", date(1900, 1, 1), date(1900, 1, 1)),
        (
            "FREQ=DAILY;INTERVAL=7;BYDAY=TU",
            date(1901, 1, 1),
            date(1900, 1, 1),
        ),
        (
            "FREQ=WEEKLY;INTERVAL=521;BYMONTH=2;COUNT=9",
            date(1901, 2, 1),
            date(1900, 6, 1),
        ),
        (
            "FREQ=MONTHLY;INTERVAL=12;BYMONTH=2;BYMONTHDAY=29",
            date(1904, 2, 1),
            date(1900, 1, 1),
        ),
        (
            "FREQ=MONTHLY;BYMONTHDAY=28,29,30,31;BYSETPOS=-1",
            date(1900, 1, 1),
            date(1900, 1, 1),
        ),
        (
            "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29",
            date(1904, 1, 1),
            date(1900, 1, 1),
        ),
    ];
    for (text, starts_on, from) in rare {
        let parsed = soon(text, || Recurrence::parse(text, starts_on));
        let recurrence = parsed.expect(text).starting_on(from);
        let last_years = soon(text, || {
            recurrence.between(date(2290, 1, 1), Date::MAX, usize::MAX)
        });
        assert!(last_years.len() <= 3653, "{text}: {}", last_years.len());
        let next = soon(text, || recurrence.first_after(date(2026, 11, 25)));
        assert!(
            next.is_none_or(|next| next > date(2026, 11, 25)),
            "{text}: {next:?}"
        );
        let gap = soon(text, || recurrence.longest_gap_days());
        assert!(gap.is_none_or(|days| days > 0), "{text}: {gap:?}");
    }
}
