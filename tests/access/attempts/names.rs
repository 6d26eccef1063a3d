//! Names that are written so that one part of the server might read them otherwise than another.

use crate::scene::{At, Scene};
use crate::table::rows;

use super::is_meant;

/// What is put in the place of `sites/north`. None of it is a name of that site.
const TRICKS: [&str; 34] = [
    "sites/north/../south",
    "sites/north/..",
    "sites/../sites/north",
    "sites/./north",
    "./sites/north",
    "/sites/north",
    "//sites/north",
    "sites//north",
    "sites/north/",
    "sites/north%2F..%2Fsouth",
    "sites%2Fnorth",
    "sites/n%6Frth",
    "sites\\\\north",
    "sites/north\\u0000",
    "sites/north\\u0000/furnaces",
    "sites/north\\n",
    " sites/north",
    "sites/north ",
    "sites/north\\u200b",
    "sites/\\u202ehtron",
    "sites/n\\u043erth",
    "sites/\\uff4e\\uff4f\\uff52\\uff54\\uff48",
    "sites/nor\\u0074\\u0301h",
    "sites/North",
    "SITES/NORTH",
    "Sites/north",
    "sites/north?x=sites/south",
    "sites/north#",
    "sites/north,sites/south",
    "sites/*",
    "sites/%",
    "sites/_orth",
    "sites/north' OR '1'='1",
    "sites",
];

async fn never_read(trick: &str, scene: &Scene, faults: &mut Vec<String>) {
    for row in rows() {
        let usual = scene.filled(At::Own, row.ask);
        let asked = usual.replace("sites/north", trick);
        if asked == usual {
            continue;
        }
        for name in ["site manager", "administrator"] {
            let answer = scene.call_as(scene.caller(name), row.call, &asked).await;
            let shown: String = trick.chars().take(60).collect();
            match answer {
                Ok(_) => faults.push(format!("{} as {name} took {shown}", row.call)),
                Err(status) if !is_meant(&status) => {
                    faults.push(format!("{} as {name} on {shown}: {status}", row.call));
                }
                Err(_) => {}
            }
        }
    }
}

#[tokio::test]
async fn no_other_spelling_of_a_site_is_taken_for_it() {
    let scene = Scene::set().await;
    let before = scene.on_record().await;
    let mut faults = Vec::new();
    for trick in TRICKS {
        never_read(trick, &scene, &mut faults).await;
    }
    for trick in [
        format!("sites/{}", "north".repeat(20_000)),
        format!("sites/north{}", "/..".repeat(20_000)),
    ] {
        never_read(&trick, &scene, &mut faults).await;
    }
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
    assert_eq!(scene.on_record().await, before);
    scene.network.stop().await;
}

#[tokio::test]
async fn all_sites_at_once_are_named_only_where_that_shows_less_to_who_sees_less() {
    let scene = Scene::set().await;
    let before = scene.on_record().await;
    let rows = rows();
    let mut faults = Vec::new();
    for row in &rows {
        let takes_all =
            |other: &crate::table::Row| other.call == row.call && other.ask.contains("sites/-");
        let usual = scene.filled(At::Own, row.ask);
        let asked = usual.replace("sites/north", "sites/-");
        if asked == usual || rows.iter().any(takes_all) {
            continue;
        }
        for name in ["site manager", "administrator"] {
            let answer = scene.call_as(scene.caller(name), row.call, &asked).await;
            match answer {
                Ok(_) => faults.push(format!("{} as {name} took sites/-: {asked}", row.call)),
                Err(status) if !is_meant(&status) => {
                    faults.push(format!("{} as {name} on sites/-: {status}", row.call));
                }
                Err(_) => {}
            }
        }
    }
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
    assert_eq!(scene.on_record().await, before);
    scene.network.stop().await;
}
