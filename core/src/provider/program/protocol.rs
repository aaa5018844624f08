//! What is said to the program and what it may answer; `config/providers/program.schema.json` is its description for
//! those who write one. Pure.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::net::IpAddr;
use std::time::Duration;

use serde::de::{Error as _, MapAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};

use crate::name::DnsName;
use crate::provider::{Applied, Change, Fault, FaultKind, Observed, Obstacle, Standing};
use crate::record::{RecordType, RrSet};

/// The version of this protocol.
const VERSION: u32 = 1;
/// The longest wait a program may ask for.
const DAY: Duration = Duration::from_secs(86_400);
/// RFC 2181, section 8: a TTL has 31 bits.
const MAX_TTL: u32 = i32::MAX.cast_unsigned();

/// What is asked of the program.
#[derive(Clone, Copy, Serialize)]
#[serde(tag = "action", rename_all = "lowercase")]
pub enum Task<'a> {
    /// To tell what stands at these names.
    Read {
        /// The names.
        names: &'a BTreeSet<DnsName>,
    },
    /// To write these.
    Write {
        /// The changes.
        changes: &'a [Change],
    },
}

#[derive(Serialize)]
struct Request<'a> {
    version: u32,
    #[serde(flatten)]
    task: Task<'a>,
    zone: &'a DnsName,
    #[serde(skip_serializing_if = "Option::is_none")]
    secret: Option<&'a str>,
}

/// The request, as one line of JSON.
pub fn request(task: Task<'_>, zone: &DnsName, secret: Option<&str>) -> serde_json::Result<Vec<u8>> {
    let mut text = serde_json::to_vec(&Request { version: VERSION, task, zone, secret })?;
    text.push(b'\n');
    Ok(text)
}

/// Why an answer is not a success.
#[derive(Debug)]
pub enum Problem {
    /// It is no answer to the request: what is wrong with it.
    Junk(String),
    /// The program reports a fault.
    Fault(Fault),
}

impl From<String> for Problem {
    fn from(what: String) -> Self {
        Self::Junk(what)
    }
}

/// What the answer to a read of `names` says.
pub fn observed(answer: &[u8], zone: &DnsName, names: &BTreeSet<DnsName>) -> Result<Observed, Problem> {
    match parse(answer)? {
        ProgramReply { names: Some(told), serial, done: None, detail: None, .. } => {
            let told = told.standings(zone)?;
            if let Some(missing) = names.iter().find(|name| !told.contains_key(name)) {
                return Err(Problem::Junk(format!("it has no entry for {missing}")));
            }
            if let Some(stray) = told.keys().find(|name| !names.contains(name)) {
                return Err(Problem::Junk(format!("it has an entry for {stray}, which was not asked for")));
            }
            Ok(Observed { names: told, serial })
        }
        _ => Err(Problem::Junk("a read is answered with `names` and perhaps `serial`, or with `fault`".into())),
    }
}

