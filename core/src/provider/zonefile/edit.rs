//! Changes address RRsets in a master file and leaves every other byte but the serial as it is. Pure.
//!
//! A record without an owner takes that of the record before it, and without a default TTL also the TTL stated last
//! before it (RFC 1035, section 5.1), and a line between others can part what BIND would gather ([`super::runs`]). So a line
//! cannot be taken out, put in or given another TTL for itself alone: which lines are used is chosen so that no other record
//! changes its meaning, and the result is read again to see that.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use super::lex::{Problem, Span};
use super::runs::{parting, uneven};
use super::scan::{Master, Record, TtlRule};
use super::{serial, view};
use crate::name::DnsName;
use crate::provider::Change;
use crate::record::{RecordType, RrSet};

/// An edited master file.
#[derive(Debug)]
pub struct Edited {
    /// The new file.
    pub bytes: Vec<u8>,
    /// The new serial.
    pub serial: u32,
}

/// Makes `changes` in the master file `bytes` of `zone` on the day `today` (YYYYMMDD), if each `before` holds and
/// nothing forbids an address there; `None` when all of them are in place already.
pub fn edit(bytes: &[u8], zone: &DnsName, changes: &[Change], today: u32) -> Result<Option<Edited>, Problem> {
    let master = Master::scan(bytes, zone.as_str())?;
    let names = changes.iter().map(|change| change.name.clone()).collect();
    let observed = view::observe(&master, zone, &names)?;
    let mut wanted = BTreeMap::new();
    for change in changes {
        let key = (change.name.clone(), change.rtype);
        let standing = observed.names.get(&change.name).cloned().unwrap_or_default();
        if standing.obstacle.is_some() || standing.sets.get(&change.rtype) != change.before.as_ref() {
            return Err(Problem::conflict(format!("{} {} is not as it was read", change.name, change.rtype)));
        }
        if !change.name.is_in(zone) {
            return Err(Problem::whole(
                format!("{} is not in {zone}", change.name),
                "give the record another provider",
            )
            .of_change());
        }
        if change.after.addresses.is_empty() || wanted.insert(key, change.after.clone()).is_some() {
            return Err(Problem::whole(format!("{} {} has no one end", change.name, change.rtype), BUG).of_change());
        }
    }
    wanted.retain(|(name, rtype), after| {
        observed.names.get(name).and_then(|standing| standing.sets.get(rtype)) != Some(after)
    });
    if wanted.is_empty() {
        return Ok(None);
    }
    let (soa, old) = view::soa(&master, zone)?;
    let new = serial::next(old, today);
    inherit_plainly(&master)?;
    let mut plan = Plan::new(&master, &wanted, &parting(&master, |record| is_ours(record, &wanted)))?;
    plan.settle_ttls(&master, &wanted)?;
    let mut splices = plan.splices(&master);
    splices.extend(soa.data.get(2).map(|span| Splice::words(span.clone(), new.to_string())));
    let bytes = splice(bytes, splices, master.line_end());
    check(&master, &bytes, zone, &wanted, new)?;
    Ok(Some(Edited { bytes, serial: new }))
}

const BUG: &str = "this is a bug of fingerpost: please report it; nothing was written";

type Key = (DnsName, RecordType);
type Wanted = BTreeMap<Key, RrSet>;

/// What becomes of one line of a changed RRset.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Line {
    key: Key,
    /// The address now.
    is: IpAddr,
    /// The address to be; `None` takes the line out.
    becomes: Option<IpAddr>,
    /// A TTL to state.
    ttl: Option<u32>,
}

/// A record to put in.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Addition {
    key: Key,
    ttl: u32,
    address: IpAddr,
}

#[derive(Debug)]
struct Plan {
    /// By the index of their record.
    lines: BTreeMap<usize, Line>,
    /// By the index of the record they come after; `usize::MAX` for the end of the file.
    additions: BTreeMap<usize, Vec<Addition>>,
}

const END: usize = usize::MAX;

