//! What a match of a rule is about: of all sources, those whose packets it fits. Pure.

use std::net::IpAddr;

use serde_json::Value;

use super::{Base, Key, Ruleset, listed};
use crate::address::Family;
use crate::address::set::AddressSet;
use crate::allowlist::source::range;

/// The packet that is asked about, but for its source.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Packet {
    pub(super) family: Family,
    /// Through which interface it came, if that is known.
    pub(super) iif: Option<String>,
    /// Through which it leaves: empty where there is none yet, `None` where that is not known.
    pub(super) oif: Option<String>,
    /// Where it goes now, and where it went at first.
    pub(super) to: (Option<IpAddr>, Option<u16>),
    pub(super) first_to: (Option<IpAddr>, Option<u16>),
    /// Whether it goes to this machine itself.
    pub(super) is_local: bool,
    /// Whether its destination was translated.
    pub(super) translated: bool,
    /// Whether any rule marked it or its connection.
    pub(super) marked: bool,
    pub(super) tracking: Tracking,
}

/// What the tracking of connections knows of the packet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Tracking {
    /// It has not come there.
    NotYet,
    /// It is at the priority of tracking itself, before or behind it.
    Perhaps,
    /// The first of a new connection.
    New,
    /// It belongs to none, by a rule's will.
    Exempt,
}

impl Tracking {
    /// Comes to a chain.
    pub(super) fn at(&mut self, hook: &str, base: &Base) {
        /// `NF_IP_PRI_CONNTRACK`; translation has a priority of its own, behind it.
        const CONNTRACK: i64 = -200;
        *self = match (*self, hook) {
            (Self::Exempt, _) => Self::Exempt,
            (Self::NotYet, "ingress") => Self::NotYet,
            (Self::NotYet, "prerouting") if !base.is_nat && base.priority < CONNTRACK => Self::NotYet,
            (Self::NotYet, "prerouting") if !base.is_nat && base.priority == CONNTRACK => Self::Perhaps,
            _ => Self::New,
        };
    }
}

/// How flags are compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum How {
    /// One of several is enough: nft writes "in".
    Any,
    /// All of them, and no other: "==", and the elements of a set.
    Exactly,
}

/// A part of the packet, or of what is known of it.
enum Field {
    /// The source address.
    Source,
    /// So many bits of it, after so many.
    PartOfSource {
        after: u32,
        bits: u32,
    },
    /// The packet has no such part: no match on it fits, a negated one neither.
    Absent,
    Number(u64),
    /// A name and its other names.
    Names(Vec<String>),
    /// Has these flags of a set, and perhaps others that nobody asks for.
    Flags(Vec<String>),
    Address(IpAddr),
    /// Whether there is one.
    Exists(bool),
    /// The flags of TCP.
    TcpFlags,
}

/// Why a match was not understood.
pub(super) type Why = String;

/// SYN and no other flag (RFC 9293, section 3.5).
const SYN: u64 = 0x02;

/// All addresses of a family.
pub(super) fn all(family: Family) -> AddressSet {
    match family {
        Family::Ipv4 => AddressSet::from((IpAddr::from([0; 4]), IpAddr::from([u8::MAX; 4]))),
        Family::Ipv6 => AddressSet::from((IpAddr::from([0; 16]), IpAddr::from([u8::MAX; 16]))),
    }
}

fn if_so(packet: &Packet, so: bool) -> AddressSet {
    if so { all(packet.family) } else { AddressSet::default() }
}

/// Those sources from which `packet` fits `statement`, the body of a `match`.
pub(super) fn fits(ruleset: &Ruleset, scope: &Key, packet: &Packet, statement: &Value) -> Result<AddressSet, Why> {
    let op = statement.get("op").and_then(Value::as_str).unwrap_or("==");
    let part = |name: &str| statement.get(name).ok_or_else(|| format!("a match without `{name}`"));
    let (left, right) = (part("left")?, part("right")?);
    let equal = match op {
        "in" | "!" => equals(ruleset, scope, packet, left, How::Any, right)?,
        "==" | "!=" => equals(ruleset, scope, packet, left, How::Exactly, right)?,
        "<" | ">" | "<=" | ">=" => return compare(packet, left, op, right),
        _ => return Err(format!("the operator {op:?}")),
    };
    let Some(equal) = equal else { return Ok(AddressSet::default()) };
    Ok(if matches!(op, "!=" | "!") { all(packet.family).difference(&equal) } else { equal })
}

