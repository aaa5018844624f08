//! Where the zone gives the home's address away, to whoever reads it. Pure.
//!
//! Read are: addresses (A, AAAA), names that lead to one (CNAME, NS, MX, SRV, SVCB, HTTPS and their like), hints (RFC 9460,
//! section 7.3), SPF terms (RFC 7208, section 5), and text that holds an address.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::net::IpAddr;

use ipnet::IpNet;

use super::home::{Home, Whose};
use super::{Check, Finding, Grade};
use crate::provider::listing::{Data, ZoneRecord};

/// Aliases that are followed one after the other.
const ALIASES: usize = 8;
/// Leaks that are told one by one.
const TOLD: usize = 12;

/// One record that gives the address away.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Leak {
    /// The record's owner.
    pub name: String,
    /// Its type.
    pub rtype: String,
    /// How it does.
    pub how: How,
    /// The address.
    pub address: IpAddr,
    /// When that is or was the home's.
    pub whose: Whose,
}

/// How a record gives an address away.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum How {
    /// It is the record's data, or in its text.
    Holds,
    /// By the name that it leads to.
    LeadsTo(String),
    /// By a hint (RFC 9460).
    Hints,
    /// By this term of SPF.
    Spf(String),
}

impl fmt::Display for Leak {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { name, rtype, how, address, whose } = self;
        write!(f, "{name} {rtype} ")?;
        match how {
            How::Holds => write!(f, "holds {address}")?,
            How::LeadsTo(target) => write!(f, "leads to {target}, which has {address}")?,
            How::Hints => write!(f, "hints at {address}")?,
            How::Spf(term) => write!(f, "has the SPF term {term}, which tells of {address}")?,
        }
        match whose {
            Whose::Now => Ok(()),
            Whose::Until(until) => write!(f, " (the home's until {until})"),
        }
    }
}

/// The names that may show the home's address.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Open {
    /// Names that hold it because they must, and are told to nobody: what leads to them is a leak.
    pub quiet: BTreeSet<String>,
    /// Names that are public with it: what leads to them is none.
    pub public: BTreeSet<String>,
}

/// The records among `records`, those of all zones that can be read, that give the address of `home` away.
pub fn leaks(records: &[ZoneRecord], home: &Home, open: &Open) -> Vec<Leak> {
    let zone = Names::of(records);
    let mut leaks = Vec::new();
    for record in records {
        let mut leak = |how, address, whose| {
            let (name, rtype) = (record.name.clone(), record.rtype.clone());
            leaks.push(Leak { name, rtype, how, address, whose });
        };
        let is_open = open.quiet.contains(&record.name) || open.public.contains(&record.name);
        let led = |target: &str| {
            let mut homes = zone.addresses(target).filter_map(|address| Some((address, home.whose(address)?)));
            homes.next().filter(|_| !open.public.contains(target) && !is_open)
        };
        match &record.data {
            Data::Address(address) => {
                if let Some(whose) = home.whose(*address).filter(|_| !is_open) {
                    leak(How::Holds, *address, whose);
                }
            }
            Data::Name(target) => {
                if let Some((address, whose)) = led(target) {
                    leak(How::LeadsTo(target.clone()), address, whose);
                }
            }
            Data::Service { target, hints } => {
                for hint in hints {
                    if let Some(whose) = home.whose(*hint).filter(|_| !is_open) {
                        leak(How::Hints, *hint, whose);
                    }
                }
                // A record that leads to its own name says no more than the addresses there.
                if *target != record.name
                    && let Some((address, whose)) = led(target)
                {
                    leak(How::LeadsTo(target.clone()), address, whose);
                }
            }
            Data::Text(text) => match spf(text) {
                Some(terms) => {
                    for term in terms {
                        let found = match mechanism(term) {
                            Some(Mechanism::Range(range)) => home.within(range),
                            Some(Mechanism::Address(name)) => led(&name.unwrap_or_else(|| record.name.clone())),
                            None => None,
                        };
                        if let Some((address, whose)) = found {
                            leak(How::Spf(term.to_owned()), address, whose);
                        }
                    }
                }
                None => {
                    let found: BTreeSet<IpAddr> = addresses_in(text).collect();
                    for address in found {
                        if let Some(whose) = home.whose(address) {
                            leak(How::Holds, address, whose);
                        }
                    }
                }
            },
        }
    }
    leaks.sort_by(|a, b| {
        let rest = |leak: &Leak| (leak.name.clone(), leak.rtype.clone(), leak.how.clone());
        b.whose.newness().cmp(&a.whose.newness()).then_with(|| rest(a).cmp(&rest(b)))
    });
    leaks
}

/// The finding on what could be read of the zones: how many `records` there are, and which zones could `not` be `read`,
/// with the reason.
pub fn finding(about: &str, leaks: &[Leak], records: usize, home: &Home, unread: &[String]) -> Finding {
    let finding = |grade, seen: String, todo: &str| Finding::new(Check::Leaks, about, grade, seen, todo);
    if !leaks.is_empty() {
        let mut told: Vec<String> = leaks.iter().take(TOLD).map(ToString::to_string).collect();
        if leaks.len() > TOLD {
            told.push(format!("and {} more", leaks.len() - TOLD));
        }
        told.extend(unread.iter().cloned());
        let todo = "remove these records, or let them lead to the edge or to a server elsewhere; a name that must show the \
                    address goes into `exposure.open`. What was public stays known: after that, a new address helps";
        return finding(Grade::Amiss, told.join("; "), todo);
    }
    if home.is_unknown() {
        let todo = "let the daemon run until an address is settled, or see `fingerpost locate`";
        return finding(Grade::Unknown, "the home's own address is not known".into(), todo);
    }
    if !unread.is_empty() {
        return finding(
            Grade::Unknown,
            unread.join("; "),
            "let the key read the whole zone, or look through it by hand",
        );
    }
    let records = if records == 1 { "1 record".to_owned() } else { format!("{records} records") };
    finding(Grade::Good, format!("no address of the home in {records}"), "")
}

