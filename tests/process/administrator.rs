//! The way in when there is no credential yet: a code made by the server's own program, beside the running server.

use std::ffi::OsStr;
use std::process::Output;

use ringtrue_fleet::enrolment::Code;
use ringtrue_proto::v1;
use ringtrue_proto::v1::access_service_client::AccessServiceClient;
use ringtrue_tests::credentials::digest;
use ringtrue_tests::process::{Server, server_ran, text, verified};

use crate::laboratory::Folder;

fn asked(folder: &Folder, more: &[&str]) -> Output {
    let file = folder.database();
    let mut arguments = vec![
        OsStr::new("enrol-administrator"),
        OsStr::new("--database"),
        file.as_os_str(),
    ];
    arguments.extend(more.iter().map(OsStr::new));
    server_ran(&arguments)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_administrator_is_let_in_by_the_servers_own_program_while_the_server_runs() {
    let folder = Folder::new();
    let absent = asked(&folder, &["--person", "q1"]);
    assert_eq!(absent.status.code(), Some(1));
    assert!(text(&absent.stderr).contains("there is no database"));
    let server = Server::serve(&folder.database());
    let wrong = asked(&folder, &["--person", "two words"]);
    assert_eq!(wrong.status.code(), Some(1));
    assert!(
        text(&wrong.stderr).contains("staff code"),
        "{}",
        text(&wrong.stderr)
    );
    let made = asked(&folder, &["--person", "q1", "--valid-min", "5"]);
    assert_eq!(made.status.code(), Some(0), "{}", text(&made.stderr));
    let code = text(&made.stdout);
    let code = code.trim_end();
    assert!(Code::parse(code).is_ok(), "{code}");
    assert!(!text(&made.stderr).contains(code), "it is said once");
    let mut client = AccessServiceClient::connect(server.endpoint())
        .await
        .expect("the server answers");
    let ask = v1::EnrolRequest {
        code: code.to_owned(),
        secret_sha256: digest("of the client").to_vec(),
    };
    let enrolled = client.enrol(ask).await.expect("enrolled").into_inner();
    let credential = enrolled.credential.expect("a credential");
    assert_eq!(credential.person, "q1");
    assert_eq!(
        credential.grant.expect("a grant").role(),
        v1::Role::Administrator
    );
    assert!(!server.said().contains(code), "codes are not logged");
    server.stop();
    assert_eq!(verified(&folder.database()).status.code(), Some(0));
}
