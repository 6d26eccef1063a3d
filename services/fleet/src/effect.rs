//! Errors that repeat from reading to reading: a gauge's bias, a batch's bias, the answer to another
//! hold. Each has a name, so that readings of many furnaces can be weighed together.

use std::fmt;

use crate::key::{BatchId, GaugeId};

/// An error that several readings have in common.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Effect {
    /// Bias of a gauge of the site between two changes of it.
    Gauge {
        /// The gauge.
        gauge: GaugeId,
        /// Number of the time in which it kept its bias; see [`crate::gauge::Epoch::number`].
        epoch: u32,
        /// True when its check was out of date: then it may have changed unseen.
        unchecked: bool,
    },
    /// Calibration of the site's reference thermocouple of one type.
    Thermocouple(char),
    /// What a ring position differs from the reference position, in one furnace.
    Position {
        /// The furnace's id within its site.
        furnace: String,
        /// The position, in lower case.
        position: String,
    },
    /// Bias of a ring batch, the same for the whole network.
    Batch(BatchId),
    /// Answer of rings to a hold that their table was not made for: of one batch whose tables give it, or
    /// of all batches for which it is assumed.
    Hold(Option<BatchId>),
}

/// A name of an effect that cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not the name of an effect")]
pub struct NotAnEffect(String);

impl Effect {
    /// Whether the whole network shares it; otherwise it belongs to one site.
    pub fn is_global(&self) -> bool {
        matches!(self, Self::Batch(_) | Self::Hold(_))
    }

    /// Whether its expected size is of the kind that the network learns (gauges and batches).
    pub fn is_scaled(&self) -> bool {
        matches!(self, Self::Batch(_) | Self::Gauge { .. })
    }

    /// Reads the name that [`fmt::Display`] writes.
    pub fn parse(text: &str) -> Result<Self, NotAnEffect> {
        let fault = || NotAnEffect(crate::key::shown(text));
        let (kind, rest) = text.split_once(':').ok_or_else(fault)?;
        match kind {
            "gauge" => {
                let mut parts = rest.split('/');
                let (Some(gauge), Some(epoch)) = (parts.next(), parts.next()) else {
                    return Err(fault());
                };
                let unchecked = match parts.next() {
                    None => false,
                    Some("unchecked") => true,
                    Some(_) => return Err(fault()),
                };
                Ok(Self::Gauge {
                    gauge: GaugeId::new(gauge).map_err(|_| fault())?,
                    epoch: epoch.parse().map_err(|_| fault())?,
                    unchecked,
                })
            }
            "thermocouple" => {
                let mut letters = rest.chars();
                match (letters.next(), letters.next()) {
                    (Some(letter), None) => Ok(Self::Thermocouple(letter)),
                    _ => Err(fault()),
                }
            }
            "position" => {
                let (furnace, position) = rest.split_once('/').ok_or_else(fault)?;
                Ok(Self::Position {
                    furnace: furnace.to_owned(),
                    position: position.to_owned(),
                })
            }
            "batch" => Ok(Self::Batch(BatchId::new(rest).map_err(|_| fault())?)),
            "hold" if rest.is_empty() => Ok(Self::Hold(None)),
            "hold" => Ok(Self::Hold(Some(BatchId::new(rest).map_err(|_| fault())?))),
            _ => Err(fault()),
        }
    }
}

impl fmt::Display for Effect {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Gauge {
                gauge,
                epoch,
                unchecked,
            } => {
                write!(f, "gauge:{gauge}/{epoch}")?;
                if *unchecked {
                    f.write_str("/unchecked")?;
                }
                Ok(())
            }
            Self::Thermocouple(letter) => write!(f, "thermocouple:{letter}"),
            Self::Position { furnace, position } => write!(f, "position:{furnace}/{position}"),
            Self::Batch(batch) => write!(f, "batch:{batch}"),
            Self::Hold(None) => f.write_str("hold:"),
            Self::Hold(Some(batch)) => write!(f, "hold:{batch}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_of_effect_is_read_back_from_its_name() {
        let gauge = GaugeId::new("k1").expect("an id");
        let batch = BatchId::new("b7").expect("an id");
        for effect in [
            Effect::Gauge {
                gauge: gauge.clone(),
                epoch: 0,
                unchecked: false,
            },
            Effect::Gauge {
                gauge,
                epoch: 3,
                unchecked: true,
            },
            Effect::Thermocouple('B'),
            Effect::Position {
                furnace: "f1".to_owned(),
                position: "door / left".to_owned(),
            },
            Effect::Batch(batch.clone()),
            Effect::Hold(None),
            Effect::Hold(Some(batch)),
        ] {
            assert_eq!(Effect::parse(&effect.to_string()), Ok(effect));
        }
    }

    #[test]
    fn other_texts_are_not_effects() {
        for text in [
            "",
            "gauge:k1",
            "gauge:k1/x",
            "gauge:k1/1/old",
            "thermocouple:",
            "thermocouple:BS",
            "position:f1",
            "batch:B 7",
            "colour:red",
        ] {
            assert!(Effect::parse(text).is_err(), "{text}");
        }
    }
}