impl Plan {
    /// Gives every wanted address a line: one that stands there, or else a new one. Those of `parting` stay.
    fn new(master: &Master<'_>, wanted: &Wanted, parting: &BTreeSet<usize>) -> Result<Self, Problem> {
        let mut plan = Self { lines: BTreeMap::new(), additions: BTreeMap::new() };
        let mut last_of: BTreeMap<&str, usize> = BTreeMap::new();
        let mut sets: BTreeMap<&Key, Vec<usize>> = BTreeMap::new();
        let keys: BTreeMap<_, _> = wanted.keys().map(|key| ((key.0.as_str(), Some(key.1)), key)).collect();
        for (index, record) in master.records.iter().enumerate() {
            last_of.insert(&record.owner, index);
            if let Some(key) = keys.get(&(record.owner.as_str(), view::address_type(record))) {
                sets.entry(key).or_default().push(index);
                let is = view::address(master, record)?;
                plan.lines.insert(index, Line { key: (*key).clone(), is, becomes: None, ttl: None });
            }
        }
        for (key, after) in wanted {
            let members = sets.get(key).map(Vec::as_slice).unwrap_or_default();
            let left = plan.allot(master, members, parting, &after.addresses);
            let place = members.last().or_else(|| last_of.get(key.0.as_str())).copied().unwrap_or(END);
            let additions = left.into_iter().map(|address| Addition { key: key.clone(), ttl: after.ttl, address });
            plan.additions.entry(place).or_default().extend(additions);
        }
        Ok(plan)
    }

    /// Shares the addresses out among the lines of one RRset; what is left over has no line yet.
    ///
    /// A line that states the owner for records of another RRset must stay, and one of `parting`. When there are more of such lines than
    /// addresses, an address is written more than once: duplicates count once (RFC 2181, section 5).
    fn allot(
        &mut self,
        master: &Master<'_>,
        members: &[usize],
        parting: &BTreeSet<usize>,
        addresses: &BTreeSet<IpAddr>,
    ) -> BTreeSet<IpAddr> {
        let mut left = addresses.clone();
        let leans_on = |member: &usize| dependants(master, *member).any(|dependant| !members.contains(&dependant));
        let (must_stay, free): (Vec<usize>, Vec<usize>) =
            members.iter().partition(|member| parting.contains(member) || leans_on(member));
        self.keep(&must_stay, &mut left);
        let held: BTreeSet<IpAddr> = free.iter().filter_map(|member| Some(self.lines.get(member)?.is)).collect();
        for member in must_stay {
            let Some(line) = self.lines.get_mut(&member).filter(|line| line.becomes.is_none()) else { continue };
            let next = left.iter().find(|address| !held.contains(address)).or(left.first()).copied();
            line.becomes = next.or_else(|| addresses.get(&line.is).or(addresses.first()).copied());
            line.becomes.map(|address| left.remove(&address));
        }
        self.keep(&free, &mut left);
        for member in &free {
            if let Some(line) = self.lines.get_mut(member).filter(|line| line.becomes.is_none()) {
                line.becomes = left.pop_first();
            }
        }
        // Where a line goes whose owner the lines of this RRset under it take, the first of those that stay moves up.
        for member in &free {
            if self.lines.get(member).is_some_and(|line| line.becomes.is_none()) {
                let mut below = dependants(master, *member);
                let moved = below.find_map(|dependant| self.lines.get_mut(&dependant)?.becomes.take());
                if let Some(line) = self.lines.get_mut(member) {
                    line.becomes = moved;
                }
            }
        }
        left
    }

    /// Leaves those of `members` as they are that hold a wanted address no other line has.
    fn keep(&mut self, members: &[usize], left: &mut BTreeSet<IpAddr>) {
        for member in members {
            if let Some(line) = self.lines.get_mut(member).filter(|line| left.remove(&line.is)) {
                line.becomes = Some(line.is);
            }
        }
    }

    fn goes(&self, index: usize) -> bool {
        self.lines.get(&index).is_some_and(|line| line.becomes.is_none())
    }

