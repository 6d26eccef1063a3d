//! Why a command ended without doing what was asked: the words for people, the JSON for programs and
//! the exit code.

use ringtrue_proto::v1::Question;
use ringtrue_remote::{Code, Failure, Unusable};

use crate::term::Left;

/// Exit codes, the same for every command.
pub mod exit {
    /// Done.
    pub const DONE: u8 = 0;
    /// Something else went wrong; also when the person left without recording.
    pub const OTHER: u8 = 1;
    /// The command line is not understood or lacks something.
    pub const USAGE: u8 = 2;
    /// Refused: bad values, or the state of things forbids it.
    pub const REFUSED: u8 = 3;
    /// There are open questions to answer with `--confirm`.
    pub const QUESTIONS: u8 = 4;
    /// Not found.
    pub const NOT_FOUND: u8 = 5;
    /// Exists already, or somebody else changed it meanwhile.
    pub const CONFLICT: u8 = 6;
    /// Not allowed.
    pub const NOT_ALLOWED: u8 = 7;
    /// No server answered in time.
    pub const UNREACHABLE: u8 = 8;
    /// Asked whether a furnace may be used: only with the restrictions named.
    pub const RESTRICTED: u8 = 9;
    /// Asked whether a furnace may be used: not for patients' work.
    pub const UNFIT: u8 = 10;
    /// Kept in the queue of this computer: not recorded yet; after `queue send`, something still waits there.
    pub const QUEUED: u8 = 11;
}

/// Why a command ended early.
#[derive(Debug)]
pub(crate) enum Stop {
    /// The command line lacks something or says something impossible.
    Usage(String),
    /// The server refused, or did not answer.
    Failed {
        /// What came back.
        failure: Box<Failure>,
        /// The request id of a change, with which it can be repeated safely.
        request_id: Option<String>,
    },
    /// Values that look wrong and are not confirmed.
    Asked(Vec<Question>),
    /// Refused on this side.
    Refused(String),
    /// Not there.
    Missing(String),
    /// The person left; nothing was changed.
    Left,
    /// The reader of the output went away.
    Unread,
    /// Answered in full already; only the exit code is left to say.
    Answered(u8),
    /// Anything else.
    Broken(String),
}

impl From<Box<Failure>> for Stop {
    fn from(failure: Box<Failure>) -> Self {
        Stop::Failed {
            failure,
            request_id: None,
        }
    }
}

impl From<Left> for Stop {
    fn from(_: Left) -> Self {
        Stop::Left
    }
}

impl From<Unusable> for Stop {
    fn from(unusable: Unusable) -> Self {
        Stop::Usage(unusable.to_string())
    }
}

impl From<std::io::Error> for Stop {
    fn from(error: std::io::Error) -> Self {
        if error.kind() == std::io::ErrorKind::BrokenPipe {
            Stop::Unread
        } else {
            Stop::Broken(format!("the output cannot be written: {error}"))
        }
    }
}

impl Stop {
    /// Takes the failure of a change, with the id that makes a repeat safe. A refusal over open
    /// questions becomes those questions.
    pub(crate) fn of_change(failure: Box<Failure>, request_id: &str) -> Self {
        match open_questions(&failure) {
            Some(questions) => Stop::Asked(questions),
            None => Stop::Failed {
                failure,
                request_id: Some(request_id.to_owned()),
            },
        }
    }

    /// Gives the exit code.
    pub(crate) fn code(&self) -> u8 {
        match self {
            Stop::Usage(_) => exit::USAGE,
            Stop::Failed { failure, .. } => code_of(failure.code),
            Stop::Asked(_) => exit::QUESTIONS,
            Stop::Refused(_) => exit::REFUSED,
            Stop::Missing(_) => exit::NOT_FOUND,
            Stop::Unread => exit::DONE,
            Stop::Answered(code) => *code,
            Stop::Left | Stop::Broken(_) => exit::OTHER,
        }
    }