fn compare(packet: &Packet, left: &Value, op: &str, right: &Value) -> Result<AddressSet, Why> {
    let right = right.as_u64().ok_or_else(|| format!("{op} and {}", brief(right)))?;
    match field(packet, left)? {
        Field::Absent => Ok(AddressSet::default()),
        Field::Number(left) => Ok(if_so(
            packet,
            match op {
                "<" => left < right,
                ">" => left > right,
                "<=" => left <= right,
                _ => left >= right,
            },
        )),
        _ => Err(format!("{op} of {}", brief(left))),
    }
}

/// Those sources from which the part `left` is `right`, one of its elements where it is a set; `None` where the packet
/// has no such part.
pub(super) fn equals(
    ruleset: &Ruleset,
    scope: &Key,
    packet: &Packet,
    left: &Value,
    how: How,
    right: &Value,
) -> Result<Option<AddressSet>, Why> {
    if let Some(name) = right.as_str().and_then(|text| text.strip_prefix('@')) {
        let elements = ruleset.elements(scope, name).ok_or_else(|| format!("the set @{name}, which is not listed"))?;
        return any(ruleset, scope, packet, left, elements);
    }
    if let Some(elements) = right.get("set") {
        let one = std::slice::from_ref(elements);
        return any(ruleset, scope, packet, left, elements.as_array().map_or(one, Vec::as_slice));
    }
    // An element with a counter, a comment or a time of its own.
    if let Some(value) = right.get("elem").and_then(|element| element.get("val")) {
        return equals(ruleset, scope, packet, left, how, value);
    }
    if let Some(parts) = left.get("concat").and_then(Value::as_array) {
        let values = right.get("concat").and_then(Value::as_array);
        let values = values.filter(|values| values.len() == parts.len());
        let values = values.ok_or_else(|| format!("the element {} of a set of several fields", brief(right)))?;
        let mut both = all(packet.family);
        for (part, value) in parts.iter().zip(values) {
            let Some(one) = equals(ruleset, scope, packet, part, How::Exactly, value)? else { return Ok(None) };
            both = both.intersection(&one);
        }
        return Ok(Some(both));
    }
    if right.as_str() == Some("*") {
        return Ok(Some(all(packet.family)));
    }
    if let Some(masked) = left.get("&").and_then(Value::as_array) {
        return masked_equals(packet, masked, right);
    }
    let field = field(packet, left)?;
    let so = match field {
        Field::Absent => return Ok(None),
        Field::Source => return addresses(packet, right).map(Some),
        Field::PartOfSource { after, bits } => return part_of_source(packet.family, after, bits, right).map(Some),
        Field::Address(address) => addresses(packet, right)?.contains(address),
        Field::Exists(exists) => match right {
            Value::Bool(wanted) => *wanted == exists,
            _ => return Err(format!("{} compared with {}", brief(left), brief(right))),
        },
        Field::TcpFlags => match op_of_flags(right) {
            // Without a mask, "any of these flags" (nft(8), "Bitmask types").
            Some(flags) if how == How::Any => flags & SYN != 0,
            Some(flags) => flags == SYN,
            None => return Err(format!("the TCP flags {}", brief(right))),
        },
        Field::Number(number) => is_number(number, right)?,
        Field::Names(_) if how == How::Exactly && right.is_array() => {
            return Err(format!("all of {} is {}", brief(left), brief(right)));
        }
        // Which others there are is the kernel's affair.
        Field::Flags(_) if how == How::Exactly => return Err(format!("all of {} is {}", brief(left), brief(right))),
        Field::Names(names) | Field::Flags(names) => is_name(&names, right)?,
    };
    Ok(Some(if_so(packet, so)))
}

