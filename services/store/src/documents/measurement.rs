//! What was measured.

use ringtrue_calibration::evaluation::Indication;
use ringtrue_calibration::rings::Ring;
use ringtrue_calibration::thermocouple::Kind;
use ringtrue_fleet::key::{BatchId, GaugeKey};
use ringtrue_fleet::reading::{MeasuredRing, Method, RingMeasurement, ThermocoupleMeasurement};
use serde::{Deserialize, Serialize};

/// Rings or a thermocouple; batch and gauge stand in columns of their own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Measurement {
    Rings {
        rings: Vec<RingDocument>,
        zero_mm: Option<f64>,
        ring_temperature_c: Option<f64>,
    },
    Thermocouple {
        kind: KindDocument,
        indication: IndicationDocument,
        correction_c: f64,
        expanded_uncertainty_c: f64,
        position: String,
    },
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct RingDocument {
    position: String,
    diameters_mm: Vec<f64>,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    serial_number: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) enum KindDocument {
    B,
    S,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum IndicationDocument {
    Millivolts {
        emf_mv: f64,
        reference_junction_c: f64,
    },
    Celsius(f64),
}

impl From<&Method> for Measurement {
    fn from(method: &Method) -> Self {
        match method {
            Method::Rings(measured) => Self::Rings {
                rings: measured
                    .rings
                    .iter()
                    .map(|ring| RingDocument {
                        position: ring.ring.position.clone(),
                        diameters_mm: ring.ring.diameters_mm.clone(),
                        serial_number: ring.serial_number.clone(),
                    })
                    .collect(),
                zero_mm: measured.zero_mm,
                ring_temperature_c: measured.ring_temperature_c,
            },
            Method::Thermocouple(thermocouple) => Self::Thermocouple {
                kind: match thermocouple.kind {
                    Kind::B => KindDocument::B,
                    Kind::S => KindDocument::S,
                },
                indication: match thermocouple.indication {
                    Indication::Millivolts {
                        emf_mv,
                        reference_junction_c,
                    } => IndicationDocument::Millivolts {
                        emf_mv,
                        reference_junction_c,
                    },
                    Indication::Celsius(temperature_c) => {
                        IndicationDocument::Celsius(temperature_c)
                    }
                },
                correction_c: thermocouple.correction_c,
                expanded_uncertainty_c: thermocouple.expanded_uncertainty_c,
                position: thermocouple.position.clone(),
            },
        }
    }
}

impl RingDocument {
    /// Sum of squared deviations from the ring's mean, mm², and its degrees of freedom.
    pub(crate) fn scatter(&self) -> (f64, f64) {
        let ring = Ring {
            position: String::new(),
            diameters_mm: self.diameters_mm.clone(),
        };
        ring.scatter()
    }
}

impl Measurement {
    /// The rings; none for a thermocouple.
    pub(crate) fn rings(&self) -> &[RingDocument] {
        match self {
            Self::Rings { rings, .. } => rings,
            Self::Thermocouple { .. } => &[],
        }
    }

    /// The numbers of rings that have one.
    pub(crate) fn serial_numbers(&self) -> impl Iterator<Item = &str> {
        self.rings()
            .iter()
            .map(|ring| ring.serial_number.as_str())
            .filter(|number| !number.is_empty())
    }

    /// The method, with batch and gauge from their columns; none when rings lack either.
    pub(crate) fn method(self, batch: Option<BatchId>, gauge: Option<GaugeKey>) -> Option<Method> {
        match self {
            Self::Rings {
                rings,
                zero_mm,
                ring_temperature_c,
            } => Some(Method::Rings(RingMeasurement {
                batch: batch?,
                gauge: gauge?,
                rings: rings
                    .into_iter()
                    .map(|ring| MeasuredRing {
                        ring: Ring {
                            position: ring.position,
                            diameters_mm: ring.diameters_mm,
                        },
                        serial_number: ring.serial_number,
                    })
                    .collect(),
                zero_mm,
                ring_temperature_c,
            })),
            Self::Thermocouple {
                kind,
                indication,
                correction_c,
                expanded_uncertainty_c,
                position,
            } => Some(Method::Thermocouple(ThermocoupleMeasurement {
                kind: match kind {
                    KindDocument::B => Kind::B,
                    KindDocument::S => Kind::S,
                },
                indication: match indication {
                    IndicationDocument::Millivolts {
                        emf_mv,
                        reference_junction_c,
                    } => Indication::Millivolts {
                        emf_mv,
                        reference_junction_c,
                    },
                    IndicationDocument::Celsius(temperature_c) => {
                        Indication::Celsius(temperature_c)
                    }
                },
                correction_c,
                expanded_uncertainty_c,
                position,
            })),
        }
    }
}