    /// States TTLs where they must be, and sees to it that no other record inherits another one than before.
    fn settle_ttls(&mut self, master: &Master<'_>, wanted: &Wanted) -> Result<(), Problem> {
        let mut stated = None;
        for (index, record) in master.records.iter().enumerate() {
            if !self.goes(index) {
                let now = match record.ttl_rule {
                    TtlRule::Inherited => stated.unwrap_or(record.ttl),
                    TtlRule::Stated(_) | TtlRule::Default => record.ttl,
                };
                let want =
                    self.lines.get(&index).and_then(|line| wanted.get(&line.key)).map_or(record.ttl, |set| set.ttl);
                if now != want {
                    let Some(line) = self.lines.get_mut(&index) else { return Err(inherits(record)) };
                    line.ttl = Some(want);
                }
                if now != want || matches!(record.ttl_rule, TtlRule::Stated(_)) {
                    stated = Some(want);
                }
            }
            let Some(additions) = self.additions.get(&index) else { continue };
            let next = (index + 1..master.records.len()).find(|next| !self.goes(*next));
            let heir = next.filter(|next| !self.lines.contains_key(next)).and_then(|next| master.records.get(next));
            let heir = heir.filter(|heir| heir.ttl_rule == TtlRule::Inherited);
            if heir.is_some_and(|heir| additions.iter().any(|addition| addition.ttl != heir.ttl)) {
                // Nothing inherits at the end of the file.
                let moved = self.additions.remove(&index).unwrap_or_default();
                self.additions.entry(END).or_default().extend(moved);
            } else if let Some(addition) = additions.last() {
                stated = Some(addition.ttl);
            }
        }
        Ok(())
    }

    fn splices(&self, master: &Master<'_>) -> Vec<Splice> {
        let mut splices = Vec::new();
        for (index, line) in &self.lines {
            let Some(record) = master.records.get(*index) else { continue };
            let Some(address) = line.becomes else {
                splices.push(Splice::words(record.span.clone(), String::new()));
                continue;
            };
            if let Some(span) = record.data.first().filter(|_| address != line.is) {
                splices.push(Splice::words(span.clone(), address.to_string()));
            }
            match (line.ttl, &record.ttl_rule) {
                (Some(ttl), TtlRule::Stated(span)) => splices.push(Splice::words(span.clone(), ttl.to_string())),
                (Some(ttl), _) => splices.push(Splice::words(record.head..record.head, format!("{ttl} "))),
                (None, _) => {}
            }
        }
        for (index, additions) in &self.additions {
            let above = master.records.get(*index);
            let place = above.map_or(master.bytes.len(), |record| record.span.end);
            splices.extend(additions.iter().map(|Addition { key: (name, rtype), ttl, address }| {
                // Spelled as above it, or BIND would begin a new run.
                let owner = above.filter(|above| above.owner == name.as_str());
                let owner = owner.map_or(name.as_str(), |above| &above.spelled);
                let text = format!("{owner}.\t{ttl}\tIN\t{rtype}\t{address}");
                Splice { span: place..place, text, line: true }
            }));
        }
        splices
    }
}

/// The records that take their owner from record `index`.
fn dependants<'m>(master: &'m Master<'_>, index: usize) -> impl Iterator<Item = usize> + 'm {
    let states = master.records.get(index).is_some_and(|record| record.owner_stated);
    let after = master.records.iter().enumerate().skip(index + 1);
    after.take_while(move |(_, record)| states && !record.owner_stated).map(|(index, _)| index)
}

fn inherits(record: &Record) -> Problem {
    no_ttl(record, "would inherit a changed one (RFC 1035, 5.1)").of_change()
}

fn no_ttl(record: &Record, but: &str) -> Problem {
    let what = format!("the {} record of {} states no TTL and {but}", record.rtype, record.owner);
    Problem::at(record.line, what, "state its TTL, or begin the file with $TTL").for_good()
}

/// Refuses a file in which a record inherits the TTL of a member of an RRset with differing ones: BIND evens those
/// out before the next record inherits, so that an edit elsewhere may change what it makes of that record.
fn inherit_plainly(master: &Master<'_>) -> Result<(), Problem> {
    let mut ttls: BTreeMap<_, BTreeSet<u32>> = BTreeMap::new();
    for record in &master.records {
        ttls.entry((&record.owner, &record.rtype)).or_default().insert(record.ttl);
    }
    let mut uneven = false;
    for record in &master.records {
        match record.ttl_rule {
            TtlRule::Stated(_) => uneven = ttls.get(&(&record.owner, &record.rtype)).is_some_and(|ttls| ttls.len() > 1),
            TtlRule::Inherited if uneven => {
                return Err(no_ttl(
                    record,
                    "inherits from an RRset with several (RFC 2181, 5.2): servers differ on that",
                ));
            }
            TtlRule::Inherited | TtlRule::Default => {}
        }
    }
    Ok(())
}

