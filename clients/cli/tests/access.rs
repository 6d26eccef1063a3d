//! Enrolling, profiles and credentials, through the door of the program: arguments and answers in, words, files and
//! exit code out.

#![cfg(unix)]

mod computer;
mod gatehouse;
mod giving;
mod in_process;

use computer::{Computer, Script, mode, set_mode};
use gatehouse::{BENCH, CODE, Gatehouse, Trouble};
use in_process::run;
use ringtrue::exit;

#[test]
fn an_enrolment_leaves_a_token_that_only_its_owner_may_read_and_every_call_sends() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    let outcome = computer.enrolled(server);
    for words in ["bench in the firing room", "technician", "porto"] {
        assert!(outcome.out.contains(words), "{words} in\n{}", outcome.out);
    }
    assert!(
        outcome.err.contains("Profile local is in use."),
        "{}",
        outcome.err
    );
    assert_eq!(computer.files(), ["profile.toml", "token"]);
    for (path, expected) in [
        (computer.file("token"), 0o600),
        (computer.file("profile.toml"), 0o600),
        (computer.file(""), 0o700),
    ] {
        assert_eq!(mode(&path), expected, "{}", path.display());
    }
    let token = computer.token();
    assert!(gatehouse.takes(&token));
    // Neither the token nor the code is shown.
    for secret in [token.as_str(), CODE] {
        assert!(!outcome.out.contains(secret) && !outcome.err.contains(secret));
    }
    let who = computer.said(&["whoami"]);
    assert_eq!(who.code, exit::DONE, "{}", who.err);
    for words in [
        "not encrypted; it stays on this computer",
        "the token of profile local",
        "read, record",
        "Tuesday 23 November 2027 08:12 WET",
    ] {
        assert!(who.out.contains(words), "{words} in\n{}", who.out);
    }
    assert_eq!(gatehouse.proofs().last(), Some(&format!("Bearer {token}")));
}

#[test]
fn without_a_profile_nothing_is_proved_and_nothing_is_kept() {
    let gatehouse = Gatehouse::default();
    let outcome = run(gatehouse.serve(), 100, &["site", "list"], None);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert_eq!(gatehouse.proofs(), [""]);
}

#[test]
fn a_code_is_asked_for_and_never_shown() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    let mut script = Script::of(&["7k3m", "7k3m q9xw 2b4d"]);
    let line = ["enrol", &format!("http://{server}")];
    let outcome = computer.talked(&line, &mut script);
    assert_eq!(outcome.code, exit::DONE, "{}", outcome.err);
    assert_eq!(script.asked, ["Code", "Code"]);
    assert!(
        outcome.err.contains("12 letters and digits"),
        "{}",
        outcome.err
    );
    let nobody = Computer::new().said(&line);
    assert_eq!(nobody.code, exit::USAGE);
    assert!(nobody.err.contains("--code is missing"), "{}", nobody.err);
}

#[test]
fn an_enrolment_whose_answer_was_lost_is_finished_by_the_same_command() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    let endpoint = format!("http://{server}");
    let line = ["enrol", &endpoint, "--code", CODE];
    gatehouse.trouble(Some(Trouble::AnswerLost));
    let lost = computer.said(&line);
    assert_eq!(lost.code, exit::UNREACHABLE, "{}", lost.err);
    assert!(
        lost.err.contains("Repeat the command with the same code"),
        "{}",
        lost.err
    );
    let [pending] = &computer.files()[..] else {
        panic!("one file is kept: {:?}", computer.files());
    };
    assert_eq!(mode(&computer.file(pending)), 0o600);
    let list = computer.said(&["profile", "list"]);
    assert!(list.out.contains("enrolment not finished"), "{}", list.out);

    gatehouse.trouble(None);
    // A slip in between does not cost the secret.
    let slip = computer.said(&["enrol", &endpoint, "--code", "7K3M-Q9XW-2B4E"]);
    assert_eq!(slip.code, exit::NOT_ALLOWED);
    assert!(
        slip.err.contains("This code cannot be used"),
        "{}",
        slip.err
    );
    assert!(!slip.err.contains("has no credential"), "{}", slip.err);
    let done = computer.said(&line);
    assert_eq!(done.code, exit::DONE, "{}", done.err);
    let digests = gatehouse.digests();
    assert_eq!(
        digests.first(),
        digests.last(),
        "the same secret was sent again"
    );
    assert_eq!(computer.files(), ["profile.toml", "token"]);
    assert!(gatehouse.takes(&computer.token()));
}

