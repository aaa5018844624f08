//! Which providers are worked on at a time: none waits for another that is silent, and no server is asked too much at once.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use crate::update::{Report, Trouble};

/// Providers that are worked on at the same time. One that is silent costs hardly more than its socket, and a process may
/// have 1024 open (`RLIMIT_NOFILE`, the soft limit of systemd and Linux).
const AT_ONCE: usize = 256;

/// Of those, at one target: servers take so many connections at a time (BIND 150, its `tcp-clients`), and memory goes with
/// how much is answered at a time.
const AT_ONE_TARGET: usize = 8;

/// The providers that are worked on, and those that wait for it.
#[derive(Debug, Default)]
pub struct Queue {
    /// Each with its target.
    running: BTreeMap<String, String>,
    waiting: VecDeque<(String, String)>,
    /// To be worked on once more.
    again: BTreeSet<String>,
    /// These answered when they were last asked: they go first.
    answering: BTreeSet<String>,
}

impl Queue {
    /// `provider`, which writes at `target`, is to be worked on.
    pub fn add(&mut self, provider: &str, target: String) {
        let one = (provider.to_owned(), target);
        if self.answering.contains(provider) { self.waiting.push_front(one) } else { self.waiting.push_back(one) }
    }

    /// Those to begin with now, as far as there is room.
    pub fn begin(&mut self) -> Vec<String> {
        let mut targets: BTreeMap<String, usize> = BTreeMap::new();
        for target in self.running.values() {
            *targets.entry(target.clone()).or_default() += 1;
        }
        let mut begun = Vec::new();
        for (provider, target) in std::mem::take(&mut self.waiting) {
            let there = targets.entry(target.clone()).or_default();
            if self.running.len() < AT_ONCE && *there < AT_ONE_TARGET {
                *there += 1;
                begun.push(provider.clone());
                self.running.insert(provider, target);
            } else {
                self.waiting.push_back((provider, target));
            }
        }
        begun
    }

    /// There is reason to work on `provider` once more when that is done.
    pub fn once_more(&mut self, provider: &str) {
        self.again.insert(provider.to_owned());
    }

    /// Work on `provider` has come to `report`, or to nothing; returns whether it is to be worked on once more.
    pub fn done(&mut self, provider: &str, report: Option<&Report>) -> bool {
        self.running.remove(provider);
        match report.map(|report| &report.trouble) {
            Some(Some(Trouble::Passing { .. })) => _ = self.answering.remove(provider),
            Some(_) => _ = self.answering.insert(provider.to_owned()),
            None => {}
        }
        self.again.remove(provider)
    }

    /// Gives up all but the work on `these`.
    pub fn keep_only(&mut self, these: &BTreeSet<String>) {
        self.waiting.clear();
        self.again.clear();
        self.running.retain(|provider, _| these.contains(provider));
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn report(provider: &str, trouble: Option<Trouble>) -> Report {
        let (provider, records) = (provider.to_owned(), Vec::new());
        Report { provider, records, means: None, trouble, put_off_until: None, looked_for_until: None }
    }

    fn names(all: &[&str]) -> Vec<String> {
        all.iter().map(|&name| name.to_owned()).collect()
    }

    #[test]
    fn who_answered_goes_before_who_did_not() {
        let mut queue = Queue::default();
        let target = || "192.0.2.53:53".to_owned();
        let silent = || Some(Trouble::Passing { why: "no answer".to_owned(), retry_after: None });
        for provider in ["a", "b", "c"] {
            queue.add(provider, target());
        }
        assert_eq!(queue.begin(), names(&["a", "b", "c"]));
        queue.done("a", Some(&report("a", silent())));
        queue.done("b", Some(&report("b", None)));
        queue.done("c", None);
        for provider in ["a", "c", "b"] {
            queue.add(provider, target());
        }
        assert_eq!(queue.begin(), names(&["b", "a", "c"]));
    }

    #[test]
    fn what_is_wanted_meanwhile_is_done_once_more_and_not_after_giving_up() {
        let mut queue = Queue::default();
        for provider in ["a", "b"] {
            queue.add(provider, String::new());
        }
        queue.begin();
        queue.once_more("a");
        queue.once_more("a");
        assert!(queue.done("a", None) && !queue.done("a", None));
        queue.once_more("b");
        queue.add("c", String::new());
        queue.keep_only(&["b".to_owned()].into());
        assert!(queue.begin().is_empty() && !queue.done("b", None));
    }

    proptest! {
        /// Whatever comes: never more at once than allowed, nothing lost, and nobody waits while there is room.
        #[test]
        fn all_have_their_turn_within_the_bounds(targets in proptest::collection::vec(0_u8..40, 0..600), from in any::<usize>()) {
            let mut queue = Queue::default();
            let target: BTreeMap<String, u8> = targets.iter().enumerate().map(|(at, target)| (at.to_string(), *target)).collect();
            for (provider, target) in &target {
                queue.add(provider, target.to_string());
            }
            // How many wait, and how many are worked on, at each target.
            let (mut waiting, mut there) = ([0; 40], [0; 40]);
            target.values().for_each(|which| waiting[usize::from(*which)] += 1);
            let (mut running, mut done): (Vec<String>, usize) = (Vec::new(), 0);
            loop {
                for begun in queue.begin() {
                    let which = usize::from(target[&begun]);
                    prop_assert!(waiting[which] > 0, "each once");
                    waiting[which] -= 1;
                    there[which] += 1;
                    running.push(begun);
                }
                prop_assert!(running.len() <= AT_ONCE && there.iter().all(|there| *there <= AT_ONE_TARGET));
                let held_up = (0..40).any(|which| waiting[which] > 0 && there[which] < AT_ONE_TARGET);
                prop_assert!(!held_up || running.len() == AT_ONCE);
                if running.is_empty() {
                    break;
                }
                let ended = running.swap_remove(from % running.len());
                there[usize::from(target[&ended])] -= 1;
                queue.done(&ended, None);
                done += 1;
            }
            prop_assert_eq!(done, target.len());
        }
    }
}
