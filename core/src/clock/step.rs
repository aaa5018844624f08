//! A clock that was set, and the moments that were taken before. Pure.
//!
//! A machine without a battery begins in 1970, or when its image was made, and learns the time minutes later. What a process
//! has dated until then is as old as it is all the same: each of its moments moves along with the clock. What an earlier
//! process dated stays.

use serde::{Deserialize, Serialize};

use super::Timestamp;

/// The clock of a process was set.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Step {
    /// When the process began, by the clock as it was.
    pub began: Timestamp,
    /// What that showed when it was set.
    pub was: Timestamp,
    /// What it showed from then on.
    pub is: Timestamp,
}

impl Step {
    /// `moment` by the clock as it is, if this process took it.
    #[must_use]
    pub fn moved(&self, moment: Timestamp) -> Timestamp {
        self.moved_up_to(moment, self.was)
    }

    /// `moment`, which is to come and was reckoned by this process, by the clock as it is; if it is no later than `last`.
    #[must_use]
    pub(crate) fn moved_up_to(&self, moment: Timestamp, last: Timestamp) -> Timestamp {
        if (self.began..=last).contains(&moment) { self.along(moment) } else { moment }
    }

    /// `moment`, of which it is known that this process took or reckoned it, by the clock as it is.
    #[must_use]
    pub fn along(&self, moment: Timestamp) -> Timestamp {
        moment.plus(self.is.since(self.was)).minus(self.was.since(self.is))
    }

    /// [`Self::moved`] in place.
    pub fn shift(&self, moment: &mut Timestamp) {
        *moment = self.moved(*moment);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(began: u64, was: u64, is: u64) -> Step {
        let [began, was, is] = [began, was, is].map(Timestamp::from_millis);
        Step { began, was, is }
    }

    /// Each line: when the process began, what the clock showed, what it was set to; a moment, and what becomes of it.
    #[test]
    fn only_what_this_process_took_moves_along() {
        const NOW: u64 = 1_795_000_000_000;
        for (began, was, is, moment, moved, why) in [
            (12_000, 192_000, NOW, 12_000, NOW - 180_000, "the start itself"),
            (12_000, 192_000, NOW, 192_000, NOW, "this moment"),
            (12_000, 192_000, NOW, 11_999, 11_999, "before it"),
            (12_000, 192_000, NOW, NOW - 1, NOW - 1, "by an earlier process whose clock was right"),
            (12_000, 192_000, NOW, 192_001, 192_001, "not yet"),
            // Back from a wrong future.
            (NOW + 9_000_000, NOW + 9_060_000, NOW, NOW + 9_000_000, NOW - 60_000, "the start itself"),
            (NOW + 9_000_000, NOW + 9_060_000, NOW, NOW - 5, NOW - 5, "by an earlier process whose clock was right"),
            // By less than the process is old.
            (NOW, NOW + 100_000, NOW + 120_000, NOW + 30_000, NOW + 50_000, "in the middle"),
            (NOW, NOW + 100_000, NOW + 80_000, NOW + 90_000, NOW + 70_000, "in the middle"),
            // Nothing is before 1970.
            (NOW, NOW + 100_000, 40_000, NOW + 10_000, 0, "in the middle"),
        ] {
            let seen = step(began, was, is).moved(Timestamp::from_millis(moment)).millis();
            assert_eq!(seen, moved, "{moment} of {began} to {was}, set to {is}: {why}");
        }
    }

    proptest::proptest! {
        /// What is set wrong and right again leaves everything as it was; no age changes on the way.
        #[test]
        fn ages_stay(began in 1_u64 << 41..1 << 42, lived in 0_u64..1 << 36, by in -(1_i64 << 40)..1 << 40, a in 0_u64..1 << 36) {
            let (was, taken) = (began + lived, began + a % (lived + 1));
            let is = was.checked_add_signed(by).unwrap();
            let there = step(began, was, is);
            let moved = there.moved(Timestamp::from_millis(taken));
            proptest::prop_assert_eq!(there.is.since(moved), Timestamp::from_millis(was).since(Timestamp::from_millis(taken)));
            let back = Step { began: there.along(there.began), was: there.is, is: there.was };
            proptest::prop_assert_eq!(back.moved(moved).millis(), taken);
        }
    }
}
