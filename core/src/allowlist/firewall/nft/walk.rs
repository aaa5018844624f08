//! The way of a packet through the hooks and chains, for all its possible sources at once. Pure.

use std::cmp::Reverse;

use serde_json::{Value, json};

use super::flow::{After, Flow, either, is_of, kept, merged, split, translated};
use super::matching::{How, Packet, Tracking, Why, all, brief, equals, fits};
use super::{Base, Chain, Key, Question, Rule, Ruleset};
use crate::address::Family;
use crate::address::set::AddressSet;
use crate::allowlist::firewall::{Doubt, LetIn, Way, join_way};
use crate::settings::Place;

/// Chains that call one another: the kernel takes 16 (`NFT_JUMP_STACK_SIZE`).
const DEPTH: usize = 16;

/// How many rules are looked at for how many flows: far more than any real ruleset needs.
const STEPS: usize = 1_000_000;

/// Where destinations are translated, among the priorities of prerouting (`NF_IP_PRI_NAT_DST`), whatever the chain says.
const NAT: i64 = -100;

/// A base chain, and where it is.
type Hooked<'a> = (&'a Key, &'a Chain, &'a Base);

/// Whether the chains at a hook are each for devices of their own.
fn is_of_device(hook: &str) -> bool {
    matches!(hook, "ingress" | "egress")
}

pub(super) struct Walk<'a> {
    ruleset: &'a Ruleset,
    question: &'a Question<'a>,
    steps: usize,
    /// Whether accepting is told of: the hooks before decide who comes that far, not who gets in.
    tells: bool,
    /// Whom these hooks keep out, and by what.
    stopped: Vec<Way>,
}

impl<'a> Walk<'a> {
    pub(super) fn new(ruleset: &'a Ruleset, question: &'a Question<'a>) -> Self {
        Self { ruleset, question, steps: 0, tells: false, stopped: Vec::new() }
    }

    pub(super) fn let_in(mut self) -> LetIn {
        let question = self.question;
        let to = (question.destination, Some(question.port));
        // An IPv4 packet goes to the router's own address, until that is translated; an IPv6 one to the host's.
        let is_local = question.service == Place::Here || question.family == Family::Ipv4;
        let packet = Packet {
            family: question.family,
            iif: question.outside.map(str::to_owned),
            oif: Some(String::new()),
            to,
            first_to: to,
            is_local,
            translated: false,
            marked: false,
            tracking: Tracking::NotYet,
        };
        let start = Flow { set: all(question.family), packet, by: Vec::new(), doubt: None };
        let flows = self.hook("ingress", vec![start]);
        let flows = self.hook("prerouting", flows);
        let (local, away): (Vec<_>, Vec<_>) = flows.into_iter().partition(|flow| flow.packet.is_local);
        // Behind a router, what was not translated and goes to the router itself does not reach the service.
        let local =
            local.into_iter().filter(|flow| question.service == Place::Here || flow.packet.translated).collect();
        let away = away.into_iter().map(|mut flow| {
            flow.packet.oif = question.inside.map(str::to_owned);
            flow
        });
        self.tells = true;
        let mut arrived = self.hook("input", local);
        let forwarded = self.hook("forward", away.collect());
        self.tells = false;
        let forwarded = self.hook("postrouting", forwarded);
        arrived.extend(self.hook("egress", forwarded));
        self.sum_up(arrived)
    }

    /// Those of `flow` get no further.
    fn stop(&mut self, flow: Flow, by: String) {
        if self.tells {
            join_way(&mut self.stopped, Way { set: flow.set, by });
        }
    }

    fn sum_up(self, arrived: Vec<Flow>) -> LetIn {
        let mut let_in = LetIn::default();
        let bridged = self.bridge();
        for flow in arrived {
            let doubt = flow.doubt.clone().or_else(|| bridged.clone());
            let one = match doubt {
                None => LetIn { ways: vec![Way { set: flow.set, by: flow.by.join(", then ") }], ..LetIn::default() },
                Some((by, why)) => LetIn { doubts: vec![Doubt { set: flow.set, by, why }], ..LetIn::default() },
            };
            let_in.join(one);
        }
        let_in.stopped = self.stopped;
        let_in
    }

