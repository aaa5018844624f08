//! What a start or a reload does to what was kept: the rest of another configuration goes, and holds end.

use std::collections::BTreeMap;

use super::Home;
use crate::audit::Event;
use crate::household::{self, Leftover};
use crate::state::Hold;

impl Home {
    pub(super) fn after_start(&mut self) {
        let (vias, moment) = (self.actors.vias().into_iter().collect(), self.moment());
        let config = &self.actors.config;
        self.household.keep_only(config, &vias, &mut self.books.borrow_mut().state, moment);
        self.books.borrow_mut().state.ledger.settle(self.actors.sites());
        let left = household::left(config, self.books.borrow().log.open_intents());
        for one in left {
            match one {
                Leftover::ToBeRead(provider) => {
                    self.actors.providers.get(&provider).into_iter().for_each(|one| one.resume())
                }
                Leftover::Lost(event) => self.enter(event),
            }
        }
        let fingerprints: BTreeMap<String, String> =
            self.actors.config.providers.iter().map(|(name, p)| (name.clone(), p.fingerprint.clone())).collect();
        self.release("its configuration changed", |name, hold| {
            fingerprints.get(name).is_none_or(|present| !hold.holds_for(present))
        });
    }

    pub(super) fn release(&mut self, why: &str, ends: impl Fn(&str, &Hold) -> bool) {
        let ended: Vec<String> = self
            .books
            .borrow()
            .state
            .holds
            .iter()
            .filter(|(name, hold)| ends(name, hold))
            .map(|(name, _)| name.clone())
            .collect();
        for name in ended {
            self.books.borrow_mut().state.holds.remove(&name);
            tracing::info!("{name}: the hold ends: {why}");
            self.enter(Event::Release { provider: name, why: why.to_owned() });
        }
        // Like a hold, and at each start besides: one try more is what it costs.
        self.books.borrow_mut().state.blocks.clear();
        self.save();
        self.rest_leases();
    }
}
