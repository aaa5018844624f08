//! A moment, and the clock that is passed around. Only the providers read the machine's own: to sign, and to date a serial.
//!
//! The calendar is counted here in 64 bits, so that a time is written and read back alike on every target, whatever its
//! `time_t`.

mod step;

use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Serialize};

pub use step::Step;

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
        let shown = self.shown();
        format!("{}.{:03}Z", shown.to_the_second(), shown.0 % 1000)
    }

    /// The format ends with the year 9999; a clock beyond it is shown at its end.
    fn shown(self) -> Self {
        self.min(LAST)
    }

    /// Date and time, without a zone; of a moment that can be shown.
    fn to_the_second(self) -> String {
        let seconds = self.0 / 1000;
        let (year, month, day) = date(seconds / DAY);
        let (hour, minute, second) = (seconds % DAY / 3600, seconds % 3600 / 60, seconds % 60);
        format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}")
    }

    /// Reads an RFC 3339 date-time in UTC (section 5.6), such as `2026-11-24T08:14:31Z`; `None` when it is not one, or is
    /// before 1970. Of a fraction the milliseconds count; a leap second is the second before it.
    pub fn parse(text: &str) -> Option<Self> {
        let (whole, rest) = text.split_at_checked("2026-11-24T08:14:31".len())?;
        let fraction = rest.strip_suffix("Z").or_else(|| rest.strip_suffix("+00:00"))?;
        let millis = match fraction.strip_prefix('.') {
            Some(digits) if !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit()) => {
                format!("{digits:0<3}").get(..3)?.parse().ok()?
            }
            None if fraction.is_empty() => 0,
            _ => return None,
        };
        let (day_text, time) = whole.split_once('T')?;
        let [year, month, day] = numbers(day_text, '-', [4, 2, 2])?;
        let [hour, minute, second] = numbers(time, ':', [2, 2, 2])?;
        let is_time = hour < 24 && minute < 60 && second <= 60;
        if year < 1970 || !(1..=12).contains(&month) || !is_time {
            return None;
        }
        let days = days(year, month, day);
        // A day that the month does not have is counted into the next one.
        let is_day = date(days) == (year, month, day);
        let seconds = days * DAY + hour * 3600 + minute * 60 + second.min(59);
        is_day.then_some(Self(seconds * 1000 + millis))
    }
}

/// Seconds.
const DAY: u64 = 86_400;
/// 9999-12-31T23:59:59.999Z.
const LAST: Timestamp = Timestamp(253_402_300_799_999);
/// Days from 0000-03-01 to 1970-01-01 in the Gregorian calendar.
const TO_EPOCH: u64 = 719_468;
/// Days in 400 years, after which the Gregorian calendar repeats.
const ERA: u64 = 146_097;

/// Days from 1970-01-01 to a date not before it. The year is counted from March, so that the day of the leap year is its
/// last (Howard Hinnant, "chrono-Compatible Low-Level Date Algorithms", `days_from_civil`).
fn days(year: u64, month: u64, day: u64) -> u64 {
    let from_march = if month > 2 { month - 3 } else { month + 9 };
    let year = if month > 2 { year } else { year - 1 };
    let (era, of_era) = (year / 400, year % 400);
    let of_year = (153 * from_march + 2) / 5 + day;
    // Day 0 of a month is the last one of the month before.
    (era * ERA + of_era * 365 + of_era / 4 - of_era / 100 + of_year).saturating_sub(TO_EPOCH + 1)
}

/// The date `days` days after 1970-01-01: year, month, day (in the same place, `civil_from_days`).
fn date(days: u64) -> (u64, u64, u64) {
    let days = days + TO_EPOCH;
    let (era, of_era) = (days / ERA, days % ERA);
    let year = (of_era - of_era / 1460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year + year / 4 - year / 100);
    let from_march = (5 * of_year + 2) / 153;
    let day = of_year - (153 * from_march + 2) / 5 + 1;
    let month = if from_march < 10 { from_march + 3 } else { from_march - 9 };
    (era * 400 + year + u64::from(month <= 2), month, day)
}