    /// A bridge that filters may stop what is routed into it.
    fn bridge(&self) -> Option<(String, Why)> {
        let filters = |chain: &Chain| {
            let verdict =
                |rule: &Rule| rule.expr.iter().any(|one| one.get("match").is_none() && one.get("counter").is_none());
            chain.base.as_ref().is_some_and(|base| base.drops) || chain.rules.iter().any(verdict)
        };
        let mut chains = self.ruleset.chains.iter().filter(|((family, ..), _)| family == "bridge");
        let ((_, table, chain), _) = chains.find(|(_, chain)| filters(chain))?;
        Some((format!("bridge {table} {chain}"), "tables of bridges are not understood".into()))
    }

    /// All chains at a hook, in the order in which they run. Each may drop, only all together let through.
    fn hook(&mut self, hook: &str, mut flows: Vec<Flow>) -> Vec<Flow> {
        let family = if self.question.family == Family::Ipv4 { "ip" } else { "ip6" };
        let ruleset = self.ruleset;
        let mut chains: Vec<Hooked<'_>> = Vec::new();
        for (key, chain) in &ruleset.chains {
            let Some(base) = chain.base.as_ref().filter(|base| base.hook == hook) else { continue };
            let applies = match key.0.as_str() {
                "netdev" | "inet" if is_of_device(hook) => match self.device(hook) {
                    Some(name) => base.devices.is_empty() || base.devices.iter().any(|device| device == name),
                    None => true,
                },
                other => other == "inet" || other == family,
            };
            // Sources are translated behind all that filters.
            if applies && (!base.is_nat || hook == "prerouting") {
                chains.push((key, chain, base));
            }
        }
        // Of one priority, the one that came last runs first (`nf_hook_entries_grow`; seen with packets).
        chains.sort_by_key(|(_, _, base)| {
            (if base.is_nat { NAT } else { base.priority }, base.is_nat, base.priority, Reverse(base.order))
        });
        if chains.is_empty() && self.tells {
            flows = flows.into_iter().map(|flow| flow.decided(format!("no chain at the hook {hook}"))).collect();
        }
        // A listing tells it within a table only: the tables may have come in any order, and chains to them later.
        let is_unclear = |(one, next): (&Hooked<'_>, &Hooked<'_>)| {
            one.2.is_nat
                && next.2.is_nat
                && one.2.priority == next.2.priority
                && (&one.0.0, &one.0.1) != (&next.0.0, &next.0.1)
        };
        if !chains.iter().zip(chains.iter().skip(1)).any(is_unclear) {
            return self.run(hook, &chains, flows);
        }
        let first = self.run(hook, &chains, flows.clone());
        chains.sort_by_key(|(_, _, base)| {
            (if base.is_nat { NAT } else { base.priority }, base.is_nat, base.priority, base.order)
        });
        let other = self.run(hook, &chains, flows);
        let why = "which of the chains of one priority translates first is not told";
        either(&first, &other, &format!("the hook {hook}"), why)
    }

