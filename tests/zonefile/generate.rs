//! Made-up master files, with an account of which of their lines belong to which RRset.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use fingerpost::name::DnsName;
use fingerpost::record::{RecordType, RrSet};
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::select;

pub(crate) const ZONE: &str = "heronmill.example";

/// The names that are published, the apex among them.
pub(crate) const NAMES: [&str; 4] =
    ["heronmill.example", "gauge.heronmill.example", "mill.heronmill.example", "gauge.river.heronmill.example"];

/// An owner as written, and the name it means, relative to the origin unless that ends with a dot.
const OWNERS: [(&str, &str); 9] = [
    ("gauge", "gauge"),
    ("GAUGE.HeronMill.example.", "gauge.heronmill.example."),
    (r"g\097uge", "gauge"),
    ("mill", "mill"),
    (r"m\ill.heronmill.example.", "mill.heronmill.example."),
    ("@", "@"),
    ("cam", "cam"),
    ("gauge.river", "gauge.river"),
    ("IN", "in"),
];

const TTLS: [&str; 5] = ["60", "120", "5m", "1h", "1h2m"];
const V4: [&str; 4] = ["192.0.2.1", "192.0.2.2", "192.0.2.3", "203.0.113.77"];
const V6: [&str; 4] = ["2001:db8::1", "2001:DB8:0:0::2", "2001:db8::3", "3fff::4"];