#[test]
fn a_crash_after_the_token_was_stored_is_mended_by_the_same_command() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    let endpoint = format!("http://{server}");
    let line = ["enrol", &endpoint, "--code", CODE];
    gatehouse.trouble(Some(Trouble::AnswerLost));
    assert_eq!(computer.said(&line).code, exit::UNREACHABLE);
    let pending = computer.files()[0].clone();
    let begun = std::fs::read(computer.file(&pending)).expect("it is ours");
    gatehouse.trouble(None);
    assert_eq!(computer.said(&line).code, exit::DONE);
    let token = computer.token();
    // As if the program had ended just before it forgot what it had begun.
    std::fs::write(computer.file(&pending), begun).expect("written");
    set_mode(&computer.file(&pending), 0o600);
    let again = computer.said(&line);
    assert_eq!(again.code, exit::DONE, "{}", again.err);
    assert_eq!(computer.token(), token);
    assert_eq!(computer.files(), ["profile.toml", "token"]);
}

#[test]
fn a_refused_code_leaves_nothing_behind() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    let line = [
        "enrol",
        &format!("http://{server}"),
        "--code",
        "0000-0000-0000",
    ];
    let refused = computer.said(&line);
    assert_eq!(refused.code, exit::NOT_ALLOWED);
    assert_eq!(computer.files(), Vec::<String>::new());
    assert!(!computer.file("").exists());
}

#[test]
fn a_credential_is_not_replaced_unasked() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    computer.enrolled(server);
    let token = computer.token();
    let endpoint = format!("http://{server}");
    let line = ["enrol", &endpoint, "--code", CODE];
    let refused = computer.said(&line);
    assert_eq!(refused.code, exit::REFUSED);
    assert!(refused.err.contains("--replace"), "{}", refused.err);
    let left = computer.talked(&line, &mut Script::of(&["n"]));
    assert_eq!(left.code, exit::OTHER);
    assert_eq!(computer.token(), token);
    // This code was used; what counts here is that it is tried.
    let tried = computer.said(&["enrol", &endpoint, "--code", CODE, "--replace"]);
    assert_eq!(tried.code, exit::NOT_ALLOWED);
    assert_eq!(computer.token(), token, "a refusal costs nothing");
}

#[test]
fn a_token_that_others_could_read_is_not_sent_and_the_command_that_mends_it_is_named() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    computer.enrolled(server);
    let token = computer.file("token");
    let calls = gatehouse.proofs().len();
    set_mode(&token, 0o644);
    let refused = computer.said(&["whoami"]);
    assert_eq!(refused.code, exit::REFUSED);
    let chmod = format!("chmod 600 '{}'", token.display());
    assert!(
        refused.err.replace('\n', " ").contains(&chmod),
        "{}",
        refused.err
    );
    set_mode(&token, 0o600);

    let elsewhere = computer.home.path().join("elsewhere");
    std::fs::rename(&token, &elsewhere).expect("moved");
    std::os::unix::fs::symlink(&elsewhere, &token).expect("linked");
    let refused = computer.said(&["whoami"]);
    assert_eq!(refused.code, exit::REFUSED);
    assert!(refused.err.contains("symbolic link"), "{}", refused.err);
    std::fs::rename(&elsewhere, &token).expect("moved back");

    set_mode(&computer.file(""), 0o770);
    let refused = computer.said(&["whoami"]);
    assert_eq!(refused.code, exit::REFUSED);
    assert!(refused.err.contains("chmod 700"), "{}", refused.err);
    set_mode(&computer.file(""), 0o700);
    assert_eq!(
        gatehouse.proofs().len(),
        calls,
        "nothing was sent meanwhile"
    );
    assert_eq!(computer.said(&["whoami"]).code, exit::DONE);
}