fn any(
    ruleset: &Ruleset,
    scope: &Key,
    packet: &Packet,
    left: &Value,
    elements: &[Value],
) -> Result<Option<AddressSet>, Why> {
    // Not even an empty set fits what is not there.
    let mut sum = match left.get("concat") {
        None if left.get("&").is_none() && matches!(field(packet, left)?, Field::Absent) => return Ok(None),
        _ => AddressSet::default(),
    };
    for element in elements {
        let Some(one) = equals(ruleset, scope, packet, left, How::Exactly, element)? else { return Ok(None) };
        sum = sum.union(&one);
    }
    Ok(Some(sum))
}

/// `left & mask == right`.
fn masked_equals(packet: &Packet, masked: &[Value], right: &Value) -> Result<Option<AddressSet>, Why> {
    let [left, mask] = masked else { return Err("a mask of more than two parts".into()) };
    let number = |value: &Value| op_of_flags(value).ok_or_else(|| format!("the mask or value {}", brief(value)));
    let address = |value: &Value| {
        let address = value.as_str().and_then(|text| text.parse::<IpAddr>().ok());
        address.map(bits).ok_or_else(|| format!("the mask or value {}", brief(value)))
    };
    let so = match field(packet, left)? {
        Field::Absent => return Ok(None),
        Field::TcpFlags => SYN & number(mask)? == number(right)?,
        Field::Number(left) => left & number(mask)? == number(right)?,
        Field::Address(left) => bits(left) & address(mask)? == address(right)?,
        _ => return Err(format!("the mask on {}", brief(left))),
    };
    Ok(Some(if_so(packet, so)))
}

fn bits(address: IpAddr) -> u128 {
    match address {
        IpAddr::V4(address) => address.to_bits().into(),
        IpAddr::V6(address) => address.to_bits(),
    }
}

/// A number, or the sum of flags by their names.
fn op_of_flags(value: &Value) -> Option<u64> {
    // RFC 9293, section 3.1, and RFC 3168, section 6.1.
    const FLAGS: [&str; 8] = ["fin", "syn", "rst", "psh", "ack", "urg", "ecn", "cwr"];
    match value {
        Value::Number(number) => number.as_u64(),
        Value::String(name) => FLAGS.iter().position(|flag| flag == name).map(|bit| 1 << bit),
        Value::Array(many) => many.iter().try_fold(0, |sum, one| Some(sum | op_of_flags(one)?)),
        Value::Object(object) => object.get("|").and_then(op_of_flags),
        _ => None,
    }
}

/// The addresses that an element of a set means: of the other family, none.
fn addresses(packet: &Packet, value: &Value) -> Result<AddressSet, Why> {
    let unclear = || format!("the address {}", brief(value));
    let one = |value: &Value| value.as_str().and_then(|text| text.parse::<IpAddr>().ok());
    let set = if let Some(prefix) = value.get("prefix") {
        let address = prefix.get("addr").and_then(one);
        let length = prefix.get("len").and_then(Value::as_u64).and_then(|length| u8::try_from(length).ok());
        let net = address.zip(length).and_then(|(address, length)| ipnet::IpNet::new(address, length).ok());
        AddressSet::from_iter([net.ok_or_else(unclear)?])
    } else if let Some(ends) = value.get("range").and_then(Value::as_array) {
        let [low, high] = ends.as_slice() else { return Err(unclear()) };
        AddressSet::from((one(low).ok_or_else(unclear)?, one(high).ok_or_else(unclear)?))
    } else {
        AddressSet::from_iter([value.as_str().and_then(range).ok_or_else(unclear)?])
    };
    Ok(set.of(packet.family))
}

fn is_number(number: u64, value: &Value) -> Result<bool, Why> {
    match value {
        Value::Number(wanted) => Ok(wanted.as_u64() == Some(number)),
        Value::Array(many) => many.iter().try_fold(false, |so, one| Ok(so | is_number(number, one)?)),
        Value::Object(object) => match object.get("range").and_then(Value::as_array).map(Vec::as_slice) {
            Some([low, high]) => match (low.as_u64(), high.as_u64()) {
                (Some(low), Some(high)) => Ok((low..=high).contains(&number)),
                _ => Err(format!("the number {}", brief(value))),
            },
            _ => Err(format!("the number {}", brief(value))),
        },
        _ => Err(format!("the number {}", brief(value))),
    }
}

