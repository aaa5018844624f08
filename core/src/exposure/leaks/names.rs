//! The names of the zones and where they lead. Pure.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use crate::provider::listing::{Part, ZoneRecord};

/// Aliases that are followed one after the other: more than resolvers follow (common practice, no source).
const ALIASES: usize = 16;

/// What stands where in the zones.
pub(super) struct Names<'a> {
    addresses: BTreeMap<&'a str, Vec<IpAddr>>,
    aliases: BTreeMap<&'a str, &'a str>,
    /// What is below each is below its target (RFC 6672, section 2.2).
    redirects: BTreeMap<&'a str, &'a str>,
    exchanges: BTreeMap<&'a str, Vec<&'a str>>,
    senders: BTreeMap<&'a str, Vec<&'a [Part]>>,
    /// Every owner, and every name above one: these exist (RFC 4592, section 2.2.2).
    existing: BTreeSet<&'a str>,
}

impl<'a> Names<'a> {
    pub(super) fn of(records: &'a [ZoneRecord]) -> Self {
        let mut names = Self {
            addresses: BTreeMap::new(),
            aliases: BTreeMap::new(),
            redirects: BTreeMap::new(),
            exchanges: BTreeMap::new(),
            senders: BTreeMap::new(),
            existing: BTreeSet::new(),
        };
        for ZoneRecord { name, rtype, data } in records {
            for name in at_and_above(name) {
                if !names.existing.insert(name) {
                    break;
                }
            }
            let name = name.as_str();
            match (rtype.as_ref(), data.as_slice()) {
                ("A" | "AAAA", [Part::Address(address)]) => names.addresses.entry(name).or_default().push(*address),
                ("CNAME", [Part::Name(target)]) => drop(names.aliases.insert(name, target)),
                ("DNAME", [Part::Name(target)]) => drop(names.redirects.insert(name, target)),
                ("MX", [Part::Name(target)]) => names.exchanges.entry(name).or_default().push(target),
                ("TXT" | "SPF", data) => names.senders.entry(name).or_default().push(data),
                _ => {}
            }
        }
        names
    }

    /// The addresses at `name`, aliases followed, as far as the zones tell.
    pub(super) fn addresses(&self, name: &str) -> impl Iterator<Item = IpAddr> + '_ {
        self.addresses.get(self.end(name).as_str()).into_iter().flatten().copied()
    }

    /// The servers that take the mail for `name`, beside itself.
    pub(super) fn exchanges(&self, name: &str) -> impl Iterator<Item = &'a str> + '_ {
        self.exchanges.get(self.end(name).as_str()).into_iter().flatten().copied()
    }

    /// The data of each text at `name`.
    pub(super) fn texts(&self, name: &str) -> impl Iterator<Item = &'a [Part]> + '_ {
        self.senders.get(self.end(name).as_str()).into_iter().flatten().copied()
    }

    /// Whether something stands at this very name or below it, or below the target of a DNAME: not only by a wildcard.
    pub(super) fn has(&self, name: &str) -> bool {
        self.existing.contains(name)
            || self.redirected(name).is_some_and(|target| self.existing.contains(target.as_str()))
    }

    /// Where `name` leads in the end: the owner of what is answered for it.
    fn end(&self, name: &str) -> String {
        let mut at = self.owner(name);
        for _ in 0..ALIASES {
            match self.redirected(&at).or_else(|| Some((*self.aliases.get(at.as_str())?).to_owned())) {
                Some(target) => at = self.owner(&target),
                None => break,
            }
        }
        at
    }

    /// What a DNAME above `name` makes of it: the one nearest to the root hides those below it (RFC 6672, section 2.4).
    fn redirected(&self, name: &str) -> Option<String> {
        let above = at_and_above(name).skip(1).filter_map(|above| Some((above, *self.redirects.get(above)?)));
        let (above, target) = above.last()?;
        let prefix = name.strip_suffix(above)?;
        Some(if target.is_empty() { prefix.trim_end_matches('.').to_owned() } else { format!("{prefix}{target}") })
    }

    /// The owner of what is answered for `name`: itself, or the wildcard at the closest encloser (RFC 4592, section 3.3.1).
    fn owner(&self, name: &str) -> String {
        if self.existing.contains(name) {
            return name.to_owned();
        }
        let encloser = at_and_above(name).find(|above| self.existing.contains(above));
        let wildcard = encloser.map(|above| format!("*.{above}"));
        wildcard.filter(|wildcard| self.existing.contains(wildcard.as_str())).unwrap_or_else(|| name.to_owned())
    }
}

fn at_and_above(name: &str) -> impl Iterator<Item = &str> {
    std::iter::successors(Some(name), |name| name.split_once('.').map(|(_, above)| above))
}