    /// Gives the lines for a person.
    pub(crate) fn lines(&self, endpoint: &str) -> Vec<String> {
        match self {
            Stop::Usage(text) | Stop::Refused(text) | Stop::Missing(text) | Stop::Broken(text) => {
                vec![text.clone()]
            }
            Stop::Failed {
                failure,
                request_id,
            } => failed(failure, request_id.as_deref(), endpoint),
            Stop::Asked(questions) => asked(questions),
            Stop::Left => vec!["Stopped. Nothing was changed.".to_owned()],
            Stop::Unread | Stop::Answered(_) => Vec::new(),
        }
    }

    /// What came back from the server; none where it was not asked.
    pub(crate) fn failure(&self) -> Option<&Failure> {
        match self {
            Stop::Failed { failure, .. } => Some(failure),
            _ => None,
        }
    }

    /// Gives the same for a program, with what to do next where there is advice.
    pub(crate) fn json(&self, endpoint: &str, advice: Option<&str>) -> String {
        if let Stop::Unread | Stop::Answered(_) = self {
            return String::new();
        }
        let mut object = serde_json::json!({
            "exitCode": self.code(),
            "message": self.lines(endpoint).join("\n"),
        });
        match self {
            Stop::Failed {
                failure,
                request_id,
            } => {
                object["code"] = code_name(failure.code).into();
                object["reason"] = failure.reason.clone().into();
                object["message"] = failure.message.clone().into();
                object["metadata"] = serde_json::json!(failure.metadata);
                let mut violations = Vec::new();
                for violation in &failure.violations {
                    violations.push(serde_json::json!({
                        "field": violation.field,
                        "description": violation.description,
                    }));
                }
                object["fieldViolations"] = violations.into();
                let mut preconditions = Vec::new();
                for precondition in &failure.preconditions {
                    preconditions.push(serde_json::json!({
                        "type": precondition.kind,
                        "subject": precondition.subject,
                        "description": precondition.description,
                    }));
                }
                object["preconditions"] = preconditions.into();
                if let Some(resource) = &failure.resource {
                    object["resource"] = resource.clone().into();
                }
                if let Some(request_id) = request_id {
                    object["requestId"] = request_id.clone().into();
                }
            }
            Stop::Asked(questions) => {
                object["reason"] = "OPEN_QUESTIONS".into();
                let mut open = Vec::new();
                for question in questions {
                    open.push(serde_json::json!({
                        "code": question.code,
                        "field": question.field,
                        "text": question.text,
                        "suggestion": question.suggestion,
                    }));
                }
                object["questions"] = open.into();
            }
            Stop::Usage(_) => object["reason"] = "USAGE".into(),
            Stop::Refused(_) => object["reason"] = "REFUSED".into(),
            Stop::Missing(_) => object["reason"] = "MISSING".into(),
            Stop::Left | Stop::Unread | Stop::Answered(_) | Stop::Broken(_) => {
                object["reason"] = "OTHER".into();
            }
        }
        if let Some(advice) = advice {
            object["nextStep"] = advice.into();
        }
        serde_json::json!({ "error": object }).to_string()
    }
}

fn code_of(code: Code) -> u8 {
    match code {
        Code::Ok => exit::DONE,
        Code::InvalidArgument
        | Code::FailedPrecondition
        | Code::OutOfRange
        | Code::ResourceExhausted => exit::REFUSED,
        Code::NotFound => exit::NOT_FOUND,
        Code::AlreadyExists | Code::Aborted => exit::CONFLICT,
        Code::PermissionDenied | Code::Unauthenticated => exit::NOT_ALLOWED,
        Code::Unavailable | Code::DeadlineExceeded | Code::Cancelled => exit::UNREACHABLE,
        Code::Unknown | Code::Unimplemented | Code::Internal | Code::DataLoss => exit::OTHER,
    }
}

