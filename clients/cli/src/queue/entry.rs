//! One entry of the queue: what is to be sent, when and by whom it was entered, and what became of it.

use jiff::Timestamp;
use ringtrue_proto::v1::Question;
use ringtrue_remote::Failure;
use serde_json::{Value, json};

use super::act::{Act, Answer};
use crate::failure::{self, Stop};

/// Where an entry stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum State {
    /// It waits to be sent.
    Waiting,
    /// It needs somebody: it stays until it is settled or dropped.
    NeedsYou,
    /// It is on record.
    Sent,
    /// Somebody dropped it, with a reason.
    Dropped,
}

/// States as the file keeps them; never renamed.
const STATES: [(State, &str); 4] = [
    (State::Waiting, "waiting"),
    (State::NeedsYou, "needs-you"),
    (State::Sent, "sent"),
    (State::Dropped, "dropped"),
];

impl State {
    /// The word of the file.
    pub(crate) fn word(self) -> &'static str {
        let mut found = STATES[0].1;
        for (state, word) in STATES {
            if state == self {
                found = word;
            }
        }
        found
    }

    /// Reads the word of the file.
    pub(crate) fn read(word: &str) -> Option<Self> {
        let found = STATES.iter().find(|(_, known)| *known == word);
        found.map(|(state, _)| *state)
    }
}

/// What an entry is before it has a number.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct New {
    /// What is to be sent.
    pub(crate) act: Act,
    /// Staff code of who entered it.
    pub(crate) entered_by: String,
    /// When, by this computer's clock.
    pub(crate) entered_at: Timestamp,
    /// By how much that clock was ahead of the server's, s, as last known; negative when it was behind.
    pub(crate) clock_ahead_s: Option<i64>,
    /// Setpoint that the programme was believed to have, °C.
    pub(crate) believed_setpoint_c: Option<f64>,
    /// Setpoint from this reading alone that was shown, °C.
    pub(crate) provisional_c: Option<f64>,
}

/// One entry.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Entry {
    /// Its number on this computer; order of entry, whatever the clock said.
    pub(crate) number: i64,
    /// What it was entered as.
    pub(crate) new: New,
    /// Where it stands.
    pub(crate) state: State,
    /// Whether it was ever on its way.
    pub(crate) was_tried: bool,
    /// Why it needs somebody, or why it was not taken last.
    pub(crate) obstacle: Option<Obstacle>,
    /// What the server answered.
    pub(crate) answer: Option<Answer>,
    /// When it was sent or dropped, by this computer's clock.
    pub(crate) ended_at: Option<Timestamp>,
    /// By how much the clock was ahead when it was sent, s.
    pub(crate) clock_ahead_sent_s: Option<i64>,
    /// Why and by whom it was dropped, or how it was settled.
    pub(crate) ended_why: String,
}

/// What is in an entry's way.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Obstacle {
    /// Stable reason: the server's, or one of this program's.
    pub(crate) reason: String,
    /// The words for people, a line each.
    pub(crate) lines: Vec<String>,
    /// Open questions: code, field, text, suggestion.
    pub(crate) questions: Vec<Question>,
    /// Whether the next sending tries again by itself, as when access was taken away and given back.
    pub(crate) by_itself: bool,
}

/// Reason when a programme's setpoint is not what it was believed to be.
pub(crate) const SETPOINT_CHANGED: &str = "SETPOINT_CHANGED_MEANWHILE";
/// Reason when a moment would lie in the future but for a clock that is ahead.
pub(crate) const CLOCK_AHEAD: &str = "CLOCK_AHEAD";

impl Obstacle {
    /// An obstacle found on this side.
    pub(crate) fn here(reason: &str, line: String) -> Self {
        Obstacle {
            reason: reason.to_owned(),
            lines: vec![line],
            ..Obstacle::default()
        }
    }

    /// The server's words.
    pub(crate) fn of(failure: &Failure, endpoint: &str) -> Self {
        let questions = failure::open_questions(failure).unwrap_or_default();
        let mut lines = Vec::new();
        if questions.is_empty() {
            let stop = Stop::from(Box::new(failure.clone()));
            lines = stop.lines(endpoint);
        }
        for question in &questions {
            lines.push(question.text.clone());
        }
        Obstacle {
            reason: failure.reason.clone(),
            lines,
            questions,
            by_itself: false,
        }
    }

    /// The obstacle as the file keeps it.
    pub(crate) fn text(&self) -> String {
        let mut questions = Vec::new();
        for question in &self.questions {
            questions.push(json!({
                "code": question.code,
                "field": question.field,
                "text": question.text,
                "suggestion": question.suggestion,
            }));
        }
        json!({
            "reason": self.reason,
            "lines": self.lines,
            "questions": questions,
            "byItself": self.by_itself,
        })
        .to_string()
    }

    /// Reads it back.
    pub(crate) fn read(text: &str) -> Self {
        let value: Value = serde_json::from_str(text).unwrap_or_default();
        let string = |value: &Value| value.as_str().unwrap_or_default().to_owned();
        let list = |value: &Value| value.as_array().cloned().unwrap_or_default();
        let mut questions = Vec::new();
        for question in list(&value["questions"]) {
            questions.push(Question {
                code: string(&question["code"]),
                field: string(&question["field"]),
                text: string(&question["text"]),
                suggestion: question["suggestion"].as_f64(),
                answered: false,
            });
        }
        Obstacle {
            reason: string(&value["reason"]),
            lines: list(&value["lines"]).iter().map(string).collect(),
            questions,
            by_itself: value["byItself"].as_bool().unwrap_or_default(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_obstacle_and_a_state_are_read_back_as_they_were_kept() {
        let obstacle = Obstacle {
            reason: "OPEN_QUESTIONS".to_owned(),
            lines: vec!["Did you read 19.47 mm?".to_owned()],
            questions: vec![Question {
                code: "DIGITS_SWAPPED".to_owned(),
                field: "reading.rings.rings[0].diameters_mm[0]".to_owned(),
                text: "Did you read 19.47 mm?".to_owned(),
                suggestion: Some(19.47),
                answered: false,
            }],
            by_itself: true,
        };
        assert_eq!(Obstacle::read(&obstacle.text()), obstacle);
        assert_eq!(Obstacle::read("no JSON"), Obstacle::default());
        for (state, word) in STATES {
            assert_eq!((state.word(), State::read(word)), (word, Some(state)));
        }
        assert_eq!(State::read("lost"), None);
    }
}
