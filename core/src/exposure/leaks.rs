//! Where the zone gives the home's address away, to whoever reads it. Pure.
//!
//! Read are, of every type: addresses and ranges of them, names that lead to one, hints, the terms of SPF, and text and
//! names in which one is written. `names` knows where names lead, `spf` what terms mean, `notation` how addresses are
//! written.

mod names;
mod notation;
mod spf;

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::net::IpAddr;

use ipnet::IpNet;

use super::home::{Home, Whose};
use super::{Check, Finding, Grade};
use crate::provider::listing::{Part, ZoneRecord};
use names::Names;
use notation::{Written, addresses_in};
use spf::Mechanism;

/// SPF records that are read one for the other; a receiver looks up no more than 10 (RFC 7208, section 4.6.4).
const INCLUDED: usize = 10;
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
    /// It is the record's data, or written in it.
    Holds,
    /// The record's own name is written with it.
    Named,
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
            How::Named => write!(f, "is at a name that holds {address}")?,
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
    let reader = Reader { names: Names::of(records), home, open };
    let mut leaks: Vec<Leak> = records.iter().flat_map(|record| reader.record(record)).collect();
    leaks.extend(reader.owners(records));
    leaks.sort_by(|a, b| {
        let rest = |leak: &Leak| (leak.name.clone(), leak.rtype.clone(), leak.how.clone(), leak.address);
        b.whose.newness().cmp(&a.whose.newness()).then_with(|| rest(a).cmp(&rest(b)))
    });
    leaks.dedup();
    leaks
}

/// An address of the home, and whose that is.
type Ours = (IpAddr, Whose);

/// Reads one record after the other.
struct Reader<'a> {
    names: Names<'a>,
    home: &'a Home,
    open: &'a Open,
}

