//! Rule: a committed migration never changes, because databases in laboratories have already run it.

use std::fmt::Write as _;

use sha2::{Digest as _, Sha256};

use crate::sources::{assert_none, files_ending};

/// Every migration with the SHA-256 of its file, in the order they run.
const COMMITTED: &[(&str, &str)] = &[
    (
        "services/store/migrations/sqlite/0001_sites.sql",
        "be287e837fa529a03dae15d19cbdfceeea42d1d0b51562092245421cc917cb81",
    ),
    (
        "services/store/migrations/sqlite/0002_ring_batches.sql",
        "f685e649ca8a15a52f4899366302b4ae13070fa5920cc6a7e3ac5ff2cefdcef6",
    ),
    (
        "services/store/migrations/sqlite/0003_records.sql",
        "5d0e603fde68dad97bf992201b586422d0f950e6ef934122161739b9c2bb6d3a",
    ),
    (
        "services/store/migrations/sqlite/0004_derived.sql",
        "3357f2edf7105d68008f66afe96c5c6c6680a5058b3965d339a554c13acd9cae",
    ),
    (
        "services/store/migrations/sqlite/0005_audit.sql",
        "ae390b418e90171372c3ca845a65c006753d9fb49c8d9d0c0293402644eb0c9f",
    ),
    (
        "services/store/migrations/sqlite/0006_fleet.sql",
        "f0ed3a89fec61f5ffcefbc498b6bfa586bbdf04c6767e30156dc2b67b5aff8db",
    ),
    (
        "services/store/migrations/sqlite/0007_calendars.sql",
        "910cb9c91210956b17b93890a0a4f36bddb0d8ee89dc568f6c2da6ad3074c6e2",
    ),
    (
        "services/store/migrations/sqlite/0008_schedules.sql",
        "10c057c9ee82a4030d517df092176061d9e714759f6c89d338fd90675916ce75",
    ),
    (
        "services/store/migrations/sqlite/0009_deliveries.sql",
        "223616969a908f92f881036b98a5e965b944abd70f80a3f23859ccbe3a4733c7",
    ),
    (
        "services/store/migrations/sqlite/0010_access.sql",
        "948bb84a2678b0db3e65e0488c036956af5e64508ea757c02580c21bc951449c",
    ),
    (
        "services/store/migrations/sqlite/0011_audit.sql",
        "9e14d34646b3309cbd74338095d723a528659c545c1f5340dc386a933d7d2e25",
    ),
    (
        "services/store/migrations/sqlite/0012_sign_offs.sql",
        "67ac31402614862b8fc945144d325d5d6d8bdfe3dc3142ab52c1a74f72049443",
    ),
    (
        "services/store/migrations/sqlite/0013_access_rights.sql",
        "2f2eeac3312440d6949f95dad051bc40180934f12fe832ebc2021fc9faf903de",
    ),
    (
        "services/store/migrations/sqlite/0014_firings.sql",
        "5f9699c58edfb1e0e97ccec55033ac7a93acfc3d03e9d5dd477c48d9342771d6",
    ),
    (
        "services/store/migrations/sqlite/0015_changes.sql",
        "d51e909c84a723302d8ac030f4001634da8445dbc7bdf378394535c9dfbae5f4",
    ),
    (
        "services/store/migrations/sqlite/0016_webhooks.sql",
        "1e61526ca587493ba60b2b07b6b868f7d63c066ec56bf677e7bfa2337cd82c63",
    ),
    (
        "services/store/migrations/postgres/0000_functions.sql",
        "8616dac2cf54b789e232ac8d74808b6c608ebde07e7616cf95657567ec3b4c84",
    ),
    (
        "services/store/migrations/postgres/0001_sites.sql",
        "e3a0a30e4cf25cfd23707bacf26e0a8342caed0c4b514d38842c9ce557b04ff5",
    ),
    (
        "services/store/migrations/postgres/0002_ring_batches.sql",
        "ecc862996fc482b645c9183b66d47e57c07042cf2ee441ac3442f31c11031952",
    ),
    (
        "services/store/migrations/postgres/0003_records.sql",
        "374865cd2b97a9fac3b3b573f220d613b4d680ec4500100d51892960b0ff9b3a",
    ),
    (
        "services/store/migrations/postgres/0004_derived.sql",
        "4b4afc6b100d39ead0afb0cd7227ec52684b2e9586c2736eef7e7990959249bc",
    ),
    (
        "services/store/migrations/postgres/0005_audit.sql",
        "11aa48eff04e36c92887f054717c76d3719d36903bb1c4bd38b1b216a0a0d50d",
    ),
    (
        "services/store/migrations/postgres/0006_fleet.sql",
        "5c612535dfb10f391c4f9d8536c76aa17f4553612e5f2f7b1b5474230ecc0dd3",
    ),
    (
        "services/store/migrations/postgres/0007_calendars.sql",
        "2aa5ecbeb267ef0682ee559bfff5e62f48b5cbbcf7676294eb1e1c07f6b59165",
    ),
    (
        "services/store/migrations/postgres/0008_schedules.sql",
        "135571ab7bd21a8793953e7b8875ab6ff86a85d1893b94434e17859b23c84cad",
    ),
    (
        "services/store/migrations/postgres/0009_deliveries.sql",
        "a9acbdf203e4677b35f4cb5991266a9b7b17a93098ba7a165d10f03378f087ee",
    ),
    (
        "services/store/migrations/postgres/0010_access.sql",
        "12f2f763fcabd697f3e82c14c242d75c0ced88e9018d17ace08016be68e5b042",
    ),
    (
        "services/store/migrations/postgres/0011_audit.sql",
        "a1fde4de2c6d49daa7f0c701033c34c8c091724bb7bcb3211e445595dfb52279",
    ),
    (
        "services/store/migrations/postgres/0012_sign_offs.sql",
        "e7d6b5eecaa3848f815590cb8e0227f460520b4be382c82599964f7ca37ee4f6",
    ),
    (
        "services/store/migrations/postgres/0013_access_rights.sql",
        "0d6c3f3619e04a26ff60bc8e519f8ca9723cd4aba5f91f8391f528eee5e6113b",
    ),
    (
        "services/store/migrations/postgres/0014_firings.sql",
        "599a181aba943036abeca24ea9796a4aa831a258482048d6f34f29aa1ffc7965",
    ),
    (
        "services/store/migrations/postgres/0015_changes.sql",
        "7c622fae577457046cd6d134b95dee31afd25f618557ced86b21d78583228c77",
    ),
    (
        "services/store/migrations/postgres/0017_entries_in_reach.sql",
        "d440e4f78576e2d83e49fbc1481f541d9b5780d596940eebffad64d482ec93a8",
    ),
    (
        "services/store/migrations/sqlite/0017_entries_in_reach.sql",
        "cdcffeb811bede83220e502a2c55f3e6c1764578fa1ea81ec8164584b24fae82",
    ),
    (
        "services/store/migrations/postgres/0016_webhooks.sql",
        "fb4a5bfa3413b34d6d323f9767d056784b73c0c97601e63706560ef5a91a9cac",
    ),
];