fn is_name(names: &[String], value: &Value) -> Result<bool, Why> {
    match value {
        // An interface may be named by its beginning.
        Value::String(wanted) => Ok(names.iter().any(|name| match wanted.strip_suffix('*') {
            Some(beginning) => name.starts_with(beginning),
            None => name == wanted,
        })),
        Value::Array(many) => many.iter().try_fold(false, |so, one| Ok(so | is_name(names, one)?)),
        Value::Number(number) => {
            let wanted = number.to_string();
            Ok(names.contains(&wanted))
        }
        _ => Err(format!("the name {}", brief(value))),
    }
}

/// The part that `expression` names.
fn field(packet: &Packet, expression: &Value) -> Result<Field, Why> {
    let Some((kind, body)) = expression.as_object().and_then(|object| object.iter().next()) else {
        return Err(brief(expression));
    };
    let text = |name: &str| body.get(name).and_then(Value::as_str).unwrap_or_default();
    let known = match kind.as_str() {
        "payload" if body.get("base").is_some() => raw(packet, body),
        "payload" => payload(packet, text("protocol"), text("field")),
        "meta" => meta(packet, text("key")),
        "ct" => ct(packet, text("key"), text("dir")),
        "fib" => fib(packet, text("result"), &listed(body.get("flags"))),
        _ => None,
    };
    known.ok_or_else(|| brief(expression))
}

fn names(names: &[&str]) -> Option<Field> {
    Some(Field::Names(names.iter().map(|name| (*name).to_owned()).collect()))
}

fn payload(packet: &Packet, protocol: &str, field: &str) -> Option<Field> {
    let is_v4 = packet.family == Family::Ipv4;
    match (protocol, field) {
        ("ip", _) if !is_v4 => Some(Field::Absent),
        ("ip6", _) if is_v4 => Some(Field::Absent),
        ("ip" | "ip6", "saddr") => Some(Field::Source),
        ("ip" | "ip6", "daddr") => packet.to.0.map(Field::Address),
        ("ip", "protocol") | ("ip6", "nexthdr") => names(&["tcp", "6"]),
        ("ip", "frag-off") => Some(Field::Number(0)),
        ("ip", "version") => Some(Field::Number(4)),
        ("ip6", "version") => Some(Field::Number(6)),
        ("tcp" | "th", "dport") => packet.to.1.map(|port| Field::Number(port.into())),
        ("tcp", "flags") => Some(Field::TcpFlags),
        ("udp" | "udplite" | "icmp" | "icmpv6" | "igmp" | "sctp" | "dccp" | "ah" | "esp" | "comp" | "arp", _) => {
            Some(Field::Absent)
        }
        _ => None,
    }
}

/// So many bits of a header, after so many: what they are in this family, whatever the rule's author had in mind. An
/// offset that is the destination of IPv4 is in the middle of an IPv6 source (RFC 791, section 3.1; RFC 8200, section 3).
fn raw(packet: &Packet, body: &Value) -> Option<Field> {
    let number = |name: &str| body.get(name).and_then(Value::as_u64).and_then(|number| u32::try_from(number).ok());
    let (start, bits) = (number("offset")?, number("len")?);
    let end = start.checked_add(bits)?;
    let is_v4 = packet.family == Family::Ipv4;
    let (protocol, width, source) = if is_v4 { (72, 32, 96) } else { (48, 128, 64) };
    let destination = source + width;
    match body.get("base").and_then(Value::as_str)? {
        "nh" if (start, bits) == (protocol, 8) => Some(Field::Number(6)),
        "nh" if bits > 0 && (source..destination).contains(&start) && end <= destination => {
            Some(Field::PartOfSource { after: start - source, bits })
        }
        "nh" if (1..=64).contains(&bits) && start >= destination && end <= destination + width => {
            let below = destination + width - end;
            let part = self::bits(packet.to.0?).checked_shr(below)? & (u128::MAX >> (128 - bits));
            u64::try_from(part).ok().map(Field::Number)
        }
        "th" if (start, bits) == (16, 16) => packet.to.1.map(|port| Field::Number(port.into())),
        "th" if (start, bits) == (104, 8) => Some(Field::TcpFlags),
        _ => None,
    }
}