impl Reader<'_> {
    fn is_open(&self, name: &str) -> bool {
        self.open.quiet.contains(name) || self.open.public.contains(name)
    }

    fn record(&self, record: &ZoneRecord) -> Vec<Leak> {
        let found = record.data.iter().flat_map(|part| self.part(record, part));
        let leak = |(how, (address, whose))| Leak {
            name: record.name.clone(),
            rtype: record.rtype.clone().into_owned(),
            how,
            address,
            whose,
        };
        found.map(leak).collect()
    }

    /// What one part of a record gives away. A name that may show the home may not have it in its text.
    fn part(&self, record: &ZoneRecord, part: &Part) -> Vec<(How, Ours)> {
        let is_open = self.is_open(&record.name);
        let unless_open = |how, ours: Option<Ours>| ours.filter(|_| !is_open).map(|ours| (how, ours));
        match part {
            Part::Address(address) => unless_open(How::Holds, self.plain(*address)).into_iter().collect(),
            Part::Hint(address) => unless_open(How::Hints, self.plain(*address)).into_iter().collect(),
            Part::Range(range) => unless_open(How::Holds, self.ranged(*range)).into_iter().collect(),
            Part::Name(target) | Part::Mailbox(target) => {
                let is_host = matches!(part, Part::Name(_)) || self.names.has(target);
                let led = unless_open(How::LeadsTo(target.clone()), self.led(target).filter(|_| is_host));
                let named = self.written(target).into_iter().filter_map(|ours| unless_open(How::Holds, Some(ours)));
                led.into_iter().chain(named).collect()
            }
            Part::Text(_) | Part::Strings(_) => self.text(record, part, is_open),
        }
    }

    fn text(&self, record: &ZoneRecord, part: &Part, is_open: bool) -> Vec<(How, Ours)> {
        let whole = joined(part);
        let is_sender = matches!(record.rtype.as_ref(), "TXT" | "SPF");
        if let Some(terms) = spf::terms(&whole).filter(|_| is_sender) {
            let mut seen = BTreeSet::from([record.name.clone()]);
            let told =
                |term: &str| Some((How::Spf(term.to_owned()), self.term(term, &record.name, is_open, &mut seen)?));
            return terms.filter_map(told).collect();
        }
        let found = match part {
            Part::Strings(strings) if strings.len() > 1 => {
                let alone = strings.iter().flat_map(|text| self.written(text));
                alone.chain(boundaries(strings).flat_map(|(left, right)| self.across(left, right))).collect()
            }
            _ => self.written(&whole),
        };
        found.into_iter().map(|ours| (How::Holds, ours)).collect()
    }

    /// The addresses of the home of which one part is in `left` and the other in `right`.
    fn across(&self, left: &str, right: &str) -> BTreeSet<Ours> {
        // No address has this letter, and it is as much a neighbour to one as what it stands for.
        let hidden =
            |text: &str| text.chars().map(|c| if c.is_ascii_alphanumeric() { 'x' } else { c }).collect::<String>();
        let mut found = self.written(&format!("{left}{right}"));
        for one in [format!("{left}{}", hidden(right)), format!("{}{right}", hidden(left))] {
            let within = self.written(&one);
            found.retain(|ours| !within.contains(ours));
        }
        found
    }

    /// What a term of SPF at `domain` tells of. `seen` are the names whose terms were read on the way.
    fn term(&self, term: &str, domain: &str, is_open: bool, seen: &mut BTreeSet<String>) -> Option<Ours> {
        let led = |name: &str, around: spf::Around| {
            let of = |address| self.plain(address).or_else(|| self.ranged(around.range(address)?));
            let public = self.open.public.contains(name) || is_open;
            self.names.addresses(name).filter(|_| !public).find_map(of)
        };
        let told = match spf::mechanism(term) {
            Some(Mechanism::Range(range)) => self.ranged(range),
            Some(Mechanism::Hosts(name, around)) => led(name.as_deref().unwrap_or(domain), around),
            Some(Mechanism::Mail(name, around)) => {
                self.names.exchanges(name.as_deref().unwrap_or(domain)).find_map(|host| led(host, around))
            }
            Some(Mechanism::Other(name)) => self.other(&name, is_open, seen),
            None => None,
        };
        told.or_else(|| self.written(term).into_iter().next())
    }

    /// What the SPF record at `name` tells, as one that includes it or is replaced by it does.
    fn other(&self, name: &str, is_open: bool, seen: &mut BTreeSet<String>) -> Option<Ours> {
        if seen.len() > INCLUDED || !seen.insert(name.to_owned()) {
            return None;
        }
        self.names.texts(name).flatten().find_map(|part| {
            let text = joined(part);
            spf::terms(&text)?.find_map(|term| self.term(term, name, is_open, seen))
        })
    }

    /// The owners that are named after an address of the home, each once.
    fn owners(&self, records: &[ZoneRecord]) -> Vec<Leak> {
        let mut owners = BTreeMap::new();
        for record in records.iter().filter(|record| !self.is_open(&record.name)) {
            let rtype = owners.entry(&record.name).or_insert(&record.rtype);
            *rtype = (*rtype).min(&record.rtype);
        }
        let leak = |(name, rtype): (&String, &Cow<'static, str>)| {
            // The names of a reverse zone tell its range, all of them.
            let full = addresses_in(name).into_iter().filter(|written| written.range.is_none());
            let (address, whose) = full.filter_map(|written| self.plain(written.address)).next()?;
            let rtype = rtype.clone().into_owned();
            Some(Leak { name: name.clone(), rtype, how: How::Named, address, whose })
        };
        owners.into_iter().filter_map(leak).collect()
    }

    fn plain(&self, address: IpAddr) -> Option<Ours> {
        Some((address, self.home.whose(address)?))
    }

    /// A wide range tells nothing; the address that it is written with may.
    fn ranged(&self, range: IpNet) -> Option<Ours> {
        self.home.within(range).or_else(|| self.plain(range.addr()))
    }

    /// The addresses of the home that `text` says.
    fn written(&self, text: &str) -> BTreeSet<Ours> {
        let ours = |written: Written| self.plain(written.address).or_else(|| self.ranged(written.range?));
        addresses_in(text).into_iter().filter_map(ours).collect()
    }

    fn led(&self, target: &str) -> Option<Ours> {
        let mut ours = self.names.addresses(target).filter_map(|address| self.plain(address));
        ours.next().filter(|_| !self.open.public.contains(target))
    }
}

/// The longest text on one side of a boundary that can be part of an address there: one of IPv6 as nibbles with dots.
const AROUND: usize = 80;

/// What is left and right of each boundary between two strings, as far as an address reaches.
fn boundaries(strings: &[String]) -> impl Iterator<Item = (&str, &str)> {
    strings.iter().zip(strings.iter().skip(1)).map(|(left, right)| {
        let from = (left.len().saturating_sub(AROUND)..=left.len()).find(|at| left.is_char_boundary(*at));
        let until = (0..=right.len().min(AROUND)).rev().find(|at| right.is_char_boundary(*at));
        (
            left.get(from.unwrap_or_default()..).unwrap_or_default(),
            right.get(..until.unwrap_or_default()).unwrap_or_default(),
        )
    })
}

/// All that a part says in text; its strings are meant joined in SPF (RFC 7208, section 3.3).
fn joined(part: &Part) -> Cow<'_, str> {
    match part {
        Part::Text(text) => text.as_str().into(),
        Part::Strings(strings) => strings.concat().into(),
        _ => "".into(),
    }
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

#[cfg(test)]
mod tests;