#[test]
fn a_committed_migration_never_changes() {
    let files: Vec<_> = files_ending(".sql")
        .into_iter()
        .filter(|f| f.path.starts_with("services/store/migrations/"))
        .collect();
    assert!(
        !files.is_empty(),
        "no migrations were found in services/store/migrations; has the folder moved?"
    );

    let mut offenders = Vec::new();
    for file in &files {
        let hash = sha256(file.text.as_bytes());
        match COMMITTED.iter().find(|(path, _)| *path == file.path) {
            None => offenders.push(format!("new:     (\"{}\", \"{hash}\"),", file.path)),
            Some((_, committed)) if *committed != hash => {
                offenders.push(format!("changed: (\"{}\", \"{hash}\"),", file.path));
            }
            Some(_) => {}
        }
    }
    for (path, _) in COMMITTED {
        if !files.iter().any(|file| file.path == *path) {
            offenders.push(format!("gone:    {path}"));
        }
    }
    assert_none(
        &offenders,
        "A new migration: paste its line into `COMMITTED` in tests/tidy/migrations.rs.\n\
         A changed or missing one: restore the file and write a new migration for what you want, because databases \
         that ran the old text would refuse to start. Only a migration that was never released may take a new hash.",
    );
}

fn sha256(bytes: &[u8]) -> String {
    let mut text = String::new();
    for byte in Sha256::digest(bytes) {
        write!(text, "{byte:02x}").expect("writing to a string cannot fail");
    }
    text
}

#[test]
fn the_hash_is_the_published_one() {
    // FIPS 180-4 examples published by NIST: SHA-256 of "abc".
    assert_eq!(
        sha256(b"abc"),
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    );
}
