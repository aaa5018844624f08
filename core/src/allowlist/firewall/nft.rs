//! nftables: what `nft -j list ruleset` prints (libnftables-json(5)), and whom it lets in. Pure.
//!
//! The question is one packet, the first of a TCP connection from outside, asked for all sources at once: each rule
//! splits them into those it is about and the rest. `matching` knows what a rule is about, `walk` the way of a
//! packet through the hooks. What is not understood splits the way: the sources that go one way or the other are told as
//! unknown, unless both ways end alike.
//!
//! Taken for granted: the connection comes through the outside's interface, from an address that routing expects there
//! (so a check of the reverse path holds), unmarked, in one piece, and within the limits of rate that a rule may set.

mod flow;
mod matching;
mod walk;

use std::collections::BTreeMap;
use std::net::IpAddr;

use serde_json::Value;

use super::LetIn;
use crate::address::Family;
use crate::settings::Place;

/// What is asked: who gets to this port?
#[derive(Clone, Debug)]
pub struct Question<'a> {
    /// The sources' family.
    pub family: Family,
    /// The TCP port, as it is from outside.
    pub port: u16,
    /// Where they go: the home's address of the family, if it is known.
    pub destination: Option<IpAddr>,
    /// Where the service is, seen from this ruleset.
    pub service: Place,
    /// The interface through which the outside comes.
    pub outside: Option<&'a str>,
    /// The interface behind which the service is.
    pub inside: Option<&'a str>,
}

/// Why a text is no ruleset.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotARuleset {
    /// Not JSON.
    #[error("it is not JSON: {0}; was it `nft -j list ruleset`?")]
    NotJson(String),
    /// JSON, and something else.
    #[error("it is no ruleset of nftables: {0}; was it `nft -j list ruleset`?")]
    Other(&'static str),
}

/// Family, table and name of a chain, set or map.
type Key = (String, String, String);

/// A ruleset.
#[derive(Debug, Default)]
pub struct Ruleset {
    chains: BTreeMap<Key, Chain>,
    /// Elements of sets and maps.
    sets: BTreeMap<Key, Vec<Value>>,
}

#[derive(Debug, Default)]
struct Chain {
    base: Option<Base>,
    rules: Vec<Rule>,
}

/// What makes a chain a base chain.
#[derive(Debug)]
struct Base {
    hook: String,
    is_nat: bool,
    priority: i64,
    /// Whether what no rule decides is dropped.
    drops: bool,
    /// The devices of an ingress chain; some versions of nft tell none.
    devices: Vec<String>,
    /// Why it may not run at all, if that is so.
    in_doubt: Option<&'static str>,
    /// Where it stands in the listing: chains of one priority run in the order in which they came.
    order: usize,
}

#[derive(Debug)]
struct Rule {
    /// How its owner finds it.
    name: String,
    expr: Vec<Value>,
}

