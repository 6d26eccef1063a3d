//! The whole table, cell by cell.

use std::collections::{BTreeMap, BTreeSet};
use std::net::{IpAddr, Ipv4Addr};

use prost::Message as _;
use prost_types::FileDescriptorSet;
use ringtrue_proto::v1::Permission;
use ringtrue_tests::wire;
use tonic::transport::Endpoint;
use tonic::{Code, Status};

use crate::people::Caller;
use crate::scene::{At, FOREIGN, Scene};
use crate::table::{As, Elsewhere, NOTE, OPEN, READ, RECORD, Row, rows};

/// What a call must come to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wanted {
    /// It is done, or refused for another reason than who asks.
    Done,
    /// PERMISSION_DENIED.
    Denied,
    /// NOT_FOUND, as of what does not exist.
    Absent,
    /// Either of both.
    Refused,
}

/// Whether somebody may do so at their own sites.
fn may(row: &Row, caller: &Caller) -> bool {
    // Everybody who is known may ask who they are.
    if caller.role != As::Integration || row.call == "AccessService/WhoAmI" {
        return row.may.contains(&caller.role);
    }
    caller
        .permissions
        .iter()
        .any(|permission| match permission {
            Permission::Read => row.may == READ,
            Permission::Record => row.may == RECORD,
            // What is noted on is shown in the answer, which is for readers.
            Permission::Note => {
                let reads = caller.permissions.contains(&Permission::Read);
                row.may == NOTE && (reads || row.call.starts_with("ReadingService/"))
            }
            Permission::Unspecified => false,
        })
}

fn wanted(row: &Row, caller: &Caller, at: At) -> Wanted {
    let may = may(row, caller);
    if row.elsewhere == Elsewhere::NetworkShown && at != At::Own && !(may && caller.whole) {
        return Wanted::Refused;
    }
    if !may {
        return Wanted::Denied;
    }
    match row.elsewhere {
        _ if caller.whole => Wanted::Done,
        Elsewhere::Denied if !at.is_own() => Wanted::Denied,
        Elsewhere::Hidden if !at.is_own() => Wanted::Absent,
        Elsewhere::Network | Elsewhere::NetworkShown => Wanted::Denied,
        Elsewhere::HiddenNetwork => Wanted::Absent,
        _ => Wanted::Done,
    }
}

/// What is wrong with an answer; none when nothing is.
fn fault(wanted: Wanted, caller: &Caller, answer: &Result<Vec<u8>, Status>) -> Option<String> {
    match (wanted, answer) {
        (Wanted::Done, Ok(message)) => {
            let text = String::from_utf8_lossy(message);
            let leaks = !caller.whole && (text.contains(FOREIGN) || text.contains("sites/south"));
            leaks.then(|| "shows what is another site's".to_owned())
        }
        (Wanted::Done, Err(status)) => {
            // A request that is refused for what it says is not refused for who says it.
            let is_fine = matches!(
                status.code(),
                Code::NotFound
                    | Code::AlreadyExists
                    | Code::FailedPrecondition
                    | Code::Aborted
                    | Code::InvalidArgument
            );
            (!is_fine).then(|| told(status))
        }
        (_, Ok(_)) => Some("was done".to_owned()),
        (Wanted::Denied, Err(status)) => {
            (status.code() != Code::PermissionDenied).then(|| told(status))
        }
        (Wanted::Absent, Err(status)) => (status.code() != Code::NotFound).then(|| told(status)),
        (Wanted::Refused, Err(status)) => {
            let is_refused = matches!(status.code(), Code::NotFound | Code::PermissionDenied);
            (!is_refused).then(|| told(status))
        }
    }
}

fn told(status: &Status) -> String {
    format!("{:?} {}", status.code(), status.message())
}

/// All that a refused caller learns, without the name that they sent themselves.
fn learnt(status: &Status, json: &str) -> String {
    let asked: serde_json::Value = serde_json::from_str(json).expect("JSON");
    let name = asked.get("name").and_then(|name| name.as_str());
    let nameless = |text: &str| match name {
        Some(name) => text.replace(name, "…"),
        None => text.to_owned(),
    };
    // Sorted, because the pairs of an ErrorInfo come in any order.
    let details = nameless(&String::from_utf8_lossy(status.details()));
    let mut signs: Vec<char> = details.chars().collect();
    signs.sort_unstable();
    let signs: String = signs.into_iter().collect();
    format!(
        "{:?} {} {signs:?}",
        status.code(),
        nameless(status.message())
    )
}

/// The places at which a row asks something different.
fn places(scene: &Scene, row: &Row) -> Vec<At> {
    let fixed = row.ask.replace("{new}", "n");
    let mut seen = BTreeSet::new();
    let differs = |at: &At| seen.insert(scene.filled(*at, &fixed));
    At::ALL.into_iter().filter(differs).collect()
}

