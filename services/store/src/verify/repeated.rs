//! What repeats readings in other tables: which numbered rings were fired, the count of recordings, evaluations.

use std::collections::{HashMap, HashSet};

use super::{Fault, Verified};
use crate::Error;
use crate::database::{Connection, query_as, query_scalar};
use crate::tables::readings::{Measurement, ReadingRow};

/// Numbered rings with the readings that used them: site, furnace, reading.
pub(super) type Fired = HashMap<(String, String), HashSet<(String, String, String)>>;

/// Checks what repeats readings in other tables.
pub(super) async fn check(
    connection: &mut Connection,
    fired: Fired,
    verified: &mut Verified,
) -> Result<(), Error> {
    check_fired_rings(connection, fired, verified).await?;
    check_count(connection, verified).await
}

/// Notes which numbered rings a reading used.
pub(super) fn note_rings(reading: &ReadingRow, fired: &mut Fired) {
    let measurement: Option<Measurement> = serde_json::from_str(&reading.measurement).ok();
    let (Some(batch), Some(measurement)) = (&reading.batch_id, measurement) else {
        return;
    };
    for serial in measurement.serial_numbers() {
        fired
            .entry((batch.clone(), serial.to_owned()))
            .or_default()
            .insert((
                reading.site_id.clone(),
                reading.furnace_id.clone(),
                reading.id.clone(),
            ));
    }
}

/// Compares which numbered rings count as fired with the readings that used them.
async fn check_fired_rings(
    connection: &mut Connection,
    mut fired: Fired,
    verified: &mut Verified,
) -> Result<(), Error> {
    const SQL: &str =
        "SELECT batch_id, serial_number, site_id, furnace_id, reading_id FROM fired_ring
        ORDER BY batch_id, serial_number";
    let rows: Vec<(String, String, String, String, String)> =
        query_as(SQL).fetch_all(connection).await?;
    let what = |batch: &str, serial: &str| Fault::NotDerived {
        what: format!("the use of ring {serial} of ringBatches/{batch}"),
    };
    for (batch, serial, site, furnace, reading) in rows {
        let used_it = fired.remove(&(batch.clone(), serial.clone()));
        if !used_it.is_some_and(|readings| readings.contains(&(site, furnace, reading))) {
            verified.faults.push(what(&batch, &serial));
        }
    }
    let mut unmarked: Vec<(String, String)> = fired.into_keys().collect();
    unmarked.sort_unstable();
    for (batch, serial) in unmarked {
        verified.faults.push(what(&batch, &serial));
    }
    Ok(())
}

/// Compares the count of recordings, by which fits go, with the readings; and that there are no evaluations without a
/// reading.
async fn check_count(connection: &mut Connection, verified: &mut Verified) -> Result<(), Error> {
    const COUNT: &str = "SELECT COUNT(*) FROM fleet_change
        WHERE id = 1 AND changes = (SELECT COUNT(*) FROM reading)";
    const LONE: &str = "SELECT e.site_id, e.furnace_id, e.reading_id FROM evaluation AS e
        WHERE NOT EXISTS (SELECT 1 FROM reading AS r WHERE r.site_id = e.site_id
            AND r.furnace_id = e.furnace_id AND r.fired_at = e.fired_at AND r.id = e.reading_id)
        ORDER BY 1, 2, 3";
    let right: i64 = query_scalar(COUNT).fetch_one(&mut *connection).await?;
    if right != 1 {
        verified.faults.push(Fault::NotDerived {
            what: "the count of recordings".to_owned(),
        });
    }
    let lone: Vec<(String, String, String)> = query_as(LONE).fetch_all(connection).await?;
    for (site, furnace, reading) in lone {
        let subject = format!("sites/{site}/furnaces/{furnace}/readings/{reading}");
        verified.faults.push(Fault::NotDerived {
            what: format!("an evaluation beside {subject}"),
        });
    }
    Ok(())
}
