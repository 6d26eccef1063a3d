//! A small invented fleet (6 furnaces, 3 sites, 4 gauges, 4 batches, 54 readings) whose every posterior
//! was recomputed by a dense solve in double precision: `vectors/golden_fleet_posteriors.csv`.

use crate::inference::*;

/// One reading of the fleet.
struct Read {
    site: usize,
    furnace: usize,
    gauge: usize,
    batch: usize,
    t: f64,
    setpoint_c: f64,
    offset_c: f64,
    coefficient: f64,
    events: f64,
    variance_c2: f64,
}

fn number(text: &str) -> f64 {
    text.parse().expect("a number in the vectors")
}

fn ordinal(text: &str, first: char) -> usize {
    let letter = text.chars().next_back().expect("a name in the vectors");
    usize::try_from(u32::from(letter) - u32::from(first)).expect("a small number")
}

fn reads() -> Vec<Read> {
    let mut reads = Vec::new();
    for line in include_str!("../../../vectors/golden_fleet_readings.csv")
        .lines()
        .skip(1)
    {
        let f: Vec<&str> = line.split(',').collect();
        reads.push(Read {
            site: f[0].parse().expect("a site"),
            furnace: ordinal(f[1], '1'),
            gauge: ordinal(f[2], '1'),
            batch: ordinal(f[3], 'A'),
            t: number(f[4]),
            setpoint_c: number(f[5]),
            offset_c: number(f[6]),
            coefficient: number(f[8]),
            events: number(f[9]),
            variance_c2: number(f[10]),
        });
    }
    reads
}

/// Site of a furnace or gauge, and the gauge's place there: sites 0, 1, 2 have gauges 1-2, 3, 4.
const GAUGE_PLACES: [(usize, usize); 4] = [(0, 0), (0, 1), (1, 0), (2, 0)];

/// What is expected of one variant.
struct Golden {
    name: &'static str,
    rows: Vec<(&'static str, &'static str, Vec<f64>)>,
}

fn golden(name: &'static str) -> Golden {
    let mut rows = Vec::new();
    for line in include_str!("../../../vectors/golden_fleet_posteriors.csv")
        .lines()
        .skip(1)
    {
        let f: Vec<&'static str> = line.split(',').collect();
        if f[0] == name {
            let values = f[4..]
                .iter()
                .filter(|v| !v.is_empty())
                .map(|v| number(v))
                .collect();
            rows.push((f[1], f[2], values));
        }
    }
    assert!(!rows.is_empty(), "{name}");
    Golden { name, rows }
}

impl Golden {
    fn of(&self, kind: &str) -> Vec<(&'static str, &[f64])> {
        let mut found = Vec::new();
        for (k, name, values) in &self.rows {
            if *k == kind {
                found.push((*name, values.as_slice()));
            }
        }
        found
    }
}

/// One furnace's columns, chain and firings.
struct Followed {
    site: usize,
    columns: Vec<Column>,
    chain: Chain,
    effects: Vec<Vec<(usize, f64)>>,
    reads: Vec<usize>,
    priors: Vec<f64>,
}

fn firing<'a>(reads: &[Read], followed: &'a Followed, k: usize) -> Firing<'a> {
    let read = &reads[followed.reads[k]];
    let weeks = if k == 0 {
        0.0
    } else {
        read.t - reads[followed.reads[k - 1]].t
    };
    Firing {
        weeks,
        setpoint_c: read.setpoint_c,
        offset_c: read.offset_c,
        variance_c2: read.variance_c2,
        event_variance_c2: 64.0 * read.events,
        redraws_slope: false,
        shift_c: 0.0,
        effects: &followed.effects[k],
    }
}

fn followed(
    reads: &[Read],
    furnace: usize,
    components: &Components,
    gauge_c2: f64,
    batch_c2: f64,
) -> Followed {
    let mut mine: Vec<usize> = (0..reads.len())
        .filter(|k| reads[*k].furnace == furnace)
        .collect();
    mine.sort_by(|a, b| reads[*a].t.total_cmp(&reads[*b].t));
    let mut result = Followed {
        site: reads[mine[0]].site,
        columns: Vec::new(),
        chain: Chain::unread(),
        effects: Vec::new(),
        reads: mine,
        priors: Vec::new(),
    };
    for k in 0..result.reads.len() {
        let read = &reads[result.reads[k]];
        let mut effects = Vec::new();
        let pairs = [
            (
                Column::Local(GAUGE_PLACES[read.gauge].1),
                read.coefficient,
                gauge_c2,
            ),
            (Column::Global(read.batch), 1.0, batch_c2),
        ];
        for (column, coefficient, prior) in pairs {
            let place = result
                .columns
                .iter()
                .position(|c| *c == column)
                .unwrap_or_else(|| {
                    result.columns.push(column);
                    result.priors.push(prior);
                    result.columns.len() - 1
                });
            effects.push((place, coefficient));
        }
        result.effects.push(effects);
    }
    let mut scratch = Scratch::default();
    for k in 0..result.reads.len() {
        let mut chain = std::mem::take(&mut result.chain);
        chain.follow(
            &firing(reads, &result, k),
            &result.priors,
            components,
            &mut scratch,
        );
        result.chain = chain;
    }
    result
}