/// The names of the zones and where they lead.
struct Names<'a> {
    addresses: BTreeMap<&'a str, Vec<IpAddr>>,
    aliases: BTreeMap<&'a str, &'a str>,
    /// Every owner, and every name above one: these exist (RFC 4592, section 2.2.2).
    existing: BTreeSet<&'a str>,
}

impl<'a> Names<'a> {
    fn of(records: &'a [ZoneRecord]) -> Self {
        let (mut addresses, mut aliases) = (BTreeMap::<&str, Vec<IpAddr>>::new(), BTreeMap::new());
        let mut existing = BTreeSet::new();
        for ZoneRecord { name, rtype, data } in records {
            existing.extend(at_and_above(name));
            match data {
                Data::Address(address) => addresses.entry(name).or_default().push(*address),
                Data::Name(target) if rtype == "CNAME" => drop(aliases.insert(name.as_str(), target.as_str())),
                _ => {}
            }
        }
        Self { addresses, aliases, existing }
    }

    /// The addresses at `name`, aliases followed, as far as the zones tell.
    fn addresses(&self, name: &str) -> impl Iterator<Item = IpAddr> + '_ {
        let mut at = self.owner(name);
        for _ in 0..ALIASES {
            match self.aliases.get(at.as_str()) {
                Some(target) => at = self.owner(target),
                None => break,
            }
        }
        self.addresses.get(at.as_str()).into_iter().flatten().copied()
    }

    /// The owner of what is answered for `name`: itself, or the wildcard at the closest encloser (RFC 4592, section 3.3.1).
    fn owner(&self, name: &str) -> String {
        if self.existing.contains(name) {
            return name.to_owned();
        }
        let encloser = at_and_above(name).find(|above| self.existing.contains(above));
        encloser.map_or_else(|| name.to_owned(), |above| format!("*.{above}"))
    }
}

fn at_and_above(name: &str) -> impl Iterator<Item = &str> {
    std::iter::successors(Some(name), |name| name.split_once('.').map(|(_, above)| above))
}

/// The terms of an SPF record (RFC 7208, section 4.5), or `None` where the text is none.
fn spf(text: &str) -> Option<impl Iterator<Item = &str>> {
    let mut terms = text.split(' ');
    terms.next().filter(|version| version.eq_ignore_ascii_case("v=spf1"))?;
    Some(terms.filter(|term| !term.is_empty()))
}

/// What a term of SPF tells of.
#[derive(Debug, PartialEq, Eq)]
enum Mechanism {
    /// `ip4` and `ip6` (RFC 7208, section 5.6).
    Range(IpNet),
    /// `a` (RFC 7208, section 5.3): the addresses of a name, or of the record's own.
    Address(Option<String>),
}

/// `include`, `redirect` and `mx` lead to records that are read themselves.
fn mechanism(term: &str) -> Option<Mechanism> {
    let bare = term.strip_prefix(['+', '-', '~', '?']).unwrap_or(term);
    let (name, value) = match bare.split_once(':') {
        Some((name, value)) => (name, Some(value)),
        None => (bare.split('/').next().unwrap_or_default(), None),
    };
    match (name.to_ascii_lowercase().as_str(), value) {
        ("ip4" | "ip6", Some(range)) => {
            let range = range.parse().or_else(|_| range.parse::<IpAddr>().map(IpNet::from));
            range.ok().map(Mechanism::Range)
        }
        ("a", None) => Some(Mechanism::Address(None)),
        ("a", Some(domain)) => {
            let domain = domain.split('/').next().unwrap_or_default().trim_end_matches('.').to_ascii_lowercase();
            Some(Mechanism::Address(Some(domain)))
        }
        _ => None,
    }
}

/// The addresses that stand in a text, whatever is around them.
fn addresses_in(text: &str) -> impl Iterator<Item = IpAddr> + '_ {
    let words = text.split(|c: char| !c.is_ascii_hexdigit() && !matches!(c, ':' | '.'));
    words.filter(|word| word.len() >= 2).flat_map(|word| {
        let bare = word.trim_end_matches('.').trim_start_matches('.');
        // What stands before a colon may be a word of its own, and what stands behind one a port.
        let ipv4 = bare.split(':').filter_map(|part| part.trim_matches('.').parse().ok().map(IpAddr::V4));
        let tails = bare.char_indices().filter(|(at, c)| *at == 0 || *c == ':').map(|(at, _)| at).take(16);
        let ipv6 = tails.filter_map(move |at| {
            let tail = bare.get(at..)?;
            let tail = tail.strip_prefix(':').filter(|rest| !rest.starts_with(':')).unwrap_or(tail);
            tail.parse().or_else(|_| tail.trim_end_matches(':').parse()).ok().map(IpAddr::V6)
        });
        ipv4.chain(ipv6)
    })
}

#[cfg(test)]
mod tests;