/// Those sources of which `bits` bits, after so many, are `value`.
fn part_of_source(family: Family, after: u32, bits: u32, value: &Value) -> Result<AddressSet, Why> {
    /// The most beginnings of an address for which a match on what comes after them is written out.
    const BEGINNINGS: u32 = 8;
    let width = if family == Family::Ipv4 { 32 } else { 128 };
    let unclear = || format!("a part of the source address is {}", brief(value));
    let part = value.as_u64().map(u128::from).filter(|part| part.checked_shr(bits).unwrap_or(0) == 0);
    let part = part.ok_or_else(unclear)?;
    if after > BEGINNINGS || after + bits > width {
        return Err(unclear());
    }
    let length = after + bits;
    let nets = (0..1_u128 << after).map(|beginning| {
        let address = (beginning.checked_shl(bits).unwrap_or(0) | part).checked_shl(width - length).unwrap_or(0);
        let address = match family {
            Family::Ipv4 => u32::try_from(address).ok().map(|address| IpAddr::from(address.to_be_bytes())),
            Family::Ipv6 => Some(IpAddr::from(address.to_be_bytes())),
        };
        let length = u8::try_from(length).ok();
        address.zip(length).and_then(|(address, length)| ipnet::IpNet::new(address, length).ok())
    });
    nets.collect::<Option<_>>().ok_or_else(unclear)
}

fn meta(packet: &Packet, key: &str) -> Option<Field> {
    let is_v4 = packet.family == Family::Ipv4;
    match key {
        "l4proto" => names(&["tcp", "6"]),
        "nfproto" => names(&[if is_v4 { "ipv4" } else { "ipv6" }]),
        "protocol" => names(&[if is_v4 { "ip" } else { "ip6" }]),
        "iifname" | "iif" => packet.iif.clone().map(|name| Field::Names(vec![name])),
        "oifname" | "oif" => packet.oif.clone().map(|name| Field::Names(vec![name])),
        "pkttype" => names(&["host", "unicast", "0"]),
        "mark" if !packet.marked => Some(Field::Number(0)),
        _ => None,
    }
}

fn ct(packet: &Packet, key: &str, direction: &str) -> Option<Field> {
    let untracked = match packet.tracking {
        Tracking::New => None,
        Tracking::NotYet => Some("invalid"),
        Tracking::Exempt => Some("untracked"),
        Tracking::Perhaps => return None,
    };
    if let Some(state) = untracked {
        // Whatever else is asked of a connection that is not there fits nothing (`nft_ct_get_eval`).
        return if key == "state" { names(&[state]) } else { Some(Field::Absent) };
    }
    match (key, direction) {
        ("state", "") => names(&["new"]),
        ("status", "") => Some(Field::Flags(if packet.translated { vec!["dnat".to_owned()] } else { vec![] })),
        ("direction", "") => names(&["original"]),
        ("mark", "") if !packet.marked => Some(Field::Number(0)),
        ("ip saddr", "original") => Some(if packet.family == Family::Ipv4 { Field::Source } else { Field::Absent }),
        ("ip6 saddr", "original") => Some(if packet.family == Family::Ipv6 { Field::Source } else { Field::Absent }),
        ("ip daddr" | "ip6 daddr", "original") => packet.first_to.0.map(Field::Address),
        ("proto-dst", "original") => packet.first_to.1.map(|port| Field::Number(port.into())),
        ("protocol", "original" | "reply" | "") => names(&["tcp", "6"]),
        _ => None,
    }
}

fn fib(packet: &Packet, result: &str, flags: &[String]) -> Option<Field> {
    let of = |address: &str| flags.iter().any(|flag| flag == address);
    match result {
        "type" if of("daddr") && !of("saddr") => names(&[if packet.is_local { "local" } else { "unicast" }]),
        "type" if of("saddr") && !of("daddr") => names(&["unicast"]),
        // The reverse path: the way back to the source leads where it came from.
        "oif" | "oifname" if of("saddr") && !of("daddr") => Some(Field::Exists(true)),
        _ => None,
    }
}

/// What was not understood, in so many words.
pub(super) fn brief(value: &Value) -> String {
    crate::text::excerpt(value.to_string().as_bytes())
}
