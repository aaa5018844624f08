//! What a start or a reload does to what was kept: the rest of another configuration goes, and holds end.

use std::collections::{BTreeMap, BTreeSet};

use super::Home;
use crate::address::Family;
use crate::audit::{Ending, Event};
use crate::round::follower;
use crate::settings::{Confirm, Via};
use crate::state::Hold;

impl Home {
    /// Forgets the lines, families, operators and records that are not configured any more.
    fn keep_only_configured(&mut self) {
        let vias: BTreeSet<Via> = self.means.vias().into_iter().collect();
        let config = &self.means.config;
        let followers: BTreeSet<String> = config
            .records
            .iter()
            .flat_map(|one| Family::BOTH.map(|family| follower(&one.provider, &one.name, family)))
            .collect();
        self.failover.keep_only(|via| vias.contains(via), |key| followers.contains(key));
        self.settling.retain(|via, _| vias.contains(via));
        let lines: BTreeSet<&Option<String>> = vias.iter().map(|via| &via.line).collect();
        self.histories.retain(|line, _| lines.contains(line));
        for (line, history) in &mut self.histories {
            history.retain(|operator| config.witnesses.iter().any(|one| one.line == *line && one.operator == operator));
        }
        let mut books = self.books.borrow_mut();
        books.state.settled.retain(|via, _| vias.contains(via));
        books.state.nats.retain(|found| lines.contains(&found.line));
        books.state.refused_since.retain(|provider, _| config.providers.contains_key(provider));
        let (now, wall) = (self.began.elapsed(), self.means.clock.now());
        books.state.lines = self.failover.kept(now, wall, &books.state.lines);
    }

    pub(super) fn after_start(&mut self) {
        self.keep_only_configured();
        self.books.borrow_mut().state.ledger.settle(self.means.sites());
        // No moment to come: the clock may have been set while nobody was there.
        let now = self.means.clock.now();
        self.books.borrow_mut().state.refused_since.values_mut().for_each(|since| *since = now.min(*since));
        let providers = &self.means.config.providers;
        let confirms = |name: &str| providers.get(name).is_some_and(|provider| provider.confirm != Confirm::Off);
        self.books.borrow_mut().state.spreading.retain(|provider, _| confirms(provider));
        let open = self.books.borrow_mut().log.open_intents().clone();
        for (intent, started) in open {
            let zone = self.means.config.providers.get(&started.provider).map(|provider| &provider.zone);
            let detail = match (zone, self.means.providers.get(&started.provider)) {
                (Some(zone), Some(provider)) if started.changes.iter().all(|change| change.name.is_in(zone)) => {
                    provider.resume();
                    continue;
                }
                // A server asked about names of another zone refuses, and that would put the provider on hold.
                (Some(_), Some(_)) => "the provider now has another zone, so how it ended cannot be read",
                _ => "the provider is no longer configured, so how it ended cannot be read",
            };
            let detail = detail.to_owned();
            self.enter(Event::Outcome { intent, provider: started.provider, result: Ending::Overtaken, detail });
        }
        let fingerprints: BTreeMap<String, String> =
            self.means.config.providers.iter().map(|(name, p)| (name.clone(), p.fingerprint.clone())).collect();
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
