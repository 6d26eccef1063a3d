//! How long the network's answer takes: one reading folded in, one reading amended, one furnace
//! followed, a network refitted.

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use network::{InventedNetwork, Size, drawn};
use ringtrue_calibration::inference::{
    Chain, Column, Components, Firing, Online, Scratch, SiteRecords, refit,
};

#[path = "../refit/network.rs"]
mod network;

const READINGS: usize = 130;
const BATCHES: usize = 260;

fn invented(furnaces: usize, setpoints: usize) -> InventedNetwork {
    let size = Size {
        furnaces,
        readings: READINGS,
        batches: BATCHES,
        setpoints,
    };
    drawn(size, &Components::default(), 1)
}

fn firings(records: &SiteRecords, furnace: usize) -> Vec<Firing<'_, Column>> {
    let mut firings = Vec::new();
    for reading in records.of_furnace(furnace) {
        firings.push(records.firing(reading, records.effects(reading)));
    }
    firings
}

/// The answer kept reading by reading, with every reading taken in.
fn kept(network: &InventedNetwork) -> Online {
    let mut online = Online::new(Components::default());
    for global in &network.globals {
        online.add_global(*global);
    }
    for records in &network.sites {
        let site = online.add_site();
        for local in &records.locals {
            online.add_local(site, local.clone());
        }
        for furnace in 0..records.furnaces() {
            let number = online.add_furnace(site).expect("the site was added");
            for firing in firings(records, furnace) {
                online.take(number, &firing);
            }
        }
    }
    online
}

fn one_reading(criterion: &mut Criterion) {
    let network = invented(200, 1);
    let mut online = kept(&network);
    let records = &network.sites[0];
    let history = firings(records, 0);
    let next = history[READINGS - 1];
    let mut group = criterion.benchmark_group("260 batches");
    group.bench_function("one reading expected", |bencher| {
        bencher.iter(|| online.expected(black_box(0), black_box(&next)));
    });
    group.bench_function("one reading folded in", |bencher| {
        bencher.iter(|| online.take(black_box(0), black_box(&next)));
    });
    let mut amended = history.clone();
    amended[READINGS / 2].offset_c += 3.0;
    group.bench_function("one reading amended, everything solved anew", |bencher| {
        bencher.iter(|| online.replace_furnace(black_box(0), black_box(&amended)));
    });
    group.finish();
}

fn one_furnace(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("one furnace, 130 readings");
    for (name, setpoints) in [("one set temperature", 1), ("two set temperatures", 2)] {
        let network = invented(4, setpoints);
        let records = &network.sites[0];
        let mut columns = Vec::new();
        let mut effects = Vec::new();
        for reading in records.of_furnace(0) {
            let mut own = Vec::new();
            for (column, coefficient) in records.effects(reading) {
                let known = columns.iter().position(|known| known == column);
                own.push((known.unwrap_or(columns.len()), *coefficient));
                if known.is_none() {
                    columns.push(*column);
                }
            }
            effects.push(own);
        }
        let priors = vec![4.0; columns.len()];
        let components = Components::default();
        let mut chain = Chain::unread();
        let mut scratch = Scratch::default();
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                chain.clear();
                for (reading, own) in records.of_furnace(0).iter().zip(&effects) {
                    let firing = records.firing(reading, own);
                    chain.follow(&firing, &priors, &components, &mut scratch);
                }
                black_box(chain.log_determinant)
            });
        });
    }
    group.finish();
}

fn networks(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("refit, 130 readings a furnace");
    group.sample_size(10);
    for furnaces in [1_000, 10_000] {
        let network = invented(furnaces, 1);
        let readings = u64::try_from(network.readings()).unwrap_or(u64::MAX);
        group.throughput(Throughput::Elements(readings));
        group.bench_function(format!("{furnaces} furnaces"), |bencher| {
            let components = Components::default();
            bencher.iter(|| refit(black_box(&network.sites), &network.globals, &components));
        });
    }
    group.finish();
}

criterion_group!(benches, one_reading, one_furnace, networks);
criterion_main!(benches);