fn code_name(code: Code) -> &'static str {
    match code {
        Code::Ok => "OK",
        Code::Cancelled => "CANCELLED",
        Code::Unknown => "UNKNOWN",
        Code::InvalidArgument => "INVALID_ARGUMENT",
        Code::DeadlineExceeded => "DEADLINE_EXCEEDED",
        Code::NotFound => "NOT_FOUND",
        Code::AlreadyExists => "ALREADY_EXISTS",
        Code::PermissionDenied => "PERMISSION_DENIED",
        Code::ResourceExhausted => "RESOURCE_EXHAUSTED",
        Code::FailedPrecondition => "FAILED_PRECONDITION",
        Code::Aborted => "ABORTED",
        Code::OutOfRange => "OUT_OF_RANGE",
        Code::Unimplemented => "UNIMPLEMENTED",
        Code::Internal => "INTERNAL",
        Code::Unavailable => "UNAVAILABLE",
        Code::DataLoss => "DATA_LOSS",
        Code::Unauthenticated => "UNAUTHENTICATED",
    }
}

/// Gives the open questions of a refusal over them; none of another failure.
pub(crate) fn open_questions(failure: &Failure) -> Option<Vec<Question>> {
    if failure.code != Code::FailedPrecondition || !failure.reason.contains("QUESTION") {
        return None;
    }
    let mut questions = Vec::new();
    for precondition in &failure.preconditions {
        questions.push(Question {
            code: precondition.kind.clone(),
            field: precondition.subject.clone(),
            text: precondition.description.clone(),
            suggestion: None,
            answered: false,
        });
    }
    Some(questions)
}

fn failed(failure: &Failure, request_id: Option<&str>, endpoint: &str) -> Vec<String> {
    let mut lines = Vec::new();
    if failure.reason == "UNREACHABLE" {
        lines.push(format!(
            "No server answers at {endpoint}. Check that it runs and that the address is right \
             (--endpoint or RINGTRUE_ENDPOINT), then try again."
        ));
    } else if failure.code == Code::InvalidArgument && !failure.violations.is_empty() {
        // The message says the same as the violations, in the words of the protocol.
        lines.push("Refused; nothing was changed:".to_owned());
    } else {
        lines.push(sentence(&failure.message));
    }
    for violation in &failure.violations {
        lines.push(format!(
            "  {}: {}",
            spoken_field(&violation.field),
            violation.description
        ));
    }
    if let Some(left_out) = failure.metadata.get("left_out") {
        lines.push(format!("  and {left_out} more; correct these first"));
    }
    for precondition in &failure.preconditions {
        // One precondition alone is what the message says already.
        if !failure.message.contains(&precondition.description) {
            lines.push(format!("  {}", precondition.description));
        }
    }
    if let Some(request_id) = request_id.filter(|_| failure.leaves_doubt()) {
        lines.push(format!(
            "It is not certain whether this was recorded. Repeat the same command with \
             --request-id {request_id}; it is then recorded once."
        ));
    }
    lines
}

fn asked(questions: &[Question]) -> Vec<String> {
    let mut lines = vec!["Not recorded. These values look wrong:".to_owned()];
    for question in questions {
        let about = if question.field.is_empty() {
            String::new()
        } else {
            format!("{}: ", spoken_field(&question.field))
        };
        lines.push(format!("  {about}{}", question.text));
        lines.push(format!(
            "    If it is right as given, add --confirm {}; otherwise correct it.",
            question.code
        ));
    }
    lines
}

fn sentence(text: &str) -> String {
    let trimmed = text.trim();
    if trimmed.is_empty() {
        return "The server refused without saying why.".to_owned();
    }
    let mut letters = trimmed.chars();
    // A name stays as it is, or it could not be copied.
    let word = trimmed.split_whitespace().next().unwrap_or_default();
    let is_name = word.contains(['/', '_', '.']);
    let first: String = match letters.next() {
        Some(letter) if is_name => letter.to_string(),
        Some(letter) => letter.to_uppercase().collect(),
        None => String::new(),
    };
    let rest = letters.as_str();
    let end = if rest.ends_with(['.', '!', '?']) {
        ""
    } else {
        "."
    };
    format!("{first}{rest}{end}")
}