fn close(found: f64, expected: f64, what: &str) {
    assert!(
        (found - expected).abs() < 1e-9,
        "{what}: {found} instead of {expected}"
    );
}

fn variant_equals_the_dense_solve(name: &'static str) {
    let golden = golden(name);
    let p = golden.of("params")[0].1;
    let components = Components {
        initial_sd_c: Some(p[0]),
        wander_c2_per_week: p[1],
        slope_sd_c_per_week: p[2],
        slope_wander_c2_per_week3: p[3],
        coefficient_sd_c_per_100c: p[4],
        event_scale: p[5] / 8.0,
        bound_z: f64::INFINITY,
        ..Components::default()
    };
    let reads = reads();
    let all: Vec<Followed> = (0..6)
        .map(|f| followed(&reads, f, &components, p[7] * p[7], p[6] * p[6]))
        .collect();
    let mut locals: Vec<Vec<LocalEffect>> = vec![Vec::new(); 3];
    for (site, _) in GAUGE_PLACES {
        locals[site].push(LocalEffect {
            prior_variance_c2: p[7] * p[7],
            scaled: true,
            checks: Vec::new(),
        });
    }
    for (gauge, values) in golden.of("check") {
        let (site, place) = GAUGE_PLACES[ordinal(gauge, '1')];
        locals[site][place].checks.push(Check {
            value_c: values[0],
            variance_c2: values[1] * values[1],
        });
    }
    let globals = [GlobalEffect {
        prior_variance_c2: p[6] * p[6],
        scaled: true,
    }; 4];
    let mut network = Network::new(&globals, &components);
    let mut blocks = Vec::new();
    for (site, own) in locals.iter().enumerate() {
        let furnaces: Vec<(&[Column], &Chain)> = all
            .iter()
            .filter(|f| f.site == site)
            .map(|f| (f.columns.as_slice(), &f.chain))
            .collect();
        let block = eliminated(own, &furnaces, &components);
        network.add(&block);
        blocks.push(block);
    }
    let solution = network.solved().expect("a solution");
    close(
        solution.log_likelihood,
        golden.of("log_likelihood")[0].1[0],
        golden.name,
    );
    for (batch, values) in golden.of("batch") {
        let index = ordinal(batch, 'A');
        close(solution.mean_c(index), values[0], batch);
        close(
            solution.covariance_c2(index, index).sqrt(),
            values[1],
            batch,
        );
    }
    for (gauge, values) in golden.of("gauge") {
        let (site, place) = GAUGE_PLACES[ordinal(gauge, '1')];
        let joint = blocks[site].joint(&solution, &[Column::Local(place)]);
        close(joint.mean_c(0), values[0], gauge);
        close(joint.covariance_c2(0, 0).sqrt(), values[1], gauge);
    }
    for (furnace, v) in golden.of("last") {
        let f = &all[ordinal(furnace, '1')];
        let state = f.chain.offset(&blocks[f.site].joint(&solution, &f.columns));
        close(state.level_c, v[0], furnace);
        close(state.slope_c_per_week, v[1], furnace);
        close(state.coefficient_c_per_100c, v[2], furnace);
        let c = &state.covariance;
        let found = [c[0][0], c[0][1], c[0][2], c[1][1], c[1][2], c[2][2]];
        for (value, expected) in found.iter().zip(&v[3..]) {
            close(*value, *expected, furnace);
        }
    }
    the_past_equals(&golden, &reads, &all, &components, |f| {
        blocks[f.site].joint(&solution, &f.columns)
    });
}

/// Compares the offsets at all past firings; the expected ones stand in the order of the readings.
fn the_past_equals(
    golden: &Golden,
    reads: &[Read],
    all: &[Followed],
    components: &Components,
    effects: impl Fn(&Followed) -> Gaussian,
) {
    let mut past = Vec::new();
    for f in all {
        let mut firings = Vec::new();
        for k in 0..f.reads.len() {
            firings.push(firing(reads, f, k));
        }
        past.push(smoothed(&firings, &f.priors, components, &effects(f)));
    }
    for (k, (furnace, v)) in golden.of("smoothed").iter().enumerate() {
        let f = reads[k].furnace;
        let place = all[f]
            .reads
            .iter()
            .position(|read| *read == k)
            .expect("its reading");
        let state = &past[f][place];
        close(state.level_c, v[0], furnace);
        close(state.covariance[0][0].sqrt(), v[1], furnace);
    }
}

#[test]
fn the_wandering_level_equals_the_dense_solve() {
    variant_equals_the_dense_solve("local_level");
}

#[test]
fn level_and_slope_equal_the_dense_solve() {
    variant_equals_the_dense_solve("level_slope");
}

#[test]
fn level_slope_and_coefficient_equal_the_dense_solve() {
    variant_equals_the_dense_solve("level_slope_temp");
}

#[test]
fn checked_gauges_equal_the_dense_solve() {
    variant_equals_the_dense_solve("level_slope_temp_check");
}

#[test]
fn a_wandering_slope_equals_the_dense_solve() {
    variant_equals_the_dense_solve("integrated_rw");
}
