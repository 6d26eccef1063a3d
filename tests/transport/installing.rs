//! A first installation by the real program, and a server that runs on it.

use std::ffi::OsStr;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::Output;
use std::time::Duration;

use ringtrue_proto::v1::EnrolRequest;
use ringtrue_remote::{Identity, Pin, Remote, Secret, Settings, TokenSecret, presented_authority};
use ringtrue_tests::process::{Server, command, server_ran, text};
use serde_json::json;
use tempfile::TempDir;

use crate::papers::pinned;
use crate::reaching::called;
use crate::refusing::foreign;

/// An installation that a test made.
pub(crate) struct Installed {
    place: TempDir,
    /// What the program said.
    said: String,
}

fn ran(arguments: &[&str], folder: &Path) -> Output {
    let mut all: Vec<&OsStr> = arguments.iter().map(OsStr::new).collect();
    all.extend([OsStr::new("--folder"), folder.as_os_str()]);
    server_ran(&all)
}

impl Installed {
    pub(crate) fn new() -> Self {
        let place = tempfile::tempdir().expect("a folder");
        let arguments = [
            "setup",
            "--name",
            "ringtrue.example.org",
            "--name",
            "192.0.2.7",
            "--listen",
            "127.0.0.1:0",
            "--administrator",
            "ab-7",
        ];
        let output = ran(&arguments, &place.path().join("ringtrue"));
        assert!(output.status.success(), "{}", text(&output.stderr));
        let said = text(&output.stdout);
        Self { place, said }
    }

    /// These settings with the credential of the first administrator, enrolled by the code that setup printed.
    pub(crate) async fn administrator(&self, settings: Settings) -> Settings {
        let is_code = |word: &&str| word.len() == 14 && word.matches('-').count() == 2;
        let code = self.said.split_whitespace().find(is_code);
        let secret = TokenSecret::drawn().expect("random numbers");
        let ask = EnrolRequest {
            code: code.expect("setup prints a code").to_owned(),
            secret_sha256: secret.sha256(),
        };
        let remote = Remote::connect(settings.clone()).expect("usable settings");
        let made = remote.enrol(ask).await.expect("the code works");
        let name = made.credential.expect("a credential").name;
        let token = secret.token(&name).expect("a credential's name");
        Settings {
            token: Some(Secret::new(token.reveal())),
            // Whose credential it is says itself.
            operator: None,
            ..settings
        }
    }

    pub(crate) fn folder(&self) -> PathBuf {
        self.place.path().join("ringtrue")
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder().join(name)
    }

    pub(crate) fn authority(&self) -> Vec<u8> {
        std::fs::read(self.path("tls/authority.pem")).expect("a file")
    }

    pub(crate) fn serve(&self) -> Server {
        let mut serve = command("ringtrue-server");
        serve
            .args(["serve", "--config"])
            .arg(self.path("server.toml"));
        Server::started(serve)
    }

    pub(crate) fn renew(&self, more: &[&str]) -> Output {
        let arguments: Vec<&str> = ["setup", "--renew"].iter().chain(more).copied().collect();
        ran(&arguments, &self.folder())
    }
}

fn mode(path: &Path) -> u32 {
    let metadata = path.metadata().expect("it is there");
    metadata.permissions().mode() & 0o777
}

#[test]
fn what_is_made_is_for_the_service_alone() {
    let installed = Installed::new();
    for (name, wanted) in [
        ("", 0o700),
        ("tls", 0o700),
        ("tls/authority.key", 0o600),
        ("tls/server-with-key.pem", 0o600),
        ("audit.key", 0o600),
        ("server.toml", 0o600),
        ("ringtrue.db", 0o600),
    ] {
        assert_eq!(mode(&installed.path(name)), wanted, "{name}");
    }
    for words in [
        "Pin of the authority: ",
        "PRIVATE KEY",
        "--renew",
        "serve --config",
    ] {
        assert!(installed.said.contains(words), "{}", installed.said);
    }
    let key = std::fs::read_to_string(installed.path("tls/authority.key")).expect("a file");
    let secret = key.lines().nth(1).expect("a line of the key");
    assert!(!installed.said.contains(secret));
}

#[test]
fn nothing_that_exists_is_written_over() {
    let installed = Installed::new();
    let files = [
        "server.toml",
        "ringtrue.db",
        "tls/authority.pem",
        "tls/authority.key",
        "tls/server-with-key.pem",
    ];
    let read = || files.map(|name| std::fs::read(installed.path(name)).expect("a file"));
    let before = read();
    let again = ran(
        &["setup", "--name", "other.example.org"],
        &installed.folder(),
    );
    assert_eq!(again.status.code(), Some(1));
    assert!(
        text(&again.stderr).contains("exists already"),
        "{}",
        text(&again.stderr)
    );
    assert!(before == read(), "a file was changed");

    // One of them is enough, and nothing is made beside it.
    for name in files {
        let place = tempfile::tempdir().expect("a folder");
        let kept = place.path().join(name);
        std::fs::create_dir_all(kept.parent().expect("a folder")).expect("it is made");
        std::fs::write(&kept, "mine").expect("it is written");
        let refused = ran(&["setup", "--name", "other.example.org"], place.path());
        assert_eq!(refused.status.code(), Some(1), "{name}");
        assert_eq!(std::fs::read_to_string(&kept).expect("a file"), "mine");
        let others = files.iter().filter(|other| **other != name);
        for other in others {
            assert!(!place.path().join(other).exists(), "{other} beside {name}");
        }
    }
}

