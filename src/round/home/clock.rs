//! What becomes of all that this process has dated, when somebody sets the clock.

use super::Home;
use crate::allowlist;
use crate::audit::Event;
use crate::clock::Step;
use crate::text::chain_of;

impl Home {
    /// Goes by the wall clock as it is now. Where that was set, what this process dated before moves along, here and in the
    /// files, and the log has by how much; that is returned.
    pub(crate) fn follow_clock(&mut self) -> Option<Step> {
        self.actors.clock.follow();
        let step = self.actors.clock.step(&mut self.setting)?;
        tracing::info!(
            "the clock was set from {} to {}; all that was dated since the start moves along",
            step.was,
            step.is
        );
        let config = &self.actors.config;
        self.household.shift(&step);
        let mut books = self.books.borrow_mut();
        books.state.shift(&step, &config.limits);
        if let Err(error) = books.log.append_or_owe(step.is, Event::Clock(step)) {
            tracing::warn!("{}", chain_of(&error));
        }
        drop(books);
        if let Err(error) = allowlist::shift(config, &step) {
            tracing::warn!("{}", chain_of(&error));
        }
        self.keep_nats();
        self.keep_lines();
        self.save();
        Some(step)
    }
}