impl Ruleset {
    /// Reads what `nft -j list ruleset` prints.
    ///
    /// # Errors
    /// [`NotARuleset`].
    pub fn parse(text: &[u8]) -> Result<Self, NotARuleset> {
        let whole: Value = serde_json::from_slice(text).map_err(|error| NotARuleset::NotJson(error.to_string()))?;
        let objects = whole.get("nftables").and_then(Value::as_array);
        let objects = objects.ok_or(NotARuleset::Other("it has no list `nftables`"))?;
        let mut ruleset = Self::default();
        let (mut dormant, mut in_doubt) = (Vec::new(), Vec::new());
        for (order, object) in objects.iter().enumerate() {
            let Some((kind, body)) = object.as_object().and_then(|object| object.iter().next()) else {
                return Err(NotARuleset::Other("an entry of it is no object"));
            };
            match kind.as_str() {
                "table" => {
                    let flags = listed(body.get("flags"));
                    let table = (text_of(body, "family")?, text_of(body, "name")?);
                    if flags.iter().any(|flag| flag == "dormant") {
                        dormant.push(table);
                    } else if !flags.iter().all(|flag| matches!(flag.as_str(), "owner" | "persist")) {
                        // nft 1.0.6 prints the table's name there (seen).
                        in_doubt.push(table);
                    }
                }
                "chain" => {
                    let base = base(body, order)?;
                    ruleset.chains.entry(key(body, "name")?).or_default().base = base;
                }
                "rule" => {
                    let rule = rule(body)?;
                    ruleset.chains.entry(key(body, "chain")?).or_default().rules.push(rule);
                }
                "set" | "map" => {
                    let elements = body.get("elem").and_then(Value::as_array).cloned().unwrap_or_default();
                    ruleset.sets.insert(key(body, "name")?, elements);
                }
                // Counters, limits, helpers and the like decide nothing by themselves.
                _ => {}
            }
        }
        // The kernel does not call the chains of a table that sleeps.
        ruleset.chains.retain(|(family, table, _), _| !dormant.contains(&(family.clone(), table.clone())));
        for ((family, table, _), chain) in &mut ruleset.chains {
            if let Some(base) = chain.base.as_mut().filter(|_| in_doubt.contains(&(family.clone(), table.clone()))) {
                base.in_doubt = Some("whether its table is dormant is not told by this version of nft");
            }
        }
        Ok(ruleset)
    }

    /// Whom it lets in.
    pub fn let_in(&self, question: &Question<'_>) -> LetIn {
        walk::Walk::new(self, question).let_in()
    }

    fn chain(&self, scope: &Key, name: &str) -> Option<(&Key, &Chain)> {
        self.chains.get_key_value(&(scope.0.clone(), scope.1.clone(), name.to_owned()))
    }

    /// The elements of the set or map called `name` in the table of `scope`.
    fn elements(&self, scope: &Key, name: &str) -> Option<&[Value]> {
        self.sets.get(&(scope.0.clone(), scope.1.clone(), name.to_owned())).map(Vec::as_slice)
    }
}

fn text_of(body: &Value, name: &str) -> Result<String, NotARuleset> {
    let text = body.get(name).and_then(Value::as_str).map(str::to_owned);
    text.ok_or(NotARuleset::Other("a name is missing in it"))
}

fn key(body: &Value, name: &str) -> Result<Key, NotARuleset> {
    Ok((text_of(body, "family")?, text_of(body, "table")?, text_of(body, name)?))
}

/// One text, or a list of them.
fn listed(value: Option<&Value>) -> Vec<String> {
    match value {
        Some(Value::String(one)) => vec![one.clone()],
        Some(Value::Array(many)) => many.iter().filter_map(Value::as_str).map(str::to_owned).collect(),
        _ => Vec::new(),
    }
}

fn base(body: &Value, order: usize) -> Result<Option<Base>, NotARuleset> {
    let Some(hook) = body.get("hook").and_then(Value::as_str) else { return Ok(None) };
    let priority = body.get("prio").and_then(Value::as_i64);
    Ok(Some(Base {
        hook: hook.to_owned(),
        is_nat: body.get("type").and_then(Value::as_str) == Some("nat"),
        priority: priority.ok_or(NotARuleset::Other("a base chain of it has no priority"))?,
        drops: body.get("policy").and_then(Value::as_str) == Some("drop"),
        devices: listed(body.get("dev")),
        in_doubt: None,
        order,
    }))
}

fn rule(body: &Value) -> Result<Rule, NotARuleset> {
    let (family, table, chain) = key(body, "chain")?;
    let handle = body.get("handle").and_then(Value::as_u64).map(|handle| format!(", handle {handle}"));
    let comment = body.get("comment").and_then(Value::as_str).map(|comment| format!(" ({comment:?})"));
    let name = format!("{family} {table} {chain}{}{}", handle.unwrap_or_default(), comment.unwrap_or_default());
    let expr = body.get("expr").and_then(Value::as_array).cloned();
    Ok(Rule { name, expr: expr.ok_or(NotARuleset::Other("a rule of it has no `expr`"))? })
}

#[cfg(test)]
mod tests;
