//! Who of two daemons writes: what the home does about its leases, and when it leaves them to the other one.

use futures_util::future;

use super::Home;
use crate::household::leases::{self, Ability};
use crate::standby::{Inability, Lease, Leases};
use crate::text::chain_of;
use crate::update::Report;

impl Home {
    /// What decides who writes, by provider.
    pub fn leases(&self) -> &Leases {
        &self.actors.leases
    }

    /// Enters and tells what is new about the leases.
    pub(crate) fn enter_leases(&mut self) {
        let now = self.actors.clock.now();
        for (provider, lease) in &self.actors.leases {
            self.books.borrow_mut().enter_lease(provider, lease, now);
        }
    }

    /// Gives back what is held, so that whoever stands by need not wait.
    pub(crate) async fn release_leases(&mut self) {
        future::join_all(self.actors.leases.values().map(|lease| lease.release())).await;
        self.enter_leases();
    }

    /// Gives back the leases that a reload has left behind.
    pub(crate) async fn release_former_leases(&mut self) {
        let former = std::mem::take(&mut self.former);
        future::join_all(former.values().map(|lease| lease.release())).await;
    }

    /// Whoever may not write here, or cannot, gives its turn to the one that may be able to.
    pub(super) fn rest_leases(&self) {
        let holds = &self.books.borrow().state.holds;
        for (provider, lease) in &self.actors.leases {
            let unable = lease.resting();
            let rests = leases::is_to_rest(holds.contains_key(provider), unable.as_ref());
            if lease.rest(rests)
                && let Some(why) = unable
            {
                tracing::warn!(
                    "{provider}: {why}; so it was for a whole lease, and the lease rests until it is over: another \
                     machine may take it and write"
                );
            }
        }
    }

    /// Takes in which leases could be made use of now: those whose provider has something to publish, unless the books
    /// cannot be kept.
    pub(super) fn can_act(&self, provider: &str, has_something: bool) {
        let Some(lease) = self.actors.leases.get(provider) else { return };
        let ability = leases::after_round(has_something, lease.unable().as_ref(), lease.resting().is_some());
        self.tell(lease, ability);
    }

    /// Takes in what the end of a pass has shown of its provider's lease.
    pub(super) fn has_acted(&self, report: &Report) {
        let Some(lease) = self.actors.leases.get(&report.provider) else { return };
        self.tell(lease, leases::after_pass(report, lease.resting().is_some()));
    }

    fn tell(&self, lease: &Lease, ability: Ability) {
        match ability {
            Ability::Nothing => {}
            Ability::Can => lease.can(),
            Ability::Cannot(why) => lease.cannot(why),
            Ability::Probe => match self.books.borrow_mut().probe() {
                Ok(()) => lease.can(),
                Err(error) => lease.cannot(Inability::Books(chain_of(&error))),
            },
        }
    }
}