/// Three numbers of just so many digits.
fn numbers(text: &str, between: char, widths: [usize; 3]) -> Option<[u64; 3]> {
    let mut parts = text.split(between);
    let mut numbers = [0; 3];
    for (number, width) in numbers.iter_mut().zip(widths) {
        let part = parts.next().filter(|part| part.len() == width && part.bytes().all(|byte| byte.is_ascii_digit()))?;
        *number = part.parse().ok()?;
    }
    parts.next().is_none().then_some(numbers)
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
        write!(f, "{}Z", self.shown().to_the_second())
    }
}

/// By how much the clock differs from where it was expected when it was set; less happens all day long.
const LEAST: u128 = 10_000;

/// Where the time comes from; passed in, so that tests and the rehearsal can have their own.
///
/// It goes by a clock that nobody sets, from where the wall clock was when it was last looked at: so all moments of a
/// process belong together, and when somebody sets the wall clock, they can all be moved along.
#[derive(Clone)]
pub struct Clock(Arc<Source>);

struct Source {
    wall: Box<dyn Fn() -> Timestamp + Send + Sync>,
    /// Time since any moment that stays the same; `None` for a clock that shows just what it is told.
    steady: Option<Box<dyn Fn() -> Duration + Send + Sync>>,
    began: Duration,
    ahead: Mutex<Ahead>,
}

/// How far the wall clock is from the steady one, in milliseconds.
#[derive(Clone, Copy)]
struct Ahead {
    /// By how it was set.
    set: i128,
    /// By all that was too little to count.
    drift: i128,
}

/// How a clock was set when it was last asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Setting(i128);

impl Clock {
    /// A clock that shows what `wall` told when it last followed that, and goes on from there by `steady`.
    pub fn kept(
        wall: impl Fn() -> Timestamp + Send + Sync + 'static,
        steady: impl Fn() -> Duration + Send + Sync + 'static,
    ) -> Self {
        let began = steady();
        let ahead = Mutex::new(Ahead { set: apart(wall(), began), drift: 0 });
        Self(Arc::new(Source { wall: Box::new(wall), steady: Some(Box::new(steady)), began, ahead }))
    }

    /// A clock that shows what `tell` tells, whatever that is.
    pub fn telling(tell: impl Fn() -> Timestamp + Send + Sync + 'static) -> Self {
        let ahead = Mutex::new(Ahead { set: 0, drift: 0 });
        Self(Arc::new(Source { wall: Box::new(tell), steady: None, began: Duration::ZERO, ahead }))
    }

    /// The present moment.
    pub fn now(&self) -> Timestamp {
        match &self.0.steady {
            Some(steady) => {
                let Ahead { set, drift } = *self.ahead();
                at(steady(), set + drift)
            }
            None => (self.0.wall)(),
        }
    }

    /// Goes by the wall clock as it is now.
    pub fn follow(&self) {
        let Some(steady) = &self.0.steady else { return };
        let mut ahead = self.ahead();
        let off = apart((self.0.wall)(), steady()) - ahead.set - ahead.drift;
        let whole = if off.unsigned_abs() > LEAST { &mut ahead.set } else { &mut ahead.drift };
        *whole += off;
    }

    /// How it is set.
    pub fn setting(&self) -> Setting {
        Setting(self.ahead().set)
    }

    /// The step by which it was set since it was set as in `before`; which from now on is as it is.
    pub fn step(&self, before: &mut Setting) -> Option<Step> {
        let Ahead { set, drift } = *self.ahead();
        let old = std::mem::replace(before, Setting(set)).0;
        let steady = self.0.steady.as_ref().filter(|_| old != set)?;
        let (now, [old, new]) = (steady(), [old, set].map(|set| set + drift));
        Some(Step { began: at(self.0.began, old), was: at(now, old), is: at(now, new) })
    }

    fn ahead(&self) -> MutexGuard<'_, Ahead> {
        self.0.ahead.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn apart(wall: Timestamp, steady: Duration) -> i128 {
    i128::from(wall.0) - i128::try_from(steady.as_millis()).unwrap_or(i128::from(u64::MAX))
}

fn at(steady: Duration, ahead: i128) -> Timestamp {
    let millis = i128::try_from(steady.as_millis()).unwrap_or(i128::from(u64::MAX)) + ahead;
    Timestamp(millis.max(0).try_into().unwrap_or(u64::MAX))
}

impl fmt::Debug for Clock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Clock({})", self.now())
    }
}

#[cfg(test)]
mod tests;
