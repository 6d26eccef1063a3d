//! A firing programme as the mathematics sees it: ramps, temperatures and holds.

/// One segment of a firing programme: a ramp to a temperature, then a hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// Heating or cooling rate, °C/min, always positive.
    pub ramp_c_per_min: f64,
    /// Temperature at the end of the ramp, °C, as the programme states it.
    pub temperature_c: f64,
    /// Hold at that temperature, min; zero when the next ramp starts at once.
    pub hold_min: f64,
}

/// The segments of a firing, in order, from a cold chamber.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Cycle {
    /// Segments in firing order; never empty in a valid programme.
    pub segments: Vec<Segment>,
}

impl Cycle {
    /// The segment with the highest temperature; the last one when several share it.
    pub fn peak(&self) -> Option<&Segment> {
        let mut peak: Option<&Segment> = None;
        for segment in &self.segments {
            if peak.is_none_or(|p| segment.temperature_c >= p.temperature_c) {
                peak = Some(segment);
            }
        }
        peak
    }
}
