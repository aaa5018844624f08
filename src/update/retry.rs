//! How the bounds of waits grow. The `backoff` crate is used here and nowhere else.

use std::time::Duration;

use backoff::ExponentialBackoff;
use backoff::backoff::Backoff as _;
pub use fingerpost_core::update::retry::*;

use crate::settings;

#[derive(Debug)]
struct Doubling(ExponentialBackoff);

/// Bounds that double from `initial` to `max`.
pub(crate) fn doubling(settings: settings::Retry) -> Box<dyn Growth> {
    let bounds = backoff::ExponentialBackoffBuilder::new()
        .with_initial_interval(settings.initial)
        .with_max_interval(settings.max)
        .with_multiplier(2.0)
        // The crate's own jitter is around the bound; `Retry` draws from the caller's randomness.
        .with_randomization_factor(0.0)
        // Its default is to give up after 15 minutes. A home does not.
        .with_max_elapsed_time(None)
        .build();
    Box::new(Doubling(bounds))
}

impl Growth for Doubling {
    fn next(&mut self) -> Duration {
        self.0.next_backoff().unwrap_or(self.0.max_interval)
    }

    fn reset(&mut self) {
        self.0.reset();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bound_doubles_up_to_the_longest_and_never_gives_up() {
        let settings = settings::Retry { initial: Duration::from_secs(5), max: Duration::from_secs(60) };
        let mut retry = Retry::new(doubling, settings);
        let seconds: Vec<u64> = (0..7).map(|_| retry.next(1.0, None).as_secs()).collect();
        assert_eq!(seconds, [5, 10, 20, 40, 60, 60, 60]);
        retry.reset();
        assert_eq!(retry.next(1.0, None).as_secs(), 5);
    }
}
