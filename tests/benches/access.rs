//! How long it takes to find out who makes a call when the credential is remembered, and beside it the one hash that no
//! check of a token can do without.

use std::hint::black_box;
use std::num::NonZeroU32;

use criterion::{Criterion, criterion_group, criterion_main};
use futures::FutureExt as _;
use http::{HeaderMap, HeaderValue};
use ringtrue_fleet::credential::Holder;
use ringtrue_fleet::grant::Role;
use ringtrue_server::access::{Gate, Peer};
use ringtrue_server::config::Access;
use ringtrue_tests::Network;
use ringtrue_tests::credentials::{digest, grant};

fn checks(criterion: &mut Criterion) {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .expect("a runtime");
    let (gate, headers, secret, network) = runtime.block_on(async {
        let network = Network::start().await;
        let sites: Vec<String> = (0..20).map(|number| format!("s{number}")).collect();
        let sites: Vec<&str> = sites.iter().map(String::as_str).collect();
        let held = network
            .held(Holder::Device, grant(Role::Technician, &sites))
            .await;
        let mut headers = HeaderMap::new();
        let value = format!("Bearer {}", held.token.text());
        headers.insert(
            "authorization",
            HeaderValue::try_from(value).expect("it can travel"),
        );
        headers.insert("ringtrue-operator", HeaderValue::from_static("ab-7"));
        let settings = Access {
            calls_per_s: NonZeroU32::MAX,
            calls_per_s_and_address: NonZeroU32::MAX,
            ..Access::default()
        };
        let (store, clock) = (network.app.store.clone(), network.app.clock.clone());
        let gate = Gate::new(store, clock, &settings, network.app.access.clone());
        (gate, headers, held.token.secret, network)
    });
    let peer = Peer {
        address: std::net::IpAddr::from([192, 0, 2, 7]),
        certificate: None,
        encrypted: true,
    };
    let first = runtime.block_on(gate.admit(&headers, Some(&peer)));
    first.expect("the token is good");
    let mut group = criterion.benchmark_group("who calls");
    group.bench_function("a remembered credential", |bencher| {
        bencher.iter(|| {
            let admitted = gate.admit(black_box(&headers), Some(&peer)).now_or_never();
            admitted.expect("nothing is waited for").expect("let in")
        });
    });
    group.bench_function("one SHA-256 of the secret", |bencher| {
        bencher.iter(|| digest(black_box(&secret)));
    });
    group.finish();
    drop(network);
}

criterion_group!(benches, checks);
criterion_main!(benches);