#[test]
fn a_stored_token_never_goes_to_another_server() {
    let (gatehouse, other) = (Gatehouse::default(), Gatehouse::default());
    let (server, elsewhere) = (gatehouse.serve(), other.serve());
    let computer = Computer::new();
    computer.enrolled(server);
    let address = format!("http://{elsewhere}");
    let calls = gatehouse.proofs().len();
    let named = computer.said(&["whoami", "--endpoint", &address]);
    assert_eq!(named.code, exit::NOT_ALLOWED);
    let words = named.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains("Profile local is for another server; its credential was not sent."),
        "{words}"
    );
    let meant = computer
        .with("RINGTRUE_ENDPOINT", &address)
        .said(&["whoami"]);
    assert_eq!(meant.code, exit::NOT_ALLOWED);
    assert_eq!(other.proofs(), ["", ""]);
    let both = computer.said(&["whoami", "--endpoint", &address, "--profile", "local"]);
    assert_eq!(both.code, exit::USAGE);
    assert_eq!(other.proofs().len(), 2, "nothing was sent");
    // Its own server written otherwise is still its own.
    let own = computer.said(&["whoami", "--endpoint", &format!("HTTP://{server}/")]);
    assert_eq!(own.code, exit::DONE, "{}", own.err);
    let proofs = gatehouse.proofs();
    assert!(
        proofs[calls..]
            .iter()
            .all(|proof| proof.starts_with("Bearer rt1."))
    );
    // Nor by moving the profile to a server that proves nothing.
    let moved = computer.said(&["profile", "set", "--endpoint", &address]);
    assert_eq!(moved.code, exit::REFUSED);
    assert!(moved.err.contains("Enrol there"), "{}", moved.err);
}

#[test]
fn a_programs_token_goes_before_the_stored_one_and_is_never_shown_or_sent_in_the_open() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    computer.enrolled(server);
    let own = format!("rt1.{}.{}A", "b".repeat(32), "s".repeat(42));
    let program = computer.with("RINGTRUE_TOKEN", &own);
    let outcome = program.said(&["whoami"]);
    assert_eq!(
        outcome.code,
        exit::NOT_ALLOWED,
        "the server does not know it"
    );
    assert_eq!(gatehouse.proofs().last(), Some(&format!("Bearer {own}")));
    assert!(outcome.err.contains("RINGTRUE_TOKEN"), "{}", outcome.err);
    assert!(!outcome.err.contains("sssss"), "{}", outcome.err);

    let open = program.said(&["whoami", "--endpoint", "http://ringtrue.example:7145"]);
    assert_eq!(open.code, exit::REFUSED);
    assert!(open.err.contains("not encrypted"), "{}", open.err);
    assert!(!open.err.contains("sssss"), "{}", open.err);
    let odd = computer
        .with("RINGTRUE_TOKEN", "my-secret-words")
        .said(&["whoami"]);
    assert_eq!(odd.code, exit::USAGE);
    assert!(!odd.err.contains("my-secret-words"), "{}", odd.err);
}

#[test]
fn a_credential_that_is_not_taken_is_7_with_the_way_to_a_new_one() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    computer.enrolled(server);
    let refused = computer.said(&["credential", "list"]);
    assert_eq!(refused.code, exit::NOT_ALLOWED);
    assert!(
        refused
            .err
            .contains("`ringtrue whoami` tells what you may do"),
        "{}",
        refused.err
    );
    gatehouse.revoke_all();
    let revoked = computer.said(&["whoami"]);
    assert_eq!(revoked.code, exit::NOT_ALLOWED);
    let enrol = format!("ringtrue enrol http://{server} --profile local");
    assert!(revoked.err.contains(&enrol), "{}", revoked.err);
    let json = computer.said(&["whoami", "--json"]);
    let value: serde_json::Value = serde_json::from_str(&json.err).expect("JSON");
    assert_eq!(value["error"]["code"], "UNAUTHENTICATED");
    let next = value["error"]["nextStep"].as_str().unwrap_or_default();
    assert!(next.contains(&enrol), "{next}");
}