/// Says a field path in the words of the command line: `reading.rings.rings[0].diameters_mm[1]` is
/// `ring 1, diameter 2`.
pub(crate) fn spoken_field(path: &str) -> String {
    let mut words: Vec<String> = Vec::new();
    for part in path.split('.') {
        let (name, place) = match part.split_once('[') {
            Some((name, rest)) => (name, place(rest)),
            None => (part, None),
        };
        let spoken = match (name, place) {
            ("rings", Some(place)) => format!("ring {place}"),
            ("diameters_mm", Some(place)) => format!("diameter {place}"),
            ("diameters_mm", None) => "diameters".to_owned(),
            ("table_files", Some(place)) => format!("file {place}"),
            ("tables", Some(place)) => format!("table {place}"),
            ("entries", Some(place)) => format!("entry {place}"),
            ("segments", Some(place)) => format!("segment {place}"),
            ("measured_mm", Some(place)) => format!("value {place}"),
            ("fire_time", _) => "end of firing (--fired)".to_owned(),
            ("measure_time", _) => "time of measuring (--measured)".to_owned(),
            ("adjust_time" | "check_time" | "event_time" | "act_time", _) => {
                "time (--at)".to_owned()
            }
            ("deferred_until_date" | "until_time" | "until_date", _) => {
                "until (--until)".to_owned()
            }
            ("from_date", _) => "from (--from)".to_owned(),
            ("firings", None) => "firings (--firings)".to_owned(),
            ("hours_hot", _) => "hours (--hours)".to_owned(),
            ("rings_left", _) => "rings left (--left)".to_owned(),
            ("chamber_was_empty", _) => "chamber (--chamber-empty)".to_owned(),
            ("recurrence", _) => "dates of the rule".to_owned(),
            ("start_date", _) => "first day (--start)".to_owned(),
            ("firing_time", _) => "firing time (--firing-time)".to_owned(),
            ("quiet_from_time" | "quiet_until_time", _) => "quiet hours (--quiet)".to_owned(),
            ("closures", Some(place)) => format!("closure {place}"),
            ("ring_batch", _) => "batch".to_owned(),
            ("performed_by", _) => "who (--by)".to_owned(),
            (
                "reading" | "rings" | "thermocouple" | "adjustment" | "furnace" | "site"
                | "programme" | "gauge" | "check" | "event" | "act" | "rule" | "subscription"
                | "feed" | "content",
                None,
            ) if !path.ends_with(part) => continue,
            (name, place) => {
                let plain = name
                    .trim_end_matches("_c")
                    .trim_end_matches("_mm")
                    .trim_end_matches("_min")
                    .replace('_', " ");
                match place {
                    Some(place) => format!("{plain} {place}"),
                    None => plain,
                }
            }
        };
        // `reading.rings.rings` is the rings, said once.
        if words.last() != Some(&spoken) {
            words.push(spoken);
        }
    }
    if words.is_empty() {
        return path.to_owned();
    }
    words.join(", ")
}

