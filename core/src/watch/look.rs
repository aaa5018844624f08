//! What one round of asking has shown, for whoever acts on it or tells of it.
//!
//! Pure.

use std::collections::BTreeMap;
use std::fmt;
use std::net::IpAddr;

use serde::{Deserialize, Serialize};

use super::Testimony;
use super::diagnose::Finding;
use super::vote::{Outcome, Ruling};
use crate::address::Family;
use crate::name::DnsName;
use crate::record::RecordType;
use crate::settings::Via;

/// What the witnesses said in one round about one line and family, and what follows.
#[derive(Clone, Debug, Serialize)]
pub struct Look {
    /// The line; `None` when there is only one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
    /// The family.
    pub family: Family,
    /// The outcome of the vote.
    pub ruling: Ruling,
    /// What each witness said.
    pub testimony: Vec<Testimony>,
}

impl Look {
    /// The line and family.
    pub fn via(&self) -> Via {
        Via { line: self.line.clone(), family: self.family }
    }
}

/// Something that is amiss with a line or its witnesses.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Found {
    /// The line; `None` when there is only one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
    /// What is amiss.
    #[serde(flatten)]
    pub finding: Finding,
}

/// For people: what is amiss and what to do, with the line where there are several.
impl fmt::Display for Found {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.line {
            None => self.finding.fmt(f),
            Some(line) => write!(f, "{line}: {}", self.finding),
        }
    }
}

/// A record that is not published although its address is agreed on: the home could not be reached there.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct HeldBack {
    /// The line; `None` when there is only one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
    /// The record's name.
    pub name: DnsName,
    /// Its type.
    #[serde(rename = "type")]
    pub rtype: RecordType,
    /// What the outside sees.
    pub address: IpAddr,
}

/// The addresses that the newest rulings agree on.
pub fn agreed(looks: &[Look]) -> BTreeMap<Via, IpAddr> {
    looks
        .iter()
        .filter_map(|look| match look.ruling.outcome {
            Outcome::Agreed(address) => Some((look.via(), address)),
            Outcome::Split | Outcome::TooFew | Outcome::NoneAsked => None,
        })
        .collect()
}
