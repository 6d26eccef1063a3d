//! Programmes: the target apart from the setpoint, shade apart from the furnace, and firings whose
//! hold is not the ring table's.

use ringtrue_calibration::programme::{Cycle, Segment};
use ringtrue_calibration::ring_table::csv::{parse, print};
use ringtrue_calibration::ring_table::{Entry, RingTable};
use ringtrue_calibration::thermal_work::matching_peak_c;
use ringtrue_proto::v1;
use ringtrue_remote::Code;
use ringtrue_tests::bench::{
    TABLE_CSV, batch, evaluation_of, programme_at, reading_of, rings_of, table_file,
};
use ringtrue_tests::{Bench, Network};

use crate::close;

async fn change(
    network: &Network,
    programme: v1::Programme,
    paths: &[&str],
) -> Result<v1::Programme, Box<ringtrue_remote::Failure>> {
    let ask = v1::UpdateProgrammeRequest {
        programme: Some(programme),
        update_mask: Some(prost_types::FieldMask {
            paths: paths.iter().map(|path| (*path).to_owned()).collect(),
        }),
        ..v1::UpdateProgrammeRequest::default()
    };
    let changed = network.remote.update_programme(ask).await?;
    Ok(changed.programme.expect("the answer holds the programme"))
}

#[tokio::test]
async fn a_programme_is_added_looked_up_and_listed() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let made = network
        .programme(&bench.furnace, "quick", programme_at(1530.0, 30.0))
        .await;
    assert_eq!(made.name, format!("{}/programmes/quick", bench.furnace));
    close(made.target_c, 1530.0, 1e-9);
    assert_eq!(network.programme_now(&made.name).await, made);
    for parent in [bench.furnace.clone(), format!("{}/furnaces/-", bench.site)] {
        let ask = v1::ListProgrammesRequest {
            parent,
            ..v1::ListProgrammesRequest::default()
        };
        let found = network
            .remote
            .programmes(ask)
            .await
            .expect("listed")
            .programmes;
        let names: Vec<&str> = found.iter().map(|p| p.name.as_str()).collect();
        assert_eq!(names, [bench.programme.as_str(), made.name.as_str()]);
    }
    network.stop().await;
}

#[tokio::test]
async fn tuning_the_shade_moves_the_target_and_leaves_the_offset_alone() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let before = network.furnace_now(&bench.furnace).await.offset;
    let wanted = v1::Programme {
        name: bench.programme.clone(),
        shade_shift_c: 10.0,
        ..v1::Programme::default()
    };
    let tuned = change(&network, wanted, &["shade_shift_c"])
        .await
        .expect("tuned");
    close(tuned.target_c, 1510.0, 1e-9);
    close(tuned.setpoint_c, 1500.0, 1e-9);
    close(tuned.material_target_c, 1500.0, 1e-9);
    assert_eq!(network.furnace_now(&bench.furnace).await.offset, before);

    // The same furnace again: the offset is still 19 °C, the target 1510 °C, so 1491 °C.
    network.advance_days(7);
    let next = network
        .record(network.ask(&bench, &[19.471, 19.469, 19.473]))
        .await;
    let evaluation = evaluation_of(&next);
    close(evaluation.offset_c, 19.0, 0.3);
    close(evaluation.observed_offset_c, 18.8, 0.15);
    close(evaluation.target_c, 1510.0, 1e-9);
    close(evaluation.deviation_c, 8.8, 0.15);
    close(evaluation.advised_setpoint_c, 1491.0, 1e-9);
    network.stop().await;
}

#[tokio::test]
async fn a_setpoint_is_never_changed_by_an_update_and_shade_never_by_a_leap() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let before = network.audit_length(&bench.site).await;
    let wanted = v1::Programme {
        name: bench.programme.clone(),
        setpoint_c: 1481.0,
        ..v1::Programme::default()
    };
    let refused = change(&network, wanted, &["setpoint_c"])
        .await
        .expect_err("not here");
    assert_eq!(refused.code, Code::InvalidArgument);
    assert!(refused.message.contains("djustment"), "{refused}");
    let wanted = v1::Programme {
        name: bench.programme.clone(),
        shade_shift_c: 30.0,
        ..v1::Programme::default()
    };
    let refused = change(&network, wanted, &["shade_shift_c"])
        .await
        .expect_err("too far");
    assert_eq!(refused.violations[0].field, "programme.shade_shift_c");
    assert_eq!(network.audit_length(&bench.site).await, before);
    close(
        network.programme_now(&bench.programme).await.setpoint_c,
        1500.0,
        1e-9,
    );
    network.stop().await;
}

/// A bench whose programme holds for another time than the table is for.
async fn with_hold(network: &Network, bench: &Bench, hold_min: f64) -> v1::RecordReadingRequest {
    let other = network
        .programme(&bench.furnace, "other", programme_at(1500.0, hold_min))
        .await;
    let mut ask = network.ask(bench, &[19.560, 19.558, 19.562]);
    reading_of(&mut ask).programme = other.name;
    ask
}