#[derive(Clone, Debug)]
pub(crate) enum Piece {
    Text(&'static str),
    Origin(&'static str),
    Ttl(&'static str),
    Record { owner: Option<usize>, ttl: Option<&'static str>, form: u8, data: &'static str, tail: &'static str },
}

/// A master file.
#[derive(Clone, Debug)]
pub(crate) struct File {
    /// Whether it begins with $TTL.
    pub(crate) has_default: bool,
    plain: bool,
    crlf: bool,
    open_end: bool,
    serial: &'static str,
    pieces: Vec<Piece>,
}

pub(crate) type Key = (DnsName, RecordType);

/// What one file is to become.
pub(crate) type Wants = BTreeMap<Key, RrSet>;

fn pieces() -> impl Strategy<Value = Vec<Piece>> {
    let data: Vec<&'static str> = V4.iter().chain(&V6).copied().chain(["TXT", "TXT", "MX", "SRV"]).collect();
    const TAILS: [&str; 5] = ["", "", " ", "\t; gauge A 192.0.2.1 \"(", ";\\"];
    let record = (
        proptest::option::weighted(0.6, 0..OWNERS.len()),
        proptest::option::weighted(0.5, select(&TTLS[..])),
        0..8_u8,
        select(data),
        select(&TAILS[..]),
    )
        .prop_map(|(owner, ttl, form, data, tail)| Piece::Record { owner, ttl, form, data, tail });
    let record = record.boxed();
    let piece = prop_oneof![
        12 => record.clone(),
        1 => select(&["", " \t", "; a note", "  ; gauge A 192.0.2.1 ( \"", ";\té"][..]).prop_map(Piece::Text),
        1 => select(&["heronmill.example.", "river.heronmill.example.", "@"][..]).prop_map(Piece::Origin),
        1 => select(&TTLS[..]).prop_map(Piece::Ttl),
    ];
    // Records of one owner with something between them: what reads them may gather them by runs.
    let parted = (0..OWNERS.len(), vec(select(&TTLS[..]), 2), vec(record, 1..3)).prop_map(|(owner, ttls, between)| {
        let member =
            |ttl: &&'static str| Piece::Record { owner: Some(owner), ttl: Some(ttl), form: 0, data: "TXT", tail: "" };
        ttls.first().map(member).into_iter().chain(between).chain(ttls.last().map(member)).collect()
    });
    vec(prop_oneof![6 => piece.prop_map(|piece| vec![piece]), 1 => parted], 0..20).prop_map(|pieces| pieces.concat())
}

/// What a reader of master files cannot read.
#[derive(Clone, Copy, Default)]
pub(crate) struct Narrow {
    /// It needs $TTL at the beginning.
    pub(crate) default: bool,
    /// It knows no TTL after the class, and no origin that is stated as @ (RFC 1035, section 5.1 has both).
    pub(crate) plain: bool,
}

/// Master files that a reader as narrow as this can read.
pub(crate) fn file(Narrow { default, plain }: Narrow) -> impl Strategy<Value = File> {
    let serial = select(&["7", "2026010100", "4294967295", "2147483647"][..]);
    (any::<bool>(), any::<bool>(), any::<bool>(), serial, pieces()).prop_map(
        move |(has_default, crlf, open_end, serial, mut pieces)| {
            let has_default = has_default || default;
            pieces.retain(|piece| has_default || !matches!(piece, Piece::Ttl(_)));
            while matches!(pieces.last(), Some(Piece::Origin(_) | Piece::Ttl(_))) {
                // BIND refuses a directive that is not followed by a line end.
                pieces.pop();
            }
            File { has_default, plain, crlf, open_end, serial, pieces }
        },
    )
}

/// What some of the names are to become.
pub(crate) fn wants() -> impl Strategy<Value = Wants> {
    let one = (
        select(&NAMES[..]),
        any::<bool>(),
        select(&[60_u32, 120, 300][..]),
        proptest::collection::btree_set(0..4_usize, 1..4),
    );
    vec(one, 1..4).prop_map(|wants| {
        let want = |(name, v4, ttl, which): (&str, bool, u32, BTreeSet<usize>)| {
            let from = if v4 { V4 } else { V6 };
            let addresses: BTreeSet<IpAddr> = which.iter().map(|at| from[*at].parse().unwrap()).collect();
            let rtype = if v4 { RecordType::A } else { RecordType::Aaaa };
            ((DnsName::parse(name).unwrap(), rtype), RrSet { ttl, addresses })
        };
        wants.into_iter().map(want).collect()
    })
}

impl File {
    /// The file's lines, line ends included, each with the address RRset it belongs to, if it does.
    pub(crate) fn lines(&self) -> Vec<(String, Option<Key>)> {
        let mut lines = Vec::new();
        let default = if self.has_default { "$TTL 5m\n" } else { "" };
        let head = format!(
            "{default}@ 1h IN SOA ns1.ferry.example. keeper ( ; the head\n\t{} ; serial\n\t1h 10m 4w 5m )\n@ 1h NS ns1.ferry.example.\n",
            self.serial
        );
        lines.extend(head.split_inclusive('\n').map(|line| (line.to_owned(), None)));
        let (mut origin, mut owner) = (ZONE.to_owned(), ZONE.to_owned());
        for (id, piece) in self.pieces.iter().enumerate() {
            match piece {
                Piece::Text(text) => lines.push((format!("{text}\n"), None)),
                Piece::Ttl(ttl) => lines.push((format!("$ttl {ttl}\n"), None)),
                Piece::Origin(name) => {
                    let stated = if self.plain && *name == "@" { &format!("{origin}.") } else { *name };
                    lines.push((format!("$ORIGIN\t{stated} ; from here\n"), None));
                    if let Some(name) = name.strip_suffix('.') {
                        name.clone_into(&mut origin);
                    }
                }
                Piece::Record { owner: stated, ttl, form, data, tail } => {
                    if let Some((_, means)) = stated.map(|stated| OWNERS[stated]) {
                        owner = match means.strip_suffix('.') {
                            Some(absolute) => absolute.to_owned(),
                            None if means == "@" => origin.clone(),
                            None => format!("{means}.{origin}"),
                        };
                    }
                    let word = stated.map_or("", |stated| OWNERS[stated].0);
                    let ttl = ttl.map(|ttl| format!("{ttl} ")).unwrap_or_default();
                    let before = match form & 3 {
                        0 => format!("{word}\t{ttl}"),
                        1 if self.plain => format!("{word} {ttl}IN "),
                        1 => format!("{word} IN {ttl}"),
                        2 => format!("{word}  {ttl}in\t"),
                        _ => format!("{word}\t{ttl}"),
                    };
                    let (open, close) = if form & 4 == 0 { ("", "") } else { ("( ; begins\n\t", "\t) ") };
                    let rtype = match *data {
                        v4 if v4.contains('.') => Some(("A", RecordType::A)),
                        v6 if v6.contains(':') => Some(("AAAA", RecordType::Aaaa)),
                        _ => None,
                    };
                    let data = match (*data, rtype) {
                        (address, Some((rtype, _))) => format!("{rtype} {open}{address}{close}"),
                        ("TXT", _) => format!("TXT \"note {id};\" {open}\"\\\" ( 192.0.2.1\"{close}"),
                        ("MX", _) => format!("mx {open}{id} mail{close}"),
                        _ => format!("SRV {open}0 0 {id} gauge{close}"),
                    };
                    let key = rtype.map(|(_, rtype)| (DnsName::parse(&owner).unwrap(), rtype));
                    let text = format!("{before}{data}{tail}\n");
                    lines.extend(text.split_inclusive('\n').map(|line| (line.to_owned(), key.clone())));
                }
            }
        }
        if self.crlf {
            lines.iter_mut().for_each(|(line, _)| *line = line.replace('\n', "\r\n"));
        }
        if let Some((line, _)) = lines.last_mut().filter(|_| self.open_end) {
            *line = line.trim_end_matches(['\r', '\n']).to_owned();
        }
        // An empty line without a line end is none.
        lines.retain(|(line, _)| !line.is_empty());
        lines
    }

    /// The file's bytes.
    pub(crate) fn text(&self) -> String {
        self.lines().into_iter().map(|(line, _)| line).collect()
    }

    /// Holds `edited` against this file: all lines but those of `wants` and the serial are there, byte for byte and
    /// in order, and at most as many others as `wants` can account for.
    pub(crate) fn keeps_all_else(&self, edited: &str, wants: &Wants) {
        let end = if self.crlf { "\r\n" } else { "\n" };
        let whole = |line: &str| if line.ends_with('\n') { line.to_owned() } else { format!("{line}{end}") };
        let ours = |key: &Option<Key>| key.as_ref().is_some_and(|key| wants.contains_key(key));
        let lines = self.lines();
        let serial = format!("\t{} ; serial", self.serial);
        let (may_change, others): (Vec<_>, Vec<_>) =
            lines.iter().partition(|(line, key)| ours(key) || line.starts_with(&serial));
        let mut others = others.iter().map(|(line, _)| whole(line)).peekable();
        let mut left = Vec::new();
        for line in edited.split_inclusive('\n').map(whole) {
            if others.next_if_eq(&line).is_none() {
                left.push(line);
            }
        }
        assert_eq!(others.next(), None, "a line is lost or changed in {edited}");
        let new: usize = wants.values().map(|set| set.addresses.len()).sum();
        assert!(left.len() <= may_change.len() + new, "lines are added: {left:?}");
        assert!(left.iter().all(|line| line.ends_with(end) && !line.contains("note")), "{left:?}");
    }
}
