//! Settings that cannot be used end the server at once, with the key and what to write instead.

use std::ffi::OsStr;
use std::os::unix::fs::PermissionsExt as _;

use ringtrue_tests::process::{command, server_ran, text};

use crate::laboratory::Folder;

/// EX_CONFIG of sysexits.h (BSD).
const CONFIG: Option<i32> = Some(78);

/// Writes a settings file and starts the server with it; gives exit code and words.
fn served_with(settings: &str) -> (Option<i32>, String) {
    let folder = Folder::new();
    let file = folder.path().join("server.toml");
    std::fs::write(&file, settings).expect("a settings file");
    let arguments = [
        OsStr::new("serve"),
        OsStr::new("--config"),
        file.as_os_str(),
    ];
    let output = server_ran(&arguments);
    assert!(output.stdout.is_empty(), "{}", text(&output.stdout));
    (output.status.code(), text(&output.stderr))
}

#[test]
fn an_unknown_key_is_named() {
    let (code, words) = served_with("lissten = \"127.0.0.1:0\"\n");
    assert_eq!(code, CONFIG, "{words}");
    assert!(words.contains("lissten"), "{words}");
    let (code, words) = served_with("[limits]\nin_flihgt = 3\n");
    assert_eq!(code, CONFIG, "{words}");
    assert!(words.contains("in_flihgt"), "{words}");
}

#[test]
fn listening_beyond_this_machine_is_refused_and_the_way_out_is_told() {
    for address in ["0.0.0.0:7145", "[::]:7145", "192.0.2.7:7145"] {
        let (code, words) = served_with(&format!("listen = \"{address}\"\n"));
        assert_eq!(code, CONFIG, "{words}");
        assert!(
            words.contains("listen") && words.contains(address),
            "{words}"
        );
        assert!(words.contains("127.0.0.1"), "{words}");
    }
    let arguments = ["serve", "--listen", "0.0.0.0:0"].map(OsStr::new);
    let output = server_ran(&arguments);
    assert_eq!(output.status.code(), CONFIG);
    assert!(
        text(&output.stderr).contains("without encryption"),
        "{}",
        text(&output.stderr)
    );
}

#[test]
fn all_faults_are_told_at_once() {
    let (code, words) =
        served_with("listen = \"0.0.0.0:1\"\ndrain_s = 99999\n[log]\nformat = \"xml\"\n");
    assert_eq!(code, CONFIG, "{words}");
    for key in ["listen", "drain_s", "log.format"] {
        assert!(words.contains(key), "{key} is not named: {words}");
    }
}

#[test]
fn a_settings_file_that_is_not_there_is_named() {
    let arguments = ["serve", "--config", "/nowhere/server.toml"].map(OsStr::new);
    let output = server_ran(&arguments);
    assert_eq!(output.status.code(), CONFIG);
    assert!(
        text(&output.stderr).contains("/nowhere/server.toml"),
        "{}",
        text(&output.stderr)
    );
}

#[test]
fn a_key_for_checkpoints_that_cannot_be_used_is_named_before_and_at_the_start() {
    let folder = Folder::new();
    let key = folder.path().join("audit.key");
    std::fs::write(&key, "no key").expect("written");
    std::fs::set_permissions(&key, std::fs::Permissions::from_mode(0o600)).expect("allowed");
    for (named, wanted) in [
        ("/nowhere/audit.key", "/nowhere/audit.key"),
        (key.to_str().expect("a path in UTF-8"), "audit-key --out"),
    ] {
        for verb in ["check-config", "serve"] {
            let output = command("ringtrue-server")
                .arg(verb)
                .arg("--database")
                .arg(folder.database())
                .env("RINGTRUE_SERVER__AUDIT__KEY", named)
                .output()
                .expect("the server's program starts");
            let words = text(&output.stderr);
            assert_eq!(output.status.code(), CONFIG, "{verb}: {words}");
            assert!(
                words.contains("audit.key") && words.contains(wanted),
                "{verb}: {words}"
            );
        }
    }
    assert!(!folder.database().exists(), "nothing was touched");
}

#[test]
fn a_misspelt_variable_is_named() {
    let output = command("ringtrue-server")
        .arg("check-config")
        .env("RINGTRUE_SERVER__LISSTEN", "127.0.0.1:0")
        .output()
        .expect("the server's program starts");
    assert_eq!(output.status.code(), CONFIG);
    let words = text(&output.stderr);
    assert!(words.to_lowercase().contains("lissten"), "{words}");
}

#[test]
fn the_settings_in_force_are_shown_with_flags_before_variables_before_the_file() {
    let folder = Folder::new();
    let file = folder.path().join("server.toml");
    std::fs::write(
        &file,
        "listen = \"127.0.0.1:1\"\ndatabase = \"of-file.db\"\ndrain_s = 3\n",
    )
    .expect("written");
    let output = command("ringtrue-server")
        .args(["check-config", "--listen", "127.0.0.1:3", "--config"])
        .arg(&file)
        .env("RINGTRUE_SERVER__LISTEN", "127.0.0.1:2")
        .env("RINGTRUE_SERVER__DATABASE", "of-variable.db")
        .output()
        .expect("the server's program starts");
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let shown = text(&output.stdout);
    for line in [
        "listen = \"127.0.0.1:3\"",
        "database = \"of-variable.db\"",
        "drain_s = 3",
    ] {
        assert!(shown.contains(line), "{line} is missing:\n{shown}");
    }
}

#[test]
fn a_command_that_is_none_is_a_usage_error() {
    // EX_USAGE of sysexits.h (BSD).
    let output = server_ran(&[OsStr::new("bake")]);
    assert_eq!(output.status.code(), Some(64));
    assert!(text(&output.stderr).contains("bake"));
}
