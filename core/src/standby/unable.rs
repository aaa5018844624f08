//! Who has the lease and cannot act gives it to the other one, who may be able to. Pure: times are arguments, as in `turn`.

use std::fmt;
use std::time::Duration;

/// A moment, as the time since some start.
type Moment = Duration;

/// Why nothing could be written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Inability {
    /// State or audit log cannot be kept, and so nothing may be sent: what the system said.
    Books(String),
    /// There is no address that a record could be given.
    NoRuling,
}

/// For people.
impl fmt::Display for Inability {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Books(why) => f.write_str(why),
            Self::NoRuling => f.write_str("there is no settled address to publish"),
        }
    }
}

/// Since when one lease cannot be made use of, and why.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Unable(Option<(Moment, Inability)>);

impl Unable {
    /// At `now` nothing could be written. It counts from the first time on; the newest reason is told.
    pub fn note(&mut self, now: Moment, why: Inability) {
        let since = self.0.as_ref().map_or(now, |(since, _)| *since);
        self.0 = Some((since, why));
    }

    /// It can act again.
    pub fn clear(&mut self) {
        self.0 = None;
    }

    /// Why it cannot act, if it cannot.
    pub fn why(&self) -> Option<&Inability> {
        self.0.as_ref().map(|(_, why)| why)
    }

    /// Why the lease is to rest at `now`: it could have been made no use of for as long as it holds.
    pub fn rests(&self, now: Moment, lease: Duration) -> Option<&Inability> {
        self.0.as_ref().filter(|(since, _)| now.saturating_sub(*since) >= lease).map(|(_, why)| why)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LEASE: Duration = Duration::from_secs(30);

    #[test]
    fn a_whole_lease_without_being_able_to_act_is_enough() {
        let at = Duration::from_secs;
        let mut unable = Unable::default();
        assert_eq!(unable.rests(at(1000), LEASE), None);
        unable.note(at(1000), Inability::NoRuling);
        assert_eq!(unable.rests(at(1029), LEASE), None);
        // Another reason is no new beginning.
        let full = Inability::Books("no space".to_owned());
        unable.note(at(1029), full.clone());
        assert_eq!((unable.rests(at(1030), LEASE), unable.why()), (Some(&full), Some(&full)));
        unable.clear();
        assert_eq!((unable.rests(at(9999), LEASE), unable.why()), (None, None));
        unable.note(at(1040), full);
        assert_eq!(unable.rests(at(1069), LEASE), None);
    }
}