#[test]
fn a_credential_that_ends_soon_is_spoken_of_by_every_command_but_to_programs() {
    let gatehouse = Gatehouse::default();
    let server = gatehouse.serve();
    let computer = Computer::new();
    computer.enrolled(server);
    let quiet = computer.said(&["site", "list"]);
    assert!(!quiet.err.contains("ends"), "{}", quiet.err);
    let facts = computer.file("profile.toml");
    let text = std::fs::read_to_string(&facts).expect("facts");
    // A week from now.
    let sooner = text.replace("2027-11-23", "2026-11-30");
    assert_ne!(sooner, text);
    std::fs::write(&facts, &sooner).expect("written");
    let told = computer.said(&["site", "list"]);
    let words =
        "Your credential ends Mon 2026-11-30 08:12 UTC. `ringtrue credential rotate` renews it.";
    assert!(told.err.contains(words), "{}", told.err);
    assert_eq!(computer.said(&["site", "list", "--json"]).err, "");
    // The server knows better, and what it says is noted.
    assert_eq!(computer.said(&["whoami"]).code, exit::DONE);
    let text = std::fs::read_to_string(&facts).expect("facts");
    assert!(text.contains("2027-11-23"), "{text}");
}

#[test]
fn profiles_are_listed_chosen_set_and_removed() {
    let (gatehouse, other) = (Gatehouse::default(), Gatehouse::default());
    let (server, elsewhere) = (gatehouse.serve(), other.serve());
    let computer = Computer::new();
    assert!(
        computer
            .said(&["profile", "list"])
            .err
            .contains("no profiles yet")
    );
    computer.enrolled(server);
    let second = format!("http://{elsewhere}");
    let clash = computer.said(&["enrol", &second, "--code", CODE]);
    assert_eq!(clash.code, exit::USAGE);
    assert!(clash.err.contains("--profile NAME"), "{}", clash.err);
    let enrolled = computer.said(&["enrol", &second, "--code", CODE, "--profile", "lima"]);
    assert_eq!(enrolled.code, exit::DONE, "{}", enrolled.err);
    assert!(
        enrolled
            .err
            .contains("Profile local is still the one in use"),
        "{}",
        enrolled.err
    );
    let listed = computer.said(&["profile", "list"]).out;
    assert!(
        listed.contains("in use") && listed.contains("Tue 2027-11-23"),
        "{listed}"
    );

    assert_eq!(computer.said(&["profile", "use", "lima"]).code, exit::DONE);
    assert_eq!(computer.said(&["whoami"]).code, exit::DONE);
    assert!(other.proofs().last().is_some_and(|proof| !proof.is_empty()));
    let json = computer.said(&["profile", "list", "--json"]).out;
    let value: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!(value["profiles"][0]["name"], "lima");
    assert_eq!(value["profiles"][0]["current"], true);
    assert_eq!(value["profiles"][1]["credential"], BENCH);
    assert!(!json.contains("rt1."), "{json}");

    let set = computer.said(&[
        "profile",
        "set",
        "lima",
        "--site",
        "lima",
        "--operator",
        "cd",
    ]);
    assert_eq!(set.code, exit::DONE, "{}", set.err);
    let facts = computer
        .home
        .path()
        .join("profiles")
        .join("lima")
        .join("profile.toml");
    let facts = std::fs::read_to_string(facts).expect("facts");
    assert!(
        facts.contains("site = \"lima\"") && facts.contains("operator = \"cd\""),
        "{facts}"
    );
    assert_eq!(computer.said(&["profile", "set", "lima"]).code, exit::USAGE);
    assert_eq!(
        computer.said(&["profile", "use", "none"]).code,
        exit::NOT_FOUND
    );
    assert_eq!(
        computer.said(&["profile", "use", "../lima"]).code,
        exit::USAGE
    );

    assert_eq!(
        computer.said(&["profile", "remove", "lima"]).code,
        exit::USAGE
    );
    let left = computer.talked(&["profile", "remove", "lima"], &mut Script::of(&["n"]));
    assert_eq!(left.code, exit::OTHER);
    let removed = computer.talked(&["profile", "remove", "lima"], &mut Script::of(&["y"]));
    assert_eq!(removed.code, exit::DONE, "{}", removed.err);
    assert!(
        removed.err.contains("until it is revoked"),
        "{}",
        removed.err
    );
    assert!(!computer.home.path().join("profiles").join("lima").exists());
    // Nothing is in use now, and nothing is proved.
    assert_eq!(
        computer.said(&["whoami", "--endpoint", &second]).code,
        exit::NOT_ALLOWED
    );
}
