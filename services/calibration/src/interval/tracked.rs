//! The interval from what is known of this furnace: the longest after which it has stayed within
//! tolerance all the time with the wanted probability.

use super::{IntervalAdvice, IntervalPolicy, LimitedBy, Method, advice, too_little_known};
use crate::passage::Outlook;

/// Days of a week.
const DAYS_A_WEEK: f64 = 7.0;

/// Gives the advised interval from an outlook: the largest number of whole days with a probability of
/// at least the policy's reliability that the error stays within tolerance until then.
///
/// The outlook is that of the setpoint that will be used, so after an adjustment the adjusted one.
pub fn tracked(outlook: &Outlook, policy: &IntervalPolicy) -> IntervalAdvice {
    if !outlook.is_usable() {
        let reason = "the error of the furnace or its tolerance is not known; fire a ring first";
        let shortest = f64::from(policy.shortest());
        return too_little_known(Method::Tracked, shortest, policy, reason);
    }
    let stays = |days: u32| 1.0 - outlook.probability_left_by(f64::from(days) / DAYS_A_WEEK);
    let enough = |days: u32| stays(days) >= policy.reliability;
    let longest = policy.longest();
    let days = if enough(longest) {
        None
    } else {
        let (mut inside, mut outside) = (0, longest);
        while outside - inside > 1 {
            let middle = u32::midpoint(inside, outside);
            if enough(middle) {
                inside = middle;
            } else {
                outside = middle;
            }
        }
        Some(f64::from(inside))
    };
    let mut found = advice(Method::Tracked, days, policy, "");
    let percent = (stays(found.days) * 100.0).floor();
    let next = if found.limited_by == LimitedBy::ShortestAllowed {
        "; adjust the furnace, or measure it with less uncertainty"
    } else {
        ""
    };
    let reason = format!(
        "the probability that it stays within ±{:.1} °C until then is {percent:.0} %, at a drift of \
         {:+.2} °C a week, and {:.0} % is wanted{next}",
        outlook.tolerance_c,
        outlook.slope_c_per_week,
        policy.reliability * 100.0
    );
    found.words = advice(Method::Tracked, days, policy, &reason).words;
    found
}
