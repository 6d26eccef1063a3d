//! Readings: recording, looking up, previewing, amending.

use ringtrue_proto::v1;
use ringtrue_tests::Network;

#[tokio::test]
async fn the_first_reading_of_a_furnace_advises_the_plain_setpoint() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let reading = network.record(network.ask(&bench, &[19.470, 19.468, 19.472])).await;
    let evaluation = reading.evaluation.expect("an evaluation");
    println!("{evaluation:#?}");
    assert_eq!(evaluation.advice(), v1::Advice::Adjust);
    network.stop().await;
}
