//! `ringtrue qc batches` and `ringtrue qc gauges`: biases that furnaces share.

use ringtrue_proto::v1::{
    BatchEffect, GaugeEffect, ListBatchEffectsRequest, ListBatchEffectsResponse,
    ListGaugeEffectsRequest, ListGaugeEffectsResponse,
};

use super::{Reach, parent};
use crate::failure::Stop;
use crate::names;
use crate::quantity::{fixed, signed};
use crate::session::{Session, gathered};
use crate::site::shown_list;

const BATCH_HEADINGS: [&str; 6] = ["batch", "bias", "unusual", "readings", "sites", "meaning"];
const GAUGE_HEADINGS: [&str; 7] = [
    "gauge",
    "bias",
    "as length",
    "unusual",
    "readings",
    "checks",
    "meaning",
];

/// Lists what is known of batches.
pub(super) async fn batches(limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let remote = session.remote.clone();
    let pages = gathered(limit, async |page_size, page_token| {
        let ask = ListBatchEffectsRequest {
            page_size,
            page_token,
        };
        let page = remote.batch_effects(ask).await?;
        Ok((page.effects, page.next_page_token))
    });
    let (effects, next_page_token) = pages.await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListBatchEffectsResponse {
            effects,
            next_page_token,
        };
        return session.show_json("ListBatchEffectsResponse", &whole);
    }
    if effects.is_empty() {
        return session.say(
            "Nothing is known of a batch yet. Add one with `ringtrue batch import` and record readings \
             with `ringtrue reading add`.",
        );
    }
    shown_list(
        "batches",
        &BATCH_HEADINGS,
        &batch_rows(&effects),
        more,
        session,
    )
}

/// Lists what is known of gauges.
pub(super) async fn gauges(
    reach: &Reach,
    limit: usize,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let parent = parent(reach, session)?;
    let remote = session.remote.clone();
    let pages = gathered(limit, async |page_size, page_token| {
        let ask = ListGaugeEffectsRequest {
            parent: parent.clone(),
            page_size,
            page_token,
        };
        let page = remote.gauge_effects(ask).await?;
        Ok((page.effects, page.next_page_token))
    });
    let (effects, next_page_token) = pages.await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListGaugeEffectsResponse {
            effects,
            next_page_token,
        };
        return session.show_json("ListGaugeEffectsResponse", &whole);
    }
    if effects.is_empty() {
        return session.say(
            "Nothing is known of a gauge yet. Add one with `ringtrue gauge add`, check it on a reference \
             block with `ringtrue gauge check` and record readings with `ringtrue reading add`.",
        );
    }
    let rows = gauge_rows(&effects, parent == "sites/-");
    shown_list("gauges", &GAUGE_HEADINGS, &rows, more, session)
}

fn batch_rows(effects: &[BatchEffect]) -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    for effect in effects {
        let id = names::id(&effect.ring_batch);
        let batch = if effect.code.is_empty() || effect.code == id {
            id.to_owned()
        } else {
            format!("{id} ({})", effect.code)
        };
        rows.push(vec![
            batch,
            format!(
                "{} ± {} °C",
                signed(effect.bias_c, 1),
                fixed(2.0 * effect.standard_uncertainty_c, 1)
            ),
            format!("{} σ", signed(effect.z, 1)),
            effect.reading_count.to_string(),
            effect.site_count.to_string(),
            effect.statement.clone(),
        ]);
    }
    rows
}

fn gauge_rows(effects: &[GaugeEffect], with_site: bool) -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    for effect in effects {
        let gauge = if with_site {
            names::with_site(&effect.gauge)
        } else {
            names::id(&effect.gauge).to_owned()
        };
        // Nothing tells its bias: neither a check nor another gauge beside it.
        let unusual = if effect.check_count == 0 && effect.z.abs() < 1e-9 {
            String::new()
        } else {
            format!("{} σ", signed(effect.z, 1))
        };
        rows.push(vec![
            gauge,
            format!(
                "{} ± {} °C",
                signed(effect.bias_c, 1),
                fixed(2.0 * effect.standard_uncertainty_c, 1)
            ),
            format!(
                "{} ± {} mm",
                signed(effect.bias_mm, 3),
                fixed(2.0 * effect.standard_uncertainty_mm, 3)
            ),
            unusual,
            effect.reading_count.to_string(),
            effect.check_count.to_string(),
            effect.statement.clone(),
        ]);
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output;

    #[test]
    fn batches_are_listed_with_their_bias_and_what_it_means() {
        let effect = BatchEffect {
            ring_batch: "ringBatches/x7".to_owned(),
            code: "X-7".to_owned(),
            bias_c: 6.14,
            standard_uncertainty_c: 1.3,
            z: 2.6,
            reading_count: 41,
            site_count: 5,
            statement: "Its rings read hot.".to_owned(),
            ..BatchEffect::default()
        };
        let expected = "\
BATCH     BIAS           UNUSUAL  READINGS  SITES  MEANING
x7 (X-7)  +6.1 ± 2.6 °C  +2.6 σ   41        5      Its rings read hot.";
        assert_eq!(
            output::table(&BATCH_HEADINGS, &batch_rows(&[effect]), 100),
            expected
        );
    }

    #[test]
    fn gauges_are_listed_with_their_bias_as_temperature_and_as_length() {
        let effect = GaugeEffect {
            gauge: "sites/porto/gauges/caliper-1".to_owned(),
            bias_c: -4.0,
            standard_uncertainty_c: 1.0,
            bias_mm: 0.02,
            standard_uncertainty_mm: 0.005,
            z: -2.0,
            reading_count: 12,
            check_count: 1,
            statement: "Check it on a block.".to_owned(),
            ..GaugeEffect::default()
        };
        let expected = "\
GAUGE            BIAS           AS LENGTH          UNUSUAL  READINGS  CHECKS  MEANING
porto/caliper-1  -4.0 ± 2.0 °C  +0.020 ± 0.010 mm  -2.0 σ   12        1       Check it on a block.";
        assert_eq!(
            output::table(&GAUGE_HEADINGS, &gauge_rows(&[effect], true), 120),
            expected
        );
    }
}
