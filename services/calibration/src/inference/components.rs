//! Variance components: how much furnaces wander, gauges and batches are biased and readings scatter.

/// No variance counts as larger than this, °C²: a standard deviation of a million degrees says nothing.
pub(crate) const LARGEST_VARIANCE_C2: f64 = 1e12;

/// No reading counts as surer than this, °C²: a thousandth of a degree.
pub(crate) const SMALLEST_NOISE_C2: f64 = 1e-6;

/// Nothing is carried further than this, weeks (about two hundred years).
const LONGEST_WEEKS: f64 = 1e4;

/// Variance components of a fleet.
///
/// Scales multiply the nominal standard deviations that callers give for each reading, effect and
/// event, so that one number per kind is learnt while instruments keep their own figures. The defaults
/// are assumptions of this program until a fleet has learnt its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Components {
    /// Variance that the level of a furnace gains in a week, °C²/week.
    pub wander_c2_per_week: f64,
    /// Standard deviation of a furnace's steady drift before anything is read, °C/week.
    pub slope_sd_c_per_week: f64,
    /// Variance that the drift itself gains in a week, °C²/week³.
    pub slope_wander_c2_per_week3: f64,
    /// Standard deviation of the change of the offset with set temperature, °C per 100 °C.
    pub coefficient_sd_c_per_100c: f64,
    /// Factor on the nominal standard deviation of events.
    pub event_scale: f64,
    /// Factor on the nominal standard deviation of what the next reading does not repeat.
    pub noise_scale: f64,
    /// Factor on the nominal standard deviation of effects shared by all sites.
    pub batch_scale: f64,
    /// Factor on the nominal standard deviation of effects of one site.
    pub gauge_scale: f64,
    /// Standard deviation of the offset before anything is read, °C; none starts exactly diffuse: the
    /// first reading is believed as it is.
    pub initial_sd_c: Option<f64>,
    /// A reading further than this many standard deviations from what its furnace's own record says
    /// is counted at reduced weight; infinity counts every reading in full.
    pub bound_z: f64,
}

impl Default for Components {
    fn default() -> Self {
        Components {
            wander_c2_per_week: 0.4,
            slope_sd_c_per_week: 0.12,
            slope_wander_c2_per_week3: 0.0,
            coefficient_sd_c_per_100c: 3.0,
            event_scale: 1.0,
            noise_scale: 1.0,
            batch_scale: 1.0,
            gauge_scale: 1.0,
            initial_sd_c: None,
            bound_z: 3.0,
        }
    }
}

impl Components {
    /// Gives the variance of a reading's own noise from its nominal one, °C².
    pub fn noise_c2(&self, nominal_c2: f64) -> f64 {
        (usable(nominal_c2) * usable(self.noise_scale * self.noise_scale))
            .clamp(SMALLEST_NOISE_C2, LARGEST_VARIANCE_C2)
    }

    /// Gives the variance that events add to the level from their nominal one, °C².
    pub fn event_c2(&self, nominal_c2: f64) -> f64 {
        usable(usable(nominal_c2) * usable(self.event_scale * self.event_scale))
    }

    /// Gives the prior variance of an effect of one site, °C²; 0 fixes the effect to zero.
    pub fn local_prior_c2(&self, nominal_c2: f64, scaled: bool) -> f64 {
        scaled_prior(nominal_c2, scaled, self.gauge_scale)
    }

    /// Gives the prior variance of an effect shared by all sites, °C²; 0 fixes the effect to zero.
    pub fn global_prior_c2(&self, nominal_c2: f64, scaled: bool) -> f64 {
        scaled_prior(nominal_c2, scaled, self.batch_scale)
    }

    /// Variance of the slope before anything is read, (°C/week)².
    pub(crate) fn slope_c2(&self) -> f64 {
        usable(self.slope_sd_c_per_week * self.slope_sd_c_per_week)
    }

    /// Variance of the coefficient before anything is read, (°C per 100 °C)².
    pub(crate) fn coefficient_c2(&self) -> f64 {
        usable(self.coefficient_sd_c_per_100c * self.coefficient_sd_c_per_100c)
    }

    /// Variance of the level before anything is read, °C²; none when it is diffuse.
    pub(crate) fn initial_c2(&self) -> Option<f64> {
        self.initial_sd_c.map(|sd| usable(sd * sd))
    }

    /// What `weeks` add to the variance of the level, to its covariance with the slope, and to the
    /// variance of the slope.
    pub(crate) fn wandered(&self, weeks: f64) -> [f64; 3] {
        let slope = usable(self.slope_wander_c2_per_week3);
        [
            usable(self.wander_c2_per_week) * weeks + slope * weeks * weeks * weeks / 3.0,
            slope * weeks * weeks / 2.0,
            slope * weeks,
        ]
    }
}

fn scaled_prior(nominal_c2: f64, scaled: bool, scale: f64) -> f64 {
    if scaled {
        usable(usable(nominal_c2) * usable(scale * scale))
    } else {
        usable(nominal_c2)
    }
}

/// A variance that can be calculated with: what is not a number or is negative counts as none.
pub(crate) fn usable(variance: f64) -> f64 {
    if variance > 0.0 {
        variance.min(LARGEST_VARIANCE_C2)
    } else {
        0.0
    }
}

/// Weeks that can be calculated with: dates out of order count as no time.
pub(crate) fn usable_weeks(weeks: f64) -> f64 {
    if weeks > 0.0 {
        weeks.min(LONGEST_WEEKS)
    } else {
        0.0
    }
}