/// What the answer to a write says.
pub fn applied(answer: &[u8]) -> Result<Applied, Problem> {
    match parse(answer)? {
        ProgramReply { names: None, serial: None, done: Some(true), detail, .. } => {
            Ok(Applied { detail: detail.unwrap_or_default() })
        }
        _ => {
            Err(Problem::Junk("a write is answered with `done`: true and perhaps `detail`, or with `fault`".to_owned()))
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ProgramReply {
    version: u32,
    #[serde(default, deserialize_with = "present")]
    names: Option<Names>,
    #[serde(default, deserialize_with = "present")]
    serial: Option<u32>,
    #[serde(default, deserialize_with = "present")]
    done: Option<bool>,
    #[serde(default, deserialize_with = "present")]
    detail: Option<String>,
    #[serde(default, deserialize_with = "present")]
    fault: Option<ToldFault>,
}

/// A member that may be missing, but is not `null`.
fn present<'de, D: Deserializer<'de>, T: Deserialize<'de>>(deserializer: D) -> Result<Option<T>, D::Error> {
    T::deserialize(deserializer).map(Some)
}

/// An answer that is not a fault, its version checked.
fn parse(answer: &[u8]) -> Result<ProgramReply, Problem> {
    #[derive(Deserialize)]
    struct Versioned {
        version: u64,
    }
    let other =
        |version| Problem::Junk(format!("it speaks version {version} of the protocol, and not version {VERSION}"));
    if answer.iter().all(u8::is_ascii_whitespace) {
        return Err(Problem::Junk("it answered nothing".into()));
    }
    // First: another version may look quite different.
    if let Ok(Versioned { version }) = serde_json::from_slice(answer)
        && version != u64::from(VERSION)
    {
        return Err(other(version));
    }
    let answer: ProgramReply = serde_json::from_slice(answer).map_err(|error| error.to_string())?;
    match answer {
        ProgramReply { version, .. } if version != VERSION => Err(other(version.into())),
        ProgramReply { fault: Some(fault), names: None, serial: None, done: None, detail: None, .. } => {
            Err(Problem::Fault(fault.into_fault()?))
        }
        ProgramReply { fault: Some(_), .. } => Err(Problem::Junk("`fault` stands alone".into())),
        answer => Ok(answer),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ToldFault {
    kind: ToldKind,
    why: String,
    #[serde(default)]
    remedy: String,
    #[serde(default, deserialize_with = "present")]
    retry_after: Option<u64>,
}

#[derive(Clone, Copy, PartialEq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum ToldKind {
    Conflict,
    Passing,
    Refused,
    InDoubt,
}

impl ToldFault {
    fn into_fault(self) -> Result<Fault, String> {
        if self.retry_after.is_some() && self.kind != ToldKind::Passing {
            return Err("`retry_after` belongs to a passing fault".into());
        }
        let kind = match self.kind {
            ToldKind::Conflict => FaultKind::Conflict,
            ToldKind::Passing => {
                FaultKind::Passing { retry_after: self.retry_after.map(|wait| Duration::from_secs(wait).min(DAY)) }
            }
            ToldKind::Refused => FaultKind::Refused,
            ToldKind::InDoubt => FaultKind::InDoubt,
        };
        Ok(Fault::new(kind, self.why, self.remedy))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ToldStanding {
    sets: ToldSets,
    #[serde(default, deserialize_with = "present")]
    obstacle: Option<ToldObstacle>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "UPPERCASE")]
struct ToldSets {
    #[serde(default, deserialize_with = "present")]
    a: Option<ToldSet>,
    #[serde(default, deserialize_with = "present")]
    aaaa: Option<ToldSet>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ToldSet {
    ttl: u32,
    addresses: Vec<IpAddr>,
}

#[derive(Deserialize)]
#[serde(rename_all = "lowercase")]
enum ToldObstacle {
    Cname(String),
    Delegated(DnsName),
}

/// The names of an answer; twice the same is an error, as JSON alone would not have it (RFC 8259, section 4).
struct Names(BTreeMap<DnsName, ToldStanding>);

impl<'de> Deserialize<'de> for Names {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Each;
        impl<'de> Visitor<'de> for Each {
            type Value = Names;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object with DNS names")
            }

            fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<Names, M::Error> {
                let mut names = BTreeMap::new();
                while let Some((name, standing)) = map.next_entry::<DnsName, ToldStanding>()? {
                    let again = format!("{name} has two entries");
                    if names.insert(name, standing).is_some() {
                        return Err(M::Error::custom(again));
                    }
                }
                Ok(Names(names))
            }
        }
        deserializer.deserialize_map(Each)
    }
}

impl Names {
    fn standings(self, zone: &DnsName) -> Result<BTreeMap<DnsName, Standing>, String> {
        let standing = |(name, told): (DnsName, ToldStanding)| {
            let at_name = |what: String| format!("{name}: {what}");
            let mut sets = BTreeMap::new();
            for (rtype, set) in [(RecordType::A, told.sets.a), (RecordType::Aaaa, told.sets.aaaa)] {
                if let Some(set) = set {
                    sets.insert(rtype, rrset(rtype, set).map_err(at_name)?);
                }
            }
            let obstacle = told.obstacle.map(|told| obstacle(&name, zone, told)).transpose().map_err(at_name)?;
            Ok((name, Standing { obstacle, sets, ..Standing::default() }))
        };
        self.0.into_iter().map(standing).collect()
    }
}

fn rrset(rtype: RecordType, told: ToldSet) -> Result<RrSet, String> {
    if told.ttl > MAX_TTL {
        return Err(format!("the TTL {} is more than {MAX_TTL} (RFC 2181, 8)", told.ttl));
    }
    let count = told.addresses.len();
    let addresses: BTreeSet<IpAddr> = told.addresses.into_iter().collect();
    if addresses.is_empty() {
        return Err(format!("the {rtype} RRset has no address; leave an RRset out that does not exist"));
    }
    if addresses.len() < count {
        return Err(format!("the {rtype} RRset has an address twice (RFC 2181, 5)"));
    }
    if let Some(stray) = addresses.iter().find(|address| address.is_ipv4() != (rtype == RecordType::A)) {
        return Err(format!("{stray} is no {rtype} address"));
    }
    Ok(RrSet { ttl: told.ttl, addresses })
}

fn obstacle(name: &DnsName, zone: &DnsName, told: ToldObstacle) -> Result<Obstacle, String> {
    match told {
        ToldObstacle::Cname(target) => Obstacle::cname(&target).ok_or_else(|| "`cname` is not a name".into()),
        ToldObstacle::Delegated(cut) if name.is_in(&cut) && cut.is_in(zone) && cut != *zone => {
            Ok(Obstacle::Delegated(cut.to_string()))
        }
        ToldObstacle::Delegated(cut) => Err(format!("{cut} is no zone cut between it and {zone}")),
    }
}

#[cfg(test)]
mod tests;
