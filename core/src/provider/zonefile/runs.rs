//! The runs in which BIND gathers the members of RRsets whose TTLs differ. Pure.
//!
//! The TTLs of an RRset are to be one (RFC 2181, section 5.2), and readers even out those that are not, each in its own way.
//! BIND 9.18 (measured with named-compilezone) gives each run of records of one owner the TTL of the run's first member, and
//! of several runs the last one's counts. So a line of another name that ends a run, or no longer does, can change the TTL
//! of records it has nothing to do with. A run ends where the owner is spelled otherwise, be it in upper case, but goes on
//! across the addresses of a name server that one of its NS records names.

use std::collections::{BTreeMap, BTreeSet};

use super::lex::absolute;
use super::scan::{Master, Record};

/// Owner and type of an RRset.
type Key<'m> = (&'m str, &'m str);

/// Of every RRset whose TTLs differ: each member's run, counted from 0 within the RRset, and its TTL.
pub(crate) type Uneven<'m> = BTreeMap<Key<'m>, Vec<(usize, u32)>>;

/// The RRsets of several TTLs in `master` as they would be gathered if only the records stood there that `stays`, by
/// their index; those that are `ours` end runs, and are not among the RRsets.
pub(crate) fn uneven<'m>(
    master: &'m Master<'_>,
    stays: impl Fn(usize) -> bool,
    ours: impl Fn(&Record) -> bool,
) -> Uneven<'m> {
    let mut runs = Runs::default();
    let mut found: Uneven<'m> = BTreeMap::new();
    for (_, record) in master.records.iter().enumerate().filter(|(index, _)| stays(*index)) {
        let run = runs.enter(master, record);
        if !ours(record) {
            found.entry((&record.owner, &record.rtype)).or_default().push((run, record.ttl));
        }
    }
    found.retain(|_, members| members.iter().any(|(_, ttl)| members.first().is_some_and(|first| first.1 != *ttl)));
    for members in found.values_mut() {
        let mut numbers = BTreeMap::new();
        for (run, _) in members {
            let next = numbers.len();
            *run = *numbers.entry(*run).or_insert(next);
        }
    }
    found
}

/// The records that are `ours` and must stay, whatever address they have, because BIND would gather the members of another
/// RRset with several TTLs otherwise without them: of each stretch of such records one, if one will do.
pub(crate) fn parting(master: &Master<'_>, ours: impl Fn(&Record) -> bool) -> BTreeSet<usize> {
    let before = uneven(master, |_| true, &ours);
    let mut parting = BTreeSet::new();
    if before.is_empty() {
        return parting;
    }
    let (index, records) = (|(index, _)| index, master.records.iter().enumerate());
    let going: Vec<usize> = records.filter(|(_, record)| ours(record)).map(index).collect();
    for stretch in going.chunk_by(|one, next| one + 1 == *next) {
        let is_kept_by = |kept: &[usize]| {
            uneven(master, |index| kept.contains(&index) || !stretch.contains(&index), &ours) == before
        };
        if !is_kept_by(&[]) {
            let one = stretch.iter().find(|one| is_kept_by(std::slice::from_ref(*one)));
            parting.extend(one.map_or(stretch, std::slice::from_ref));
        }
    }
    parting
}

/// Where a reading has got to: BIND gathers the records of one owner, and beside them those of one name server of it.
#[derive(Default)]
struct Runs<'m> {
    count: usize,
    current: Option<(&'m str, usize)>,
    glue: Option<(&'m str, usize)>,
    /// The targets of the NS records in the current run.
    servers: BTreeSet<String>,
}

impl<'m> Runs<'m> {
    /// The run of `record`, the next one of the reading.
    fn enter(&mut self, master: &Master<'_>, record: &'m Record) -> usize {
        let spelled = record.spelled.as_str();
        self.glue = self.glue.filter(|(owner, _)| *owner == spelled);
        if let Some((_, run)) = self.glue {
            return run;
        }
        if self.current.is_none_or(|(owner, _)| owner != spelled) {
            self.count += 1;
            if self.servers.contains(&record.owner) {
                self.glue = Some((spelled, self.count));
                return self.count;
            }
            self.current = Some((spelled, self.count));
            self.servers.clear();
        }
        if record.rtype == "NS" {
            let target = record.data.first().map(|span| absolute(master.text(span), &record.origin));
            self.servers.extend(target.and_then(Result::ok));
        }
        self.current.map_or(self.count, |(_, run)| run)
    }
}

#[cfg(test)]
mod tests {
    use super::{Master, uneven};

    /// Each RRset of several TTLs in a file of these lines, with the run of each member.
    fn runs(body: &str) -> Vec<String> {
        let file = format!("$TTL 5m\n@ SOA ns1 keeper 7 1h 10m 4w 5m\n{body}");
        let master = Master::scan(file.as_bytes(), "heronmill.example").unwrap();
        let told = |((owner, rtype), members): ((&str, &str), Vec<(usize, u32)>)| {
            let label = owner.strip_suffix(".heronmill.example").unwrap_or("@");
            format!("{label} {rtype} {:?}", members.iter().map(|(run, _)| run).collect::<Vec<_>>())
        };
        uneven(&master, |_| true, |record| record.owner.starts_with("gauge")).into_iter().map(told).collect()
    }

    /// As named-compilezone 9.18 has it: it tells "TTL set to prior TTL" of the second of two in one run.
    #[test]
    fn runs_are_gathered_as_bind_does() {
        for (body, want) in [
            ("cam 60 A 192.0.2.1\ncam 60 A 192.0.2.2\n", &[][..]),
            ("cam 60 A 192.0.2.1\ncam 90 A 192.0.2.2\n", &["cam A [0, 0]"]),
            ("cam 60 A 192.0.2.1\ngauge A 192.0.2.9\ncam 90 A 192.0.2.2\n", &["cam A [0, 1]"]),
            ("cam 60 A 192.0.2.1\nCAM 90 A 192.0.2.2\n", &["cam A [0, 1]"]),
            ("cam 60 A 192.0.2.1\n$ORIGIN HeronMill.example.\ncam 90 A 192.0.2.2\n", &["cam A [0, 1]"]),
            ("cam 60 A 192.0.2.1\n$ORIGIN heronmill.example.\n A 192.0.2.2\n", &["cam A [0, 0]"]),
            ("@ NS NS1\n@ 60 TXT a\nns1 A 192.0.2.9\n@ 90 TXT b\n", &["@ TXT [0, 0]"]),
            ("@ NS ns1\n@ 60 TXT a\nns1 A 192.0.2.9\ngauge A 192.0.2.1\n@ 90 TXT b\n", &["@ TXT [0, 1]"]),
            (
                "sub NS ns.sub\nsub 60 TXT a\nns.sub 60 A 192.0.2.1\nsub 90 TXT b\nns.sub 90 A 192.0.2.2\nsub 70 TXT c\n",
                &["ns.sub A [0, 1]", "sub TXT [0, 0, 0]"],
            ),
            ("gauge 60 A 192.0.2.1\ngauge 90 A 192.0.2.2\n", &[]),
        ] {
            assert_eq!(runs(body), want, "{body}");
        }
    }
}
