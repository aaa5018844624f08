//! What is planned from what was read, and what that shows of earlier: nothing is asked for here.

use std::collections::BTreeMap;

use super::ask::{OpenBooks, Subject};
use crate::clock::Timestamp;
use crate::limits::record_key;
use crate::name::DnsName;
use crate::provider::{Change, Observed};
use crate::reconcile::{self, Desired, Item, Step};
use crate::settings::Sharing;
use crate::state::State;
use crate::update::Report;
use crate::update::blocks::{self, Sorted};

/// Enters what of the records in step is ours: it is what `member` will have to swap one day.
pub(super) fn note_in_step(subject: &Subject<'_>, books: &mut OpenBooks<'_>, items: &[Item]) {
    let name = subject.name;
    for item in items.iter().filter(|item| item.step == Step::Leave) {
        let wanted = &item.desired;
        let key = record_key(name, &wanted.name, wanted.rtype);
        books.state.blocks.remove(&key);
        let ours = match (wanted.sharing, books.state.published.get(&key)) {
            (Sharing::Sole, _) => true,
            (Sharing::Member, Some(known)) => known.contains(&wanted.address),
            // At first sight, what stands there alone has no other owner.
            (Sharing::Member, None) => item.before.as_ref().is_some_and(|set| set.addresses.len() == 1),
        };
        // What we did not write stays another's, also when it is left alone there: nothing is entered, and that is kept.
        books.state.published.insert(key, ours.then_some(wanted.address).into_iter().collect());
    }
    books.afoot.keep_ours(subject, books.open, books.state, books.now, books.steady);
    if books.state.spreading.contains_key(name) {
        // Others may have changed an RRset since: what stands at the provider is what the servers shall serve, and what
        // is in step no more is not waited for. Of what nothing is wanted now, nothing is known.
        let here: BTreeMap<_, _> = items.iter().map(|item| ((&item.desired.name, item.desired.rtype), item)).collect();
        books.state.amend_spreading(name, |record| match here.get(&(&record.name, record.rtype)) {
            None => Some(record.set.clone()),
            Some(item) if item.step == Step::Leave => item.before.clone(),
            Some(_) => None,
        });
    }
}

/// What a pass over `subject` would do, where that is `observed`: the report, and how many changes it would send.
pub fn dry_run(subject: &Subject<'_>, observed: &Observed, state: &State, now: Timestamp) -> (Report, usize) {
    let Subject { name, zone, desired, limits, tally, .. } = *subject;
    let items = plan(name, zone, desired, observed, state);
    let mut report = Report::of(name, desired, &items);
    let Sorted { mut fresh, again, blocked } = blocks::sort(name, changes(&items), state, now);
    fresh.extend(again);
    report.block(&blocked);
    let gated = state.ledger.clone().gate(now, limits, name, tally, fresh);
    report.put_off(&gated.put_off);
    (report, gated.allowed.len())
}

pub(super) fn plan(name: &str, zone: &DnsName, desired: &[Desired], observed: &Observed, state: &State) -> Vec<Item> {
    reconcile::plan(desired, observed, zone, |wanted| {
        state.published.get(&record_key(name, &wanted.name, wanted.rtype)).into_iter().flatten().copied()
    })
}

pub(super) fn changes(items: &[Item]) -> Vec<Change> {
    let write = |item: &Item| match &item.step {
        Step::Write(change, _) => Some(change.clone()),
        Step::Leave | Step::Refuse(_) => None,
    };
    items.iter().filter_map(write).collect()
}
