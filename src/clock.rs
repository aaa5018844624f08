//! A moment, and the clock that is passed around. Only the providers read the machine's own: to sign, and to date a serial.

use std::fmt;
use std::sync::Arc;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Serialize};

/// A moment in UTC, in milliseconds since 1970-01-01T00:00:00Z; moments before that are held at it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Timestamp(u64);

impl Timestamp {
    /// The moment `millis` milliseconds after the Unix epoch.
    pub const fn from_millis(millis: u64) -> Self {
        Self(millis)
    }

    /// Milliseconds since the Unix epoch.
    pub const fn millis(self) -> u64 {
        self.0
    }

    /// The moment `span` later.
    pub fn plus(self, span: Duration) -> Self {
        Self(self.0.saturating_add(span.as_millis().try_into().unwrap_or(u64::MAX)))
    }

    /// The moment `span` earlier.
    pub fn minus(self, span: Duration) -> Self {
        Self(self.0.saturating_sub(span.as_millis().try_into().unwrap_or(u64::MAX)))
    }

    /// How long after `earlier` this is; nothing when it is not after it.
    pub fn since(self, earlier: Self) -> Duration {
        Duration::from_millis(self.0.saturating_sub(earlier.0))
    }

    /// RFC 3339 (section 5.6), UTC, to the millisecond.
    pub fn to_millis_text(self) -> String {
        humantime::format_rfc3339_millis(self.system_time()).to_string()
    }

    /// The format ends with the year 9999; a clock beyond it is shown at its end.
    fn system_time(self) -> SystemTime {
        UNIX_EPOCH + Duration::from_millis(self.0.min(253_402_300_799_999))
    }

    /// Reads an RFC 3339 date-time in UTC (section 5.6), such as `2026-11-24T08:14:31Z`; `None` when it is not one.
    pub fn parse(text: &str) -> Option<Self> {
        humantime::parse_rfc3339(text).ok().map(Self::from)
    }
}

impl From<SystemTime> for Timestamp {
    fn from(time: SystemTime) -> Self {
        let span = time.duration_since(UNIX_EPOCH).unwrap_or_default();
        Self(span.as_millis().try_into().unwrap_or(u64::MAX))
    }
}

/// RFC 3339 (section 5.6), UTC, to the second.
impl fmt::Display for Timestamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", humantime::format_rfc3339_seconds(self.system_time()))
    }
}

/// Where the time comes from; passed in, so that tests and the rehearsal can have their own.
#[derive(Clone)]
pub struct Clock(Arc<dyn Fn() -> Timestamp + Send + Sync>);

impl Clock {
    /// The machine's clock.
    pub fn system() -> Self {
        Self(Arc::new(|| Timestamp::from(SystemTime::now())))
    }

    /// A clock that shows what `tell` tells.
    pub fn telling(tell: impl Fn() -> Timestamp + Send + Sync + 'static) -> Self {
        Self(Arc::new(tell))
    }

    /// The present moment.
    pub fn now(&self) -> Timestamp {
        (self.0)()
    }
}

impl fmt::Debug for Clock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Clock({})", self.now())
    }
}
