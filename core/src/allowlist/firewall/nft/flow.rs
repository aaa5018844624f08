//! Sources whose packets go the same way, and what becomes of them at a rule. Pure.

use serde_json::Value;

use super::matching::{Packet, Why};
use crate::address::Family;
use crate::address::set::AddressSet;

/// Sources whose packets go the same way.
#[derive(Clone, Debug)]
pub(super) struct Flow {
    /// Who.
    pub(super) set: AddressSet,
    /// Their packet.
    pub(super) packet: Packet,
    /// What decided for them so far.
    pub(super) by: Vec<String>,
    /// Why they may in truth not be here: the rule that was not understood, and what of it.
    pub(super) doubt: Option<(String, Why)>,
}

impl Flow {
    pub(super) fn doubted(mut self, rule: &str, why: &str) -> Self {
        self.doubt.get_or_insert_with(|| (rule.to_owned(), why.to_owned()));
        self
    }

    pub(super) fn of(&self, set: AddressSet) -> Self {
        Self { set, ..self.clone() }
    }

    pub(super) fn decided(mut self, by: String) -> Self {
        self.by.push(by);
        self
    }
}

/// Where flows are after a chain or a rule.
#[derive(Default)]
pub(super) struct After {
    /// They go on with the next rule, or have come to the end of the chain.
    pub(super) on: Vec<Flow>,
    /// They leave this chain for its caller.
    pub(super) back: Vec<Flow>,
    /// They are done with this hook's chain.
    pub(super) accepted: Vec<Flow>,
}

/// After a verdict `done` for `live`, a part of `flow`: where the rule was not understood, either may be.
pub(super) fn split(flow: &Flow, live: &Flow, doubt: Option<(&str, Why)>, done: After) -> After {
    let After { mut on, mut back, mut accepted } = done;
    on.push(flow.of(flow.set.difference(&live.set)));
    if let Some((rule, why)) = doubt {
        let tag = |flows: &mut Vec<Flow>| {
            for flow in flows.iter_mut() {
                if !flow.set.intersection(&live.set).is_empty() {
                    flow.doubt.get_or_insert_with(|| (rule.to_owned(), why.clone()));
                }
            }
        };
        tag(&mut on);
        tag(&mut back);
        tag(&mut accepted);
        on.push(flow.of(live.set.clone()).doubted(rule, &why));
    }
    After { on: kept(on), back, accepted }
}

/// Whether a statement that translates is about packets of `family`.
pub(super) fn is_of(body: &Value, family: Family) -> bool {
    let own = if family == Family::Ipv4 { "ip" } else { "ip6" };
    body.get("family").and_then(Value::as_str).is_none_or(|named| named == own)
}

/// With another destination, as a rule has it.
pub(super) fn translated(mut flow: Flow, kind: &str, body: &Value, rule: &str) -> Flow {
    let port = body.get("port");
    if let Some(port) = port {
        flow.packet.to.1 = port.as_u64().and_then(|port| u16::try_from(port).ok());
    }
    if kind == "redirect" {
        flow.packet.to.0 = None;
        flow.packet.is_local = true;
    } else if let Some(address) = body.get("addr") {
        flow.packet.to.0 = address.as_str().and_then(|address| address.parse().ok());
        flow.packet.is_local = flow.packet.to.0.is_some_and(|address| address.is_loopback());
    }
    flow.packet.translated = true;
    flow.decided(format!("{rule}: {kind}"))
}

/// Without those that nobody is in.
pub(super) fn kept(mut flows: Vec<Flow>) -> Vec<Flow> {
    flows.retain(|flow| !flow.set.is_empty());
    flows
}

/// Flows that only their sources tell apart become one.
pub(super) fn merged(flows: Vec<Flow>) -> Vec<Flow> {
    let mut merged: Vec<Flow> = Vec::new();
    for flow in kept(flows) {
        let like =
            |other: &&mut Flow| (&other.packet, &other.by, &other.doubt) == (&flow.packet, &flow.by, &flow.doubt);
        match merged.iter_mut().find(like) {
            Some(other) => other.set = other.set.union(&flow.set),
            None => merged.push(flow),
        }
    }
    merged
}

/// What is so whichever of two chains runs first; the rest of either is in doubt.
pub(super) fn either(first: &[Flow], other: &[Flow], by: &str, why: &str) -> Vec<Flow> {
    let common = |flow: &Flow, those: &[Flow]| {
        let like = those.iter().filter(|one| (&one.packet, &one.doubt) == (&flow.packet, &flow.doubt));
        like.fold(AddressSet::default(), |sum, one| sum.union(&one.set)).intersection(&flow.set)
    };
    let mut flows: Vec<Flow> = first.iter().map(|flow| flow.of(common(flow, other))).collect();
    for (these, those) in [(first, other), (other, first)] {
        flows.extend(these.iter().map(|flow| flow.of(flow.set.difference(&common(flow, those))).doubted(by, why)));
    }
    merged(flows)
}