/// New text in place of a span.
#[derive(Debug)]
struct Splice {
    span: Span,
    text: String,
    /// Whether the text is a whole line, to be given a line end.
    line: bool,
}

impl Splice {
    fn words(span: Span, text: String) -> Self {
        Self { span, text, line: false }
    }
}

fn splice(bytes: &[u8], mut splices: Vec<Splice>, line_end: &str) -> Vec<u8> {
    // A line that is put in before one that is taken out begins where that one does, and ends there.
    splices.sort_by_key(|splice| (splice.span.start, splice.span.end));
    let mut out = Vec::with_capacity(bytes.len() + 64 * splices.len());
    let mut at = 0;
    for Splice { span, text, line } in splices {
        out.extend_from_slice(bytes.get(at..span.start).unwrap_or_default());
        if line && !out.is_empty() && !out.ends_with(b"\n") {
            out.extend_from_slice(line_end.as_bytes());
        }
        out.extend_from_slice(text.as_bytes());
        if line {
            out.extend_from_slice(line_end.as_bytes());
        }
        at = span.end;
    }
    out.extend_from_slice(bytes.get(at..).unwrap_or_default());
    out
}

/// Reads the edited file again: the wanted RRsets and the serial must be there, and all other records as they were.
fn check(master: &Master<'_>, bytes: &[u8], zone: &DnsName, wanted: &Wanted, serial: u32) -> Result<(), Problem> {
    let bug = |what: &str| Problem::whole(format!("the edited file would not be right: {what}"), BUG).of_change();
    let edited = Master::scan(bytes, zone.as_str()).map_err(|problem| bug(&problem.to_string()))?;
    let names = wanted.keys().map(|(name, _)| name.clone()).collect();
    let observed = view::observe(&edited, zone, &names).map_err(|problem| bug(&problem.to_string()))?;
    for ((name, rtype), after) in wanted {
        let records = edited
            .records
            .iter()
            .filter(|record| record.owner == name.as_str() && view::address_type(record) == Some(*rtype));
        let found = observed.names.get(name).and_then(|standing| standing.sets.get(rtype));
        if found != Some(after) || records.into_iter().any(|record| record.ttl != after.ttl) {
            return Err(bug(&format!("{name} {rtype} is not as wanted")));
        }
    }
    if observed.serial != Some(serial) {
        return Err(bug("the serial is not raised"));
    }
    if others(master, wanted).ne(others(&edited, wanted)) {
        return Err(bug("another record has changed"));
    }
    let gathered = |master| uneven(master, |_| true, |record| is_ours(record, wanted));
    let (before, after) = (gathered(master), gathered(&edited));
    match before.iter().find(|(key, members)| after.get(*key) != Some(*members)) {
        Some(((owner, rtype), _)) => {
            let what =
                format!("the {rtype} records of {owner} have several TTLs, and BIND would choose another of them");
            Err(Problem::whole(what, "give them one TTL (RFC 2181, 5.2)").of_change())
        }
        None => Ok(()),
    }
}

/// Whether `record` is of one of the wanted RRsets.
fn is_ours(record: &Record, wanted: &Wanted) -> bool {
    let rtype = view::address_type(record);
    wanted.keys().any(|key| key.0.as_str() == record.owner && Some(key.1) == rtype)
}

/// The meaning of all records but those of the wanted RRsets, the serial left out.
fn others<'m>(
    master: &'m Master<'_>,
    wanted: &'m Wanted,
) -> impl Iterator<Item = (&'m str, &'m str, u32, &'m str, Vec<&'m [u8]>)> {
    master.records.iter().filter(|record| !is_ours(record, wanted)).map(|record| {
        let serial = |index: usize| index == 2 && record.rtype == "SOA";
        let data = record.data.iter().enumerate().filter(|(index, _)| !serial(*index));
        let data = data.map(|(_, span)| master.text(span)).collect();
        (record.owner.as_str(), record.origin.as_str(), record.ttl, record.rtype.as_str(), data)
    })
}

#[cfg(test)]
mod tests;