#[tokio::test]
async fn a_hold_the_table_is_not_for_is_kept_and_not_evaluated() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let reading = network
        .record(with_hold(&network, &bench, 60.0).await)
        .await;
    let evaluation = evaluation_of(&reading);
    assert!(!evaluation.evaluable);
    assert_eq!(evaluation.advice(), v1::Advice::Unspecified);
    close(evaluation.advised_setpoint_c, 1500.0, 1e-9);
    let hold = evaluation.hold.as_ref().expect("a hold");
    assert_eq!(hold.treatment(), v1::HoldTreatment::NotEvaluable);
    close(hold.table_hold_min, 120.0, 1e-9);
    close(hold.fired_hold_min, 60.0, 1e-9);
    assert!(
        hold.explanation
            .contains("Fire a programme with a hold of 120 min"),
        "{hold:?}"
    );
    assert!(!hold.statements_still_valid.is_empty());
    assert_eq!(network.readings(&bench.furnace).await, [reading]);
    assert_eq!(network.furnace_now(&bench.furnace).await.offset, None);
    network.stop().await;
}

#[tokio::test]
async fn a_hold_within_three_minutes_is_read_as_it_is() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let reading = network
        .record(with_hold(&network, &bench, 122.0).await)
        .await;
    let evaluation = evaluation_of(&reading);
    assert!(evaluation.evaluable);
    let hold = evaluation.hold.as_ref().expect("a hold");
    assert_eq!(hold.treatment(), v1::HoldTreatment::Matched);
    close(hold.correction_c, 0.0, 1e-12);
    close(evaluation.ring_temperature_c, 1500.3, 0.4);
    network.stop().await;
}

#[tokio::test]
async fn a_site_may_accept_an_assumed_correction_and_pays_with_uncertainty() {
    let network = Network::start().await;
    let bench = network
        .bench_with(|site| site.accepts_assumed_hold_correction = true)
        .await;
    let plain = network
        .record(network.ask_days_ago(&bench, &[19.560, 19.558, 19.562], 1))
        .await;
    let mut ask = with_hold(&network, &bench, 60.0).await;
    // A ring held for half the time is larger: 1500 °C true reads about 27 °C low.
    rings_of(reading_of(&mut ask)).rings[0].diameters_mm = vec![19.696, 19.694, 19.698];
    let reading = network.record(ask).await;
    let evaluation = evaluation_of(&reading);
    let hold = evaluation.hold.as_ref().expect("a hold");
    assert_eq!(hold.treatment(), v1::HoldTreatment::Assumed);
    assert_eq!(hold.activation_energy_kj_per_mol, Some(600.0));
    // Between 17 and 37 °C for published energies of 440 to 1000 kJ/mol.
    assert!(
        hold.correction_c > 17.0 && hold.correction_c < 37.0,
        "{hold:?}"
    );
    let expanded = |reading: &v1::Reading| {
        let budget = evaluation_of(reading).budget.as_ref();
        budget.expect("a budget").expanded_uncertainty_c
    };
    assert!(
        expanded(&reading) > 1.5 * expanded(&plain),
        "{}",
        expanded(&reading)
    );
    let budget = evaluation.budget.as_ref().expect("a budget");
    let has_line = budget
        .lines
        .iter()
        .any(|line| line.source == "hold correction");
    assert!(has_line, "{budget:?}");
    network.stop().await;
}

/// The invented table as it would be for another hold, by equal thermal work at 700 kJ/mol.
fn table_for(hold_min: f64) -> RingTable {
    let made = parse(TABLE_CSV.as_bytes(), 120.0).expect("the invented table");
    let cycle = |hold_min| Cycle {
        segments: vec![
            Segment {
                ramp_c_per_min: 10.0,
                temperature_c: 900.0,
                hold_min: 30.0,
            },
            Segment {
                ramp_c_per_min: 10.0,
                temperature_c: 1500.0,
                hold_min,
            },
        ],
    };
    let mut entries = Vec::new();
    for entry in made.entries() {
        let at = matching_peak_c(&cycle(hold_min), &cycle(120.0), entry.temperature_c, 700.0);
        entries.push(Entry {
            diameter_mm: entry.diameter_mm,
            temperature_c: at.expect("a peak"),
        });
    }
    RingTable::new(hold_min, entries).expect("a table")
}

#[tokio::test]
async fn a_second_table_of_the_batch_serves_its_own_hold_and_fits_those_between() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let text = print(&table_for(60.0));
    let files = vec![table_file(120.0, TABLE_CSV), table_file(60.0, &text)];
    let two = network.batch_of("b2", batch(), files).await;
    assert_eq!(two.tables.len(), 2);
    for (id, hold_min, treatment) in [
        ("own", 60.0, v1::HoldTreatment::Matched),
        ("between", 90.0, v1::HoldTreatment::Fitted),
    ] {
        let fired = network
            .programme(&bench.furnace, id, programme_at(1500.0, hold_min))
            .await;
        let shown_mm = table_for(hold_min).diameter_at(1500.0).expect("inside");
        let mut ask = network.ask(&bench, &[shown_mm, shown_mm - 0.002, shown_mm + 0.002]);
        let reading = reading_of(&mut ask);
        reading.programme = fired.name;
        rings_of(reading).ring_batch.clone_from(&two.name);
        let reading = network.record(ask).await;
        let evaluation = evaluation_of(&reading);
        let hold = evaluation.hold.as_ref().expect("a hold");
        assert_eq!(hold.treatment(), treatment);
        close(evaluation.ring_temperature_c, 1500.0, 0.6);
        if treatment == v1::HoldTreatment::Fitted {
            close(
                hold.activation_energy_kj_per_mol.expect("an energy"),
                700.0,
                20.0,
            );
        }
    }
    network.stop().await;
}
