//! Gauges that read large or small.

use jiff::Timestamp;
use ringtrue_calibration::gauge::NOMINAL_SLOPE_C_PER_MM;

use super::bias::{self, CONFIRMED, LIKELY, UNUSUAL_Z, plural, shrunken_z};
use super::{COVERAGE, Candidate, Evidence, FindingKind, Strength, Subject, rounded_probability};
use crate::key::{GaugeKey, ReadingKey};

/// Step in which lengths are shown, mm.
const SHOWN_MM: f64 = 0.001;

/// What the network knows of one gauge since it last changed.
#[derive(Debug, Clone, PartialEq)]
pub struct GaugeKnown {
    /// The gauge.
    pub gauge: GaugeKey,
    /// What people call it.
    pub display_name: String,
    /// Estimated bias, °C at the nominal slope; positive when furnaces measured with it look hot.
    pub bias_c: f64,
    /// Variance of it given all readings and checks, °C².
    pub variance_c2: f64,
    /// Standard deviation that its permissible error leads to expect, as the fit scaled it, °C.
    pub expected_sd_c: f64,
    /// Readings with it.
    pub readings: u32,
    /// Checks on a reference block that are taken into account.
    pub checks: u32,
    /// Gauges of the site that readings were measured with, this one included.
    pub gauges_of_site: u32,
    /// Its latest readings, latest first.
    pub latest: Vec<ReadingKey>,
    /// End of the latest firing measured with it; none before the first.
    pub last_fired_at: Option<Timestamp>,
}

impl GaugeKnown {
    /// Whether anything tells its bias from the offsets of the site's furnaces: a check, or another gauge.
    pub fn can_be_told(&self) -> bool {
        self.checks > 0 || self.gauges_of_site >= 2
    }

    /// The bias as a length, mm; positive when the gauge reads large.
    pub fn bias_mm(&self) -> f64 {
        self.bias_c / NOMINAL_SLOPE_C_PER_MM + 0.0
    }

    /// Standard uncertainty of that, mm.
    pub fn standard_uncertainty_mm(&self) -> f64 {
        self.variance_c2.max(0.0).sqrt() / NOMINAL_SLOPE_C_PER_MM.abs()
    }
}

/// How many standard deviations of what normal gauges show the bias is. A checked gauge's bias is taken as
/// its checks found it, not drawn towards 0, and normal ones then scatter by s² + V. 0 while nothing can tell
/// its bias.
pub fn gauge_z(known: &GaugeKnown) -> f64 {
    if !known.can_be_told() {
        return 0.0;
    }
    if known.checks == 0 {
        return shrunken_z(known.bias_c, known.variance_c2, known.expected_sd_c);
    }
    let variance_c2 = known.expected_sd_c * known.expected_sd_c + known.variance_c2.max(0.0);
    if variance_c2 > 0.0 {
        known.bias_c / variance_c2.sqrt()
    } else {
        0.0
    }
}

fn matters(known: &GaugeKnown) -> f64 {
    bias::matters(known.bias_c, known.variance_c2)
}

/// What is known of a gauge and what to do, in words.
pub fn gauge_statement(known: &GaugeKnown) -> String {
    let name = &known.display_name;
    if !known.can_be_told() {
        return format!(
            "{name} was never checked and is the only gauge of its site: readings cannot tell its bias from \
             the furnaces' offsets. Check it on a reference block."
        );
    }
    let large = if known.bias_mm() >= 0.0 {
        "large"
    } else {
        "small"
    };
    let look = if known.bias_c >= 0.0 {
        "hotter"
    } else {
        "colder"
    };
    let behind = if known.checks > 0 {
        format!(
            "{} check{} and {} reading{}",
            known.checks,
            plural(known.checks),
            known.readings,
            plural(known.readings)
        )
    } else {
        format!(
            "{} reading{}, beside other gauges of the site",
            known.readings,
            plural(known.readings)
        )
    };
    if known.checks > 0 && known.bias_mm().abs() < SHOWN_MM / 2.0 {
        return format!(
            "{name} reads true within ±{:.3} mm, in temperature ±{:.1} °C ({behind}).",
            (COVERAGE * known.standard_uncertainty_mm()).max(SHOWN_MM),
            COVERAGE * known.variance_c2.max(0.0).sqrt()
        );
    }
    let size = format!(
        "{name} reads {:.3} ± {:.3} mm {large}, which makes furnaces look {:.1} °C {look} ({behind})",
        known.bias_mm().abs(),
        COVERAGE * known.standard_uncertainty_mm(),
        known.bias_c.abs()
    );
    let advice = if known.checks == 0 {
        " Check it on a reference block to be sure."
    } else if is_unusual(known) {
        " Readings are corrected for it; have it adjusted, or use another gauge."
    } else {
        " Readings are corrected for it."
    };
    format!("{size}.{advice}")
}

fn is_unusual(known: &GaugeKnown) -> bool {
    let probability = matters(known);
    (gauge_z(known).abs() > UNUSUAL_Z && probability >= LIKELY)
        || (known.checks == 0 && probability > CONFIRMED)
}

/// What speaks for a bias of a gauge that matters; none before its first reading, and none for a gauge that
/// was never checked and has no other beside it, because then only a check can tell.
pub fn gauge(known: &GaugeKnown) -> Option<Candidate> {
    let seen_at = known.last_fired_at?;
    if !known.can_be_told() {
        return None;
    }
    let clear = known.readings >= 2 && is_unusual(known);
    Some(Candidate {
        kind: FindingKind::GaugeSuspect,
        subject: Subject::Gauge(known.gauge.clone()),
        strength: if clear {
            Strength::Clear
        } else {
            Strength::Faint
        },
        probability: rounded_probability(matters(known)),
        p_value: None,
        statement: gauge_statement(known),
        next_step: format!(
            "Wipe the jaws of {}, zero it, and check it on a reference block near the rings' size; record \
             the check. Until then measure with another gauge if there is one.",
            known.display_name
        ),
        evidence: vec![
            Evidence::of("bias", known.bias_mm(), 3, "mm"),
            Evidence::of(
                "its standard uncertainty",
                known.standard_uncertainty_mm(),
                3,
                "mm",
            ),
            Evidence::of("bias as temperature", known.bias_c, 1, "°C"),
            Evidence::of(
                "standard deviations of normal gauges",
                gauge_z(known),
                1,
                "",
            ),
            Evidence::of("readings", f64::from(known.readings), 0, ""),
            Evidence::of("checks", f64::from(known.checks), 0, ""),
        ],
        readings: known
            .latest
            .iter()
            .take(super::MOST_READINGS)
            .cloned()
            .collect(),
        seen_at,
    })
}
