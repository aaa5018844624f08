//! What witnesses say, and what their words amount to.
//!
//! [`extract`] and the parsers beside it read an answer; [`vote`] rules, [`settle`] waits, [`rota`] says who is asked,
//! [`failover`] which line a record follows, and [`diagnose`] what is wrong with the connection.

pub mod changes;
pub mod diagnose;
pub mod extract;
pub mod failover;
pub mod interface;
pub mod look;
pub mod netlink;
pub mod rota;
pub mod router;
pub mod settle;
pub mod stun;
pub mod vote;

use std::net::IpAddr;
use std::time::Duration;

use serde::Serialize;
use serde::ser::{SerializeStruct, Serializer};

use crate::address::Family;
use crate::address::special::NotPublishable;
use crate::settings::Via;

/// One witness's answer in one round, or why there is none.
#[derive(Clone, Debug, PartialEq)]
pub struct Testimony {
    /// The witness's name.
    pub witness: String,
    /// Who runs it.
    pub operator: String,
    /// The line it was asked over; `None` when there is only one.
    pub line: Option<String>,
    /// The family it was asked over.
    pub family: Family,
    /// An address of that family that a home can have, or why there is none.
    pub said: Result<IpAddr, Silence>,
    /// Whether it is a router's word by NAT-PMP alone, in whose name anybody on the local network can give it.
    pub alone: bool,
    /// How long it took.
    pub took: Duration,
}

impl Testimony {
    /// The line and family that it is about.
    pub fn via(&self) -> Via {
        Via { line: self.line.clone(), family: self.family }
    }
}

/// `address` or `silence`, the other one null; `took_ms` in milliseconds; `line` only where there are several.
impl Serialize for Testimony {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let length = if self.line.is_some() { 7 } else { 6 };
        let mut fields = serializer.serialize_struct("Testimony", length)?;
        fields.serialize_field("witness", &self.witness)?;
        fields.serialize_field("operator", &self.operator)?;
        if let Some(line) = &self.line {
            fields.serialize_field("line", line)?;
        }
        fields.serialize_field("family", &self.family)?;
        fields.serialize_field("address", &self.said.as_ref().ok())?;
        fields.serialize_field("silence", &self.said.as_ref().err())?;
        fields.serialize_field("took_ms", &u64::try_from(self.took.as_millis()).unwrap_or(u64::MAX))?;
        fields.end()
    }
}

/// Why a witness has no answer that counts.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Silence {
    /// It took longer than the configured time.
    #[error("no answer within {}", humantime::format_duration(*.0))]
    TimedOut(Duration),
    /// The line has no way out in this family.
    #[error("its line has no way out in this family")]
    NoWay,
    /// No connection, or one that broke.
    #[error("not reached: {0}")]
    Unreachable(String),
    /// A status other than 200 (RFC 9110, section 15).
    #[error("it answered with status {0}")]
    Status(u16),
    /// A redirect to the given origin, which is not the one configured.
    #[error("it redirects to {0}, which is not followed: put the final URL into its url")]
    RedirectedAway(String),
    /// More redirects than are followed.
    #[error("it redirects more than {0} times: put the final URL into its url")]
    TooManyRedirects(usize),
    /// A body longer than this many bytes.
    #[error("its answer is longer than {0} bytes")]
    TooLong(usize),
    /// Something else; an excerpt, safe to print.
    #[error("not an address: {0}")]
    NotAnAddress(String),
    /// A web page, or a demand to log in to the network (RFC 6585, section 6).
    #[error("a web page instead of an address: a captive portal, or a wrong url")]
    CaptivePortal,
    /// JSON without a value at the configured pointer.
    #[error("nothing at {0:?} in its JSON: set extract to where the address stands")]
    NoSuchPointer(String),
    /// An address of the other family.
    #[error("it says {0}, which is of the other family")]
    WrongFamily(IpAddr),
    /// An address that cannot be a home's.
    #[error("it says {address}, but {0}", address = .0.address)]
    NotPublishable(NotPublishable),
    /// An interface without an address for a home.
    #[error("{0}")]
    Interface(interface::Bare),
    /// The router cannot say, or has nothing to say.
    #[error(transparent)]
    Router(#[from] router::Mute),
}

impl Serialize for Silence {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}