#[tokio::test]
async fn every_role_may_do_what_the_table_says_and_nothing_else() {
    let scene = Scene::set().await;
    let rows = rows();
    let mut faults = Vec::new();
    let mut cells = 0;
    let mut allowed = Vec::new();
    let before = scene.on_record().await;
    for (number, row) in rows.iter().enumerate() {
        for caller in &scene.callers {
            let mut seen: BTreeMap<&str, (At, String)> = BTreeMap::new();
            for at in places(&scene, row) {
                let wanted = wanted(row, caller, at);
                cells += 1;
                if wanted == Wanted::Done {
                    allowed.push((number, caller, at));
                    continue;
                }
                let (json, answer) = scene.row_as(caller, row, at).await;
                if let Some(fault) = fault(wanted, caller, &answer) {
                    faults.push(format!("{} as {} {at:?}: {fault}", row.call, caller.name));
                } else if let Err(status) = &answer {
                    // Nobody finds out what there is by being refused.
                    let kind = match wanted {
                        Wanted::Denied => "denied",
                        Wanted::Absent => "absent",
                        Wanted::Done | Wanted::Refused => continue,
                    };
                    let learnt = learnt(status, &json);
                    let (first, usual) = seen.entry(kind).or_insert((at, learnt.clone()));
                    if *usual != learnt {
                        faults.push(format!(
                            "{} as {}: {at:?} is told from {first:?}:\n{usual}\n{learnt}",
                            row.call, caller.name
                        ));
                    }
                }
            }
        }
    }
    assert_eq!(
        scene.on_record().await,
        before,
        "something that was refused left a trace:\n{}",
        faults.join("\n")
    );
    assert!(cells > 4_000, "only {cells} cells were tried");
    let mut done = vec![0; rows.len()];
    for (number, caller, at) in allowed {
        let row = &rows[number];
        let (_, answer) = scene.row_as(caller, row, at).await;
        done[number] += usize::from(at == At::Own && answer.is_ok());
        if let Some(fault) = fault(Wanted::Done, caller, &answer) {
            faults.push(format!("{} as {} {at:?}: {fault}", row.call, caller.name));
        }
    }
    for (number, done) in done.into_iter().enumerate() {
        if done == 0 {
            let row = &rows[number];
            let (json, answer) = scene
                .row_as(scene.caller("administrator"), row, At::Own)
                .await;
            let why = answer.err().map(|status| told(&status));
            faults.push(format!("{}: nobody could do so: {why:?}: {json}", row.call));
        }
    }
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
    scene.network.stop().await;
}

#[tokio::test]
async fn what_proves_nobody_lets_nobody_do_anything() {
    let scene = Scene::set().await;
    let before = scene.on_record().await;
    let mut faults = Vec::new();
    for (number, row) in rows().iter().enumerate() {
        // Each row from another address of this machine: whoever fails too often from one is told to wait.
        let [.., high, low] = u16::try_from(number + 256)
            .expect("some rows")
            .to_be_bytes();
        let from = IpAddr::V4(Ipv4Addr::new(127, 1, high, low));
        let channel = Endpoint::from_shared(scene.network.endpoint())
            .expect("an address")
            .local_address(Some(from))
            .connect_lazy();
        let message = scene.bytes(row.call, &scene.filled(At::Own, row.ask));
        let path = format!("/ringtrue.v1.{}", row.call);
        let mut answers = BTreeSet::new();
        for (what, metadata) in &scene.unusable {
            let metadata = metadata.clone();
            let answer = wire::first(channel.clone(), &path, message.clone(), metadata).await;
            match answer {
                Ok(_) => faults.push(format!("{} with {what}: was done", row.call)),
                Err(status) if status.code() != Code::Unauthenticated => {
                    faults.push(format!("{} with {what}: {}", row.call, told(&status)));
                }
                Err(status) => drop(answers.insert(learnt(&status, "{}"))),
            }
        }
        if answers.len() > 1 {
            faults.push(format!("{}: told what is wrong: {answers:?}", row.call));
        }
    }
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
    assert_eq!(scene.on_record().await, before);
    scene.network.stop().await;
}

#[test]
fn every_call_of_the_protocol_has_a_row_and_no_other() {
    let files = FileDescriptorSet::decode(ringtrue_proto::DESCRIPTORS).expect("a valid protocol");
    let mut calls = BTreeSet::new();
    for file in &files.file {
        for service in &file.service {
            for method in &service.method {
                calls.insert(format!("{}/{}", service.name(), method.name()));
            }
        }
    }
    assert!(calls.len() > 70, "the protocol has {} calls", calls.len());
    let open = OPEN.iter().map(|call| (*call).to_owned());
    let listed: BTreeSet<String> = rows()
        .iter()
        .map(|row| row.call.to_owned())
        .chain(open)
        .collect();
    assert_eq!(listed, calls);
}