    /// The device whose hook it is.
    fn device(&self, hook: &str) -> Option<&'a str> {
        if hook == "egress" { self.question.inside } else { self.question.outside }
    }

    fn run(&mut self, hook: &str, chains: &[Hooked<'_>], mut flows: Vec<Flow>) -> Vec<Flow> {
        for (key, chain, base) in chains {
            flows.iter_mut().for_each(|flow| flow.packet.tracking.at(hook, base));
            let unclear = is_of_device(hook) && (self.device(hook).is_none() || base.devices.is_empty());
            let why = base.in_doubt.or(unclear.then_some("whether it is at the device in question is not known"));
            // Once translated, a connection is not translated again; and without tracking not at all.
            let (mut past, mut asked): (Vec<_>, Vec<_>) = flows
                .into_iter()
                .partition(|flow| base.is_nat && (flow.packet.translated || flow.packet.tracking == Tracking::Exempt));
            let name = format!("{} {} {}", key.0, key.1, key.2);
            if let Some(why) = why {
                asked = asked.into_iter().map(|flow| flow.doubted(&name, why)).collect();
                past.extend(asked.iter().cloned());
            }
            let After { on, back, accepted } = self.chain(key, chain, asked, 0);
            flows = past;
            flows.extend(accepted);
            if !base.drops {
                let undecided = on.into_iter().chain(back);
                let by = format!("{name}: its policy is accept");
                flows.extend(undecided.map(|flow| if self.tells { flow.decided(by.clone()) } else { flow }));
            } else {
                for flow in on.into_iter().chain(back) {
                    self.stop(flow, format!("{name}: its policy is drop"));
                }
            }
            flows = merged(flows);
        }
        flows
    }

    fn chain(&mut self, key: &Key, chain: &Chain, flows: Vec<Flow>, depth: usize) -> After {
        let mut after = After { on: flows, ..After::default() };
        for rule in &chain.rules {
            let mut on = Vec::new();
            for flow in std::mem::take(&mut after.on) {
                let one = self.rule(key, rule, flow, depth);
                on.extend(one.on);
                after.back.extend(one.back);
                after.accepted.extend(one.accepted);
            }
            after.on = merged(on);
        }
        After { back: merged(after.back), accepted: merged(after.accepted), on: after.on }
    }

    fn rule(&mut self, key: &Key, rule: &Rule, flow: Flow, depth: usize) -> After {
        self.steps += 1;
        if self.steps > STEPS {
            let doubted = flow.doubted(&rule.name, "the ruleset takes too many steps");
            return After { on: vec![doubted], ..After::default() };
        }
        // Those that the rule is about, as far as it has been read, and the rest.
        let (mut live, mut why): (Flow, Option<Why>) = (flow.clone(), None);
        for statement in &rule.expr {
            let Some((kind, body)) = statement.as_object().and_then(|object| object.iter().next()) else {
                why.get_or_insert_with(|| brief(statement));
                continue;
            };
            match kind.as_str() {
                "match" => match fits(self.ruleset, key, &live.packet, body) {
                    Ok(fitting) => live.set = live.set.intersection(&fitting),
                    Err(unclear) => drop(why.get_or_insert(unclear)),
                },
                "counter" | "log" | "comment" | "ct helper" | "ct timeout" | "secmark" | "flow" | "dup" => {}
                // Within the limit, which one connection is.
                "limit" | "ct count" => {
                    let over = body.get("inv").and_then(Value::as_bool).unwrap_or(false);
                    if over != rule.expr.iter().any(|one| one.get("drop").is_some() || one.get("reject").is_some()) {
                        why.get_or_insert_with(|| {
                            format!("a limit that is used the other way round, {}", brief(statement))
                        });
                    } else if over {
                        live.set = AddressSet::default();
                    }
                }
                "set" if body.get("stmt").is_none() => {}
                "mangle" if is_idle(body) => {}
                "mangle" => match body.pointer("/key/meta/key").or(body.pointer("/key/ct/key")).and_then(Value::as_str)
                {
                    Some("mark") => live.packet.marked = true,
                    Some("priority" | "nftrace" | "event" | "label" | "secmark") => {}
                    _ => drop(why.get_or_insert_with(|| brief(statement))),
                },
                "notrack" => live.packet.tracking = Tracking::Exempt,
                "vmap" => return self.vmap(key, rule, &flow, live, why, body, depth),
                _ => match self.verdict(key, rule, live.clone(), kind, body, depth) {
                    Some(done) => return split(&flow, &live, why.map(|why| (rule.name.as_str(), why)), done),
                    None => drop(why.get_or_insert_with(|| brief(statement))),
                },
            }
            if live.set.is_empty() {
                return After { on: vec![flow], ..After::default() };
            }
        }
        // No verdict: what it did to the packet is all.
        let rest = flow.set.difference(&live.set);
        let changed = live.packet != flow.packet;
        let mut on = vec![flow.of(rest)];
        match why {
            Some(why) if changed => {
                on.extend([flow.of(live.set.clone()).doubted(&rule.name, &why), live.doubted(&rule.name, &why)]);
            }
            // It may do anything.
            Some(why) if decides(rule) => {
                let live = live.doubted(&rule.name, &why);
                let mut moved = live.clone();
                moved.packet = Packet { to: (None, None), is_local: false, translated: true, ..moved.packet };
                let accepted = kept(vec![live.clone(), moved]);
                on.push(live);
                return After { on: kept(on), accepted, ..After::default() };
            }
            _ => on.push(live),
        }
        After { on: kept(on), ..After::default() }
    }

    /// What `kind` makes of the flow; `None` when that is not understood.
    fn verdict(&mut self, key: &Key, rule: &Rule, flow: Flow, kind: &str, body: &Value, depth: usize) -> Option<After> {
        let mut after = After::default();
        match kind {
            "accept" => {
                let by = format!("{}: accept", rule.name);
                after.accepted.push(if self.tells { flow.decided(by) } else { flow });
            }
            "drop" | "reject" => self.stop(flow, format!("{}: {kind}", rule.name)),
            "continue" => after.on.push(flow),
            "return" => after.back.push(flow),
            "jump" | "goto" => {
                let name = body.get("target").and_then(Value::as_str)?;
                let found = self.ruleset.chain(key, name).filter(|_| depth < DEPTH);
                let Some((target, chain)) = found else {
                    let why = format!("the chain {name} is not listed, or too deep");
                    after.on.push(flow.doubted(&rule.name, &why));
                    return Some(after);
                };
                let called = self.chain(target, chain, vec![flow], depth + 1);
                after.accepted = called.accepted;
                let ended = called.on.into_iter().chain(called.back);
                if kind == "jump" { after.on.extend(ended) } else { after.back.extend(ended) }
            }
            // To an address of one family: it concerns no other.
            "dnat" if !is_of(body, self.question.family) => after.on.push(flow),
            "dnat" | "redirect" => {
                if let Some(done) = self.mapped(key, rule, &flow, kind, body) {
                    return Some(done);
                }
                let plain = |name, is: fn(&Value) -> bool| body.get(name).is_none_or(is);
                if plain("addr", Value::is_string) && plain("port", Value::is_number) {
                    after.accepted.push(translated(flow, kind, body, &rule.name));
                } else {
                    // By a map, in which some may not be; or to one of several.
                    let why = format!("{kind} to {}", brief(body));
                    after.on.push(flow.clone().doubted(&rule.name, &why));
                    after.accepted.push(translated(flow, kind, body, &rule.name).doubted(&rule.name, &why));
                }
            }
            // Another program decides.
            "queue" | "synproxy" | "tproxy" => {
                after.accepted.push(flow.doubted(&rule.name, &format!("{kind}: another program decides")));
            }
            // Sources are translated behind all that filters.
            "masquerade" | "snat" => after.accepted.push(flow),
            _ => return None,
        }
        Some(after)
    }

    /// The pairs of a map, named or written where it is used.
    fn listed<'v>(&self, key: &Key, map: &'v Value) -> Option<&'v [Value]>
    where
        'a: 'v,
    {
        let data = map.get("data")?;
        match data.as_str().and_then(|name| name.strip_prefix('@')) {
            Some(name) => self.ruleset.elements(key, name),
            None => data.get("set").and_then(Value::as_array).map(Vec::as_slice),
        }
    }

    /// Each to where a map of addresses has it, with a port or without, and the others on; `None` when it is no such map,
    /// or one that is not understood.
    fn mapped(&self, key: &Key, rule: &Rule, flow: &Flow, kind: &str, body: &Value) -> Option<After> {
        let map = body.get("addr")?.get("map").filter(|_| body.get("port").is_none())?;
        let mut after = After::default();
        let mut rest = flow.clone();
        for pair in self.listed(key, map)? {
            let (element, target) = (pair.get(0).filter(|element| element.as_str() != Some("*"))?, pair.get(1)?);
            let fitting = equals(self.ruleset, key, &rest.packet, map.get("key")?, How::Exactly, element).ok()?;
            let Some(fitting) = fitting else { continue };
            let to = match target.get("concat").and_then(Value::as_array).map(Vec::as_slice) {
                Some([address, port]) if address.is_string() && port.is_number() => {
                    json!({ "addr": address, "port": port })
                }
                None if target.is_string() => json!({ "addr": target }),
                _ => return None,
            };
            let part = rest.of(rest.set.intersection(&fitting));
            rest.set = rest.set.difference(&fitting);
            after.accepted.push(translated(part, kind, &to, &rule.name));
        }
        after.on.push(rest);
        Some(After { on: kept(after.on), accepted: kept(after.accepted), ..after })
    }

    /// A verdict for each value.
    #[expect(clippy::too_many_arguments, reason = "what a rule is evaluated with")]
    fn vmap(
        &mut self,
        key: &Key,
        rule: &Rule,
        flow: &Flow,
        live: Flow,
        why: Option<Why>,
        body: &Value,
        depth: usize,
    ) -> After {
        let listed = self.listed(key, body);
        let mut after = After { on: kept(vec![flow.of(flow.set.difference(&live.set))]), ..After::default() };
        let (Some(value), Some(listed)) = (body.get("key"), listed) else {
            after.on.push(live.doubted(&rule.name, "a map of verdicts that is not listed"));
            return after;
        };
        let mut rest = live;
        let mut why = why;
        // The element for all others comes last.
        let is_default = |pair: &&Value| pair.get(0).and_then(Value::as_str) == Some("*");
        let (last, first): (Vec<_>, Vec<_>) = listed.iter().partition(is_default);
        for pair in first.into_iter().chain(last) {
            let (Some(element), Some((kind, target))) =
                (pair.get(0), pair.get(1).and_then(Value::as_object).and_then(|verdict| verdict.iter().next()))
            else {
                why.get_or_insert_with(|| brief(pair));
                continue;
            };
            let part = match equals(self.ruleset, key, &rest.packet, value, How::Exactly, element) {
                Ok(None) => continue,
                Ok(Some(fitting)) => rest.of(rest.set.intersection(&fitting)),
                Err(unclear) => {
                    why.get_or_insert(unclear);
                    rest.clone()
                }
            };
            if part.set.is_empty() {
                continue;
            }
            let part = match &why {
                Some(why) => part.doubted(&rule.name, why),
                None => {
                    rest.set = rest.set.difference(&part.set);
                    part
                }
            };
            match self.verdict(key, rule, part.clone(), kind, target, depth) {
                Some(done) => {
                    after.on.extend(done.on);
                    after.back.extend(done.back);
                    after.accepted.extend(done.accepted);
                }
                None => after.on.push(part.doubted(&rule.name, &brief(pair))),
            }
        }
        after.on.push(match &why {
            Some(why) => rest.doubted(&rule.name, why),
            None => rest,
        });
        after.on = kept(after.on);
        after
    }
}

/// Whether what is written into the packet is nothing that decides who gets in: an option of TCP, such as the greatest
/// segment, or how urgent it is.
fn is_idle(body: &Value) -> bool {
    let text = |name: &str| body.pointer(name).and_then(Value::as_str);
    body.pointer("/key/tcp option").is_some()
        || matches!(text("/key/payload/field"), Some("dscp" | "ecn" | "ttl" | "hoplimit"))
}

/// Whether a rule has more than matches and notes: then it matters whether it is understood.
fn decides(rule: &Rule) -> bool {
    let idle = ["match", "counter", "log", "comment", "limit", "set"];
    !rule.expr.iter().all(|one| idle.iter().any(|name| one.get(name).is_some()))
}