#[test]
fn names_that_are_none_are_refused() {
    for name in [
        "https://ringtrue.example.org",
        "ringtrue.example.org:7145",
        "two words",
        "",
    ] {
        let place = tempfile::tempdir().expect("a folder");
        let refused = ran(&["setup", "--name", name], &place.path().join("new"));
        assert_eq!(refused.status.code(), Some(1), "{name}");
        assert!(
            text(&refused.stderr).contains("neither a host name nor an address"),
            "{}",
            text(&refused.stderr)
        );
        assert!(!place.path().join("new/server.toml").exists());
    }
    let place = tempfile::tempdir().expect("a folder");
    let refused = ran(&["setup"], place.path());
    assert_eq!(refused.status.code(), Some(64), "a name is needed");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_on_it_answers_a_client_that_compared_the_pin() {
    let installed = Installed::new();
    let server = installed.serve();
    let endpoint = format!("https://{}", server.address);
    let presented = presented_authority(&endpoint, Duration::from_secs(30))
        .await
        .expect("it shows its authority");
    assert_eq!(
        presented.names,
        [
            "ringtrue.example.org",
            "192.0.2.7",
            "localhost",
            "127.0.0.1",
            "::1"
        ]
    );
    let (_, rest) = installed
        .said
        .split_once("Pin of the authority: ")
        .expect("the pin is printed");
    let typed: Pin = rest.lines().next().expect("a line").parse().expect("a pin");
    assert_eq!(presented.pin, typed);
    assert_eq!(presented.authority_pem, installed.authority());
    called(pinned(endpoint, presented.authority_pem))
        .await
        .expect("an answer");
    server.stop();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_foreign_program_verifies_it_and_works_out_the_same_pin() {
    let installed = Installed::new();
    let server = installed.serve();
    let (_, port) = server.address.rsplit_once(':').expect("a port");
    let port: u16 = port.parse().expect("a port");
    for name in [
        "ringtrue.example.org",
        "192.0.2.7",
        "localhost",
        "127.0.0.1",
    ] {
        let told = foreign(json!({
            "port": port,
            "authority": installed.path("tls/authority.pem"),
            "name": name,
            "oldest": "TLSv1_2",
            "newest": "TLSv1_3",
            "alpn": ["h2"],
            "send": null,
        }))
        .await;
        assert_eq!(told["version"], "TLSv1.3", "{told}");
        let pin = told["pin"].as_str().expect("a pin");
        assert!(installed.said.contains(pin), "{pin} in {}", installed.said);
    }
    server.stop();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_client_certificate_from_it_is_accepted_and_its_fingerprint_is_printed() {
    let installed = Installed::new();
    let prefix = installed.place.path().join("desk");
    let arguments = [
        "client-certificate",
        "--name",
        "Desk of Porto",
        "--out",
        prefix.to_str().expect("text"),
    ];
    let made = ran(&arguments, &installed.folder());
    assert!(made.status.success(), "{}", text(&made.stderr));
    let file = |end: &str| installed.place.path().join(format!("desk.{end}"));
    assert_eq!(mode(&file("key")), 0o600);
    let certificate = std::fs::read(file("pem")).expect("a file");
    let key = std::fs::read_to_string(file("key")).expect("a file");
    let digest = {
        use rustls::pki_types::pem::PemObject as _;
        use sha2::Digest as _;
        let der = rustls::pki_types::CertificateDer::from_pem_slice(&certificate);
        let digest = sha2::Sha256::digest(der.expect("a certificate"));
        digest
            .iter()
            .fold(String::new(), |text, byte| text + &format!("{byte:02x}"))
    };
    assert!(
        text(&made.stdout).contains(&digest),
        "{}",
        text(&made.stdout)
    );

    let again = ran(&arguments, &installed.folder());
    assert_eq!(again.status.code(), Some(1));
    assert!(text(&again.stderr).contains("exists already"));

    // Who shows none is refused now; who shows this one is served.
    let settings = std::fs::read_to_string(installed.path("server.toml")).expect("a file");
    let settings = settings.replace("\"optional\"", "\"required\"");
    std::fs::write(installed.path("server.toml"), settings).expect("it is ours");
    let server = installed.serve();
    let endpoint = format!("https://{}", server.address);
    let without = called(pinned(endpoint.clone(), installed.authority())).await;
    assert_eq!(
        without.expect_err("refused").reason,
        "CLIENT_CERTIFICATE_REFUSED"
    );
    let mut with = pinned(endpoint, installed.authority());
    with.identity = Some(Identity {
        certificate,
        key: Secret::new(key),
    });
    called(with).await.expect("an answer");
    server.stop();
}

#[test]
fn a_key_that_others_may_read_keeps_the_server_from_starting() {
    let installed = Installed::new();
    let key = installed.path("tls/server-with-key.pem");
    let open = std::fs::Permissions::from_mode(0o644);
    std::fs::set_permissions(&key, open).expect("it is ours");
    for what in ["serve", "check-config"] {
        let settings = installed.path("server.toml");
        let refused = server_ran(&[what.as_ref(), "--config".as_ref(), settings.as_os_str()]);
        assert_eq!(refused.status.code(), Some(78), "{what}");
        let said = text(&refused.stderr);
        let run = format!(
            "chmod 600 {}",
            key.canonicalize().expect("a path").display()
        );
        assert!(said.contains(&run), "{said}");
    }
}