/// Places are counted from 0 in paths and from 1 by people.
fn place(rest: &str) -> Option<usize> {
    let digits = rest.trim_end_matches(']');
    digits.parse::<usize>().ok()?.checked_add(1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use ringtrue_remote::{Precondition, Violation};
    use std::collections::BTreeMap;

    fn failure(code: Code, reason: &str) -> Box<Failure> {
        Box::new(Failure {
            code,
            reason: reason.to_owned(),
            message: "the batch is on hold".to_owned(),
            metadata: BTreeMap::new(),
            violations: Vec::new(),
            preconditions: Vec::new(),
            resource: None,
            retry_after: None,
        })
    }

    #[test]
    fn every_kind_of_failure_has_its_exit_code() {
        let code = |code| Stop::from(failure(code, "")).code();
        assert_eq!(code(Code::InvalidArgument), 3);
        assert_eq!(code(Code::FailedPrecondition), 3);
        assert_eq!(code(Code::NotFound), 5);
        assert_eq!(code(Code::AlreadyExists), 6);
        assert_eq!(code(Code::Aborted), 6);
        assert_eq!(code(Code::PermissionDenied), 7);
        assert_eq!(code(Code::Unauthenticated), 7);
        assert_eq!(code(Code::Unavailable), 8);
        let answered = Stop::Answered(exit::UNFIT);
        assert_eq!(answered.code(), 10);
        assert!(answered.lines("").is_empty() && answered.json("", None).is_empty());
        assert_eq!(code(Code::DeadlineExceeded), 8);
        assert_eq!(code(Code::Internal), 1);
        assert_eq!(Stop::Usage(String::new()).code(), 2);
        assert_eq!(Stop::Asked(Vec::new()).code(), 4);
        assert_eq!(Stop::Left.code(), 1);
    }

    #[test]
    fn open_questions_become_questions_with_the_way_to_confirm_them() {
        let mut refused = failure(Code::FailedPrecondition, "OPEN_QUESTIONS");
        refused.preconditions.push(Precondition {
            kind: "DIGITS_SWAPPED".to_owned(),
            subject: "reading.rings.rings[0].diameters_mm[1]".to_owned(),
            description: "Did you read 19.47 mm?".to_owned(),
        });
        let stop = Stop::of_change(refused, "id");
        assert_eq!(stop.code(), 4);
        let text = stop.lines("").join("\n");
        assert!(
            text.contains("ring 1, diameter 2: Did you read 19.47 mm?"),
            "{text}"
        );
        assert!(text.contains("--confirm DIGITS_SWAPPED"), "{text}");
    }

    #[test]
    fn a_lost_answer_tells_how_to_repeat_safely() {
        let stop = Stop::of_change(failure(Code::DeadlineExceeded, "DEADLINE"), "0198");
        let text = stop.lines("http://127.0.0.1:7145").join("\n");
        assert!(text.contains("--request-id 0198"), "{text}");
        let refused = Stop::of_change(failure(Code::NotFound, ""), "0198");
        assert!(!refused.lines("").join("\n").contains("--request-id"));
    }

    #[test]
    fn an_unreachable_server_is_named_with_its_address() {
        let stop = Stop::from(failure(Code::Unavailable, "UNREACHABLE"));
        let text = stop.lines("http://127.0.0.1:7145").join("\n");
        assert!(text.contains("http://127.0.0.1:7145"), "{text}");
        assert!(text.contains("--endpoint"), "{text}");
    }

    #[test]
    fn json_of_a_failure_has_code_reason_fields_and_exit_code() {
        let mut refused = failure(Code::InvalidArgument, "BAD_VALUES");
        refused.violations.push(Violation {
            field: "reading.setpoint_c".to_owned(),
            description: "Enter 900 to 1800 °C.".to_owned(),
        });
        let text = Stop::of_change(refused, "id").json("", None);
        let value: serde_json::Value = serde_json::from_str(&text).expect("valid JSON");
        assert_eq!(value["error"]["code"], "INVALID_ARGUMENT");
        assert_eq!(value["error"]["reason"], "BAD_VALUES");
        assert_eq!(value["error"]["exitCode"], 3);
        assert_eq!(
            value["error"]["fieldViolations"][0]["field"],
            "reading.setpoint_c"
        );
    }

    #[test]
    fn fields_are_said_in_the_words_of_the_command_line() {
        assert_eq!(
            spoken_field("reading.rings.rings[0].diameters_mm[1]"),
            "ring 1, diameter 2"
        );
        assert_eq!(spoken_field("reading.setpoint_c"), "setpoint");
        assert_eq!(spoken_field("reading.fire_time"), "end of firing (--fired)");
        assert_eq!(spoken_field("reading.rings"), "rings");
        assert_eq!(
            spoken_field("furnace.maximum_setpoint_c"),
            "maximum setpoint"
        );
        assert_eq!(spoken_field("table_files[1].content"), "file 2, content");
        assert_eq!(spoken_field(""), "");
    }
}
