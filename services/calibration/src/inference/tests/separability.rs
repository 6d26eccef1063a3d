//! What cannot be told apart is said, and the act that helps most is named.

use super::assert_close;
use super::invented_fleet::{Fired, Fleet, batch, gauge};
use crate::inference::separability::Gain;
use crate::inference::*;

fn lone_fleet(readings: usize) -> Fleet {
    Fleet {
        components: Components::default(),
        globals: vec![batch(4.0)],
        sites: vec![vec![gauge(9.0)]],
        furnaces: vec![(0, (0..readings).map(|_| Fired::plain(2.0, 12.0)).collect())],
    }
}

fn found(fleet: &Fleet, with: &Possibilities) -> Separability {
    let solved = fleet.solved();
    let followed = &solved.furnaces[0];
    let effects = solved.blocks[0].joint(&solved.solution, &followed.columns);
    separability(&followed.chain, &followed.columns, &effects, 1500.0, with).expect("readings")
}

#[test]
fn one_furnace_with_one_gauge_is_told_to_check_the_gauge() {
    let found = found(&lone_fleet(16), &Possibilities::default());
    let gauge = found.gauge.expect("a gauge");
    // Nothing is learnt of the gauge: its part in the offset is the whole of its prior.
    assert_close(gauge.bias_c, 3.0, 1e-12, "bias");
    assert_close(gauge.in_offset_c, 3.0, 1e-12, "part");
    assert!(gauge.correlation < -0.7);
    assert_close(
        found.largest_correlation,
        gauge.correlation,
        1e-12,
        "correlation",
    );
    let best = found.best().expect("an act");
    assert_eq!(best.remedy, Remedy::CheckGauge);
    // One more ring of the same kind hardly helps.
    assert!(found.another_reading_c > 0.98 * found.offset_c);
    let sentence = found.sentence();
    assert!(
        sentence.contains("of which ±6.0 °C the gauge's bias"),
        "{sentence}"
    );
    assert!(
        sentence.contains("Check the gauge on a reference block"),
        "{sentence}"
    );
}

#[test]
fn what_each_act_leaves_is_what_doing_it_leaves() {
    let fleet = lone_fleet(8);
    let with = Possibilities {
        block_check_c2: 1.0,
        other_gauge_c2: 9.0,
        repeat_c2: 0.0,
        other_batch_c2: 4.0,
        reading_c2: 4.41,
    };
    let found = found(&fleet, &with);
    let left = |remedy: Remedy| -> f64 {
        let gain = found.remedies.iter().find(|gain| gain.remedy == remedy);
        gain.expect("the act").left_c
    };
    let u = |fleet: &Fleet| {
        fleet
            .solved()
            .state(fleet, 0)
            .estimate(1500.0)
            .standard_uncertainty_c
    };
    assert_close(found.offset_c, u(&fleet), 1e-12, "now");

    let mut checked = fleet.clone();
    checked.sites[0][0].checks.push(Check {
        value_c: 0.3,
        variance_c2: 1.0,
    });
    assert_close(left(Remedy::CheckGauge), u(&checked), 1e-10, "checked");

    // Comparing with another gauge is a check whose uncertainty is that gauge's.
    let mut compared = fleet.clone();
    compared.sites[0][0].checks.push(Check {
        value_c: 0.3,
        variance_c2: 9.0,
    });
    assert_close(left(Remedy::OtherGauge), u(&compared), 1e-10, "compared");

    let mut other = fleet.clone();
    other.globals.push(batch(4.0));
    let mut alongside = Fired::plain(0.0, 12.0);
    alongside.effects[1].0 = Column::Global(1);
    other.furnaces[0].1.push(alongside);
    assert_close(left(Remedy::OtherBatch), u(&other), 1e-10, "other batch");

    let mut again = fleet.clone();
    again.furnaces[0].1.push(Fired::plain(0.0, 12.0));
    assert_close(found.another_reading_c, u(&again), 1e-10, "again");
}

#[test]
fn with_a_checked_gauge_and_an_uncertain_batch_another_batch_is_named() {
    let mut fleet = lone_fleet(16);
    fleet.globals[0] = batch(25.0);
    fleet.sites[0][0].checks.push(Check {
        value_c: 0.0,
        variance_c2: 0.01,
    });
    let found = found(&fleet, &Possibilities::default());
    assert_eq!(
        found.best().map(|gain: Gain| gain.remedy),
        Some(Remedy::OtherBatch)
    );
    assert!(found.sentence().contains("the batch's bias"));
}

#[test]
fn with_everything_known_nothing_is_asked() {
    let mut fleet = lone_fleet(16);
    fleet.globals[0] = batch(0.0);
    fleet.sites[0][0] = gauge(0.0);
    let found = found(&fleet, &Possibilities::default());
    assert_eq!(found.best(), None);
    assert_close(found.largest_correlation, 0.0, 0.0, "correlation");
    assert!(found.sentence().ends_with("°C."));
    let empty = separability(
        &Chain::unread(),
        &[],
        &Gaussian::default(),
        1500.0,
        &Possibilities::default(),
    );
    assert_eq!(empty, None);
}
