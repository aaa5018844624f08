//! What the daemon last saw and did: one value for everyone who asks. Pure.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;
use std::sync::Arc;

use serde::Serialize;

use crate::clock::{Step, Timestamp};
use crate::exposure::{Finding, Grade};
use crate::settings::{Record, Via};
use crate::state::Hold;
use crate::status::history::History;
use crate::status::log_digest::LogDigest;
use crate::status::model::Edge;
use crate::update::{RecordState, Report, Trouble};
use crate::watch::look::{Found, HeldBack, Look};

/// What the daemon last saw and did: one value for everyone who asks.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Snapshot {
    /// When it was made.
    pub time: Timestamp,
    /// The records that are configured.
    #[serde(skip)]
    pub records: Arc<[Record]>,
    /// Rounds since the start.
    pub rounds: u64,
    /// The newest round's rulings.
    pub looks: Vec<Look>,
    /// What the newest round showed to be amiss.
    pub findings: Vec<Found>,
    /// The records that it holds back because of that.
    pub held_back: Vec<HeldBack>,
    /// The newest report of each provider.
    pub providers: BTreeMap<String, Report>,
    /// The providers on hold.
    pub holds: BTreeMap<String, Hold>,
    /// The providers for which somebody refuses without proving who it is, and since when.
    pub refused_since: BTreeMap<String, Timestamp>,
    /// When the next round is due.
    pub next_round: Timestamp,
    /// What the newest look at what the outside can see has found, check by check.
    pub exposure: Vec<Finding>,
    /// When that was looked at.
    pub exposed: Option<Timestamp>,
    /// Why the last reload was not taken, if it was not.
    pub reload_refused: Option<String>,
    /// What the last rounds said, witness by witness.
    #[serde(skip)]
    pub history: Arc<History>,
    /// What the audit log tells of earlier.
    #[serde(skip)]
    pub memory: Arc<LogDigest>,
    /// Where the audit log's chain did not hold at the start, if it did not.
    pub flaw: Option<String>,
    /// When the daemon was started.
    pub started: Option<Timestamp>,
    /// The address that is acted on, by line and family.
    pub settled: BTreeMap<Via, IpAddr>,
    /// When a ruling was last reached, by line and family.
    pub last_rulings: BTreeMap<Via, Timestamp>,
    /// Where there is no ruling, and since when.
    pub outages: BTreeMap<Via, Timestamp>,
    /// When each provider was last read.
    pub last_reads: BTreeMap<String, Timestamp>,
    /// What the limits still leave today, and the daily limit, by provider.
    pub left_today: BTreeMap<String, (u32, u32)>,
    /// The edges and their ranges.
    pub edges: Vec<Edge>,
}

impl Snapshot {
    /// Takes in that the clock was set.
    pub fn shift(&mut self, step: &Step) {
        // Nothing else is kept of earlier processes here than the findings and what the edges have in force.
        self.next_round = step.along(self.next_round);
        self.started.iter_mut().chain(&mut self.exposed).for_each(|time| step.shift(time));
        self.last_rulings.values_mut().chain(self.outages.values_mut()).for_each(|time| step.shift(time));
        self.last_reads.values_mut().for_each(|time| step.shift(time));
        self.edges
            .iter_mut()
            .flat_map(|edge| [&mut edge.since, &mut edge.last_fetch])
            .flatten()
            .for_each(|time| step.shift(time));
        self.providers.values_mut().for_each(|report| report.shift(step));
        for Found { finding, .. } in &mut self.findings {
            *finding = finding.clone().moved(step);
        }
    }

    /// One sentence for whoever reads only this: how many records are in step, where the home is, what is wrong.
    pub fn sentence(&self) -> String {
        if self.rounds == 0 {
            return "the first round is under way".to_owned();
        }
        let records: Vec<_> = self.providers.values().flat_map(|report| &report.records).collect();
        let in_step = records.iter().filter(|record| record.standing == RecordState::InStep).count();
        let all: usize = self.records.iter().map(|record| record.types.len()).sum();
        let mut text = format!("{in_step} of {all} records in step");
        let spreading: Vec<_> = records
            .iter()
            .filter_map(|record| match &record.standing {
                RecordState::Spreading { behind, .. } => Some(behind),
                _ => None,
            })
            .collect();
        if !spreading.is_empty() {
            text.push_str(&format!(", {} spreading", spreading.len()));
            let behind: BTreeSet<String> =
                spreading.into_iter().flat_map(|all| all.iter()).map(ToString::to_string).collect();
            if !behind.is_empty() {
                text.push_str(&format!(" ({})", behind.into_iter().collect::<Vec<_>>().join(", ")));
            }
        }
        if !self.held_back.is_empty() {
            text.push_str(&format!(", {} held back", self.held_back.len()));
        }
        for look in &self.looks {
            text.push_str(&format!("; {} {}", look.via(), brief(look)));
        }
        for found in &self.findings {
            text.push_str(&format!("; {found}"));
        }
        for report in self.providers.values() {
            if let Some(trouble) = &report.trouble {
                let kind = match trouble {
                    Trouble::Passing { .. } | Trouble::Unproven { .. } => "will be tried again",
                    Trouble::Refused { .. } | Trouble::Held { .. } => "on hold",
                    Trouble::StandingBy { .. } => "not our turn",
                    Trouble::NoBooks { .. } | Trouble::NoLease { .. } => "nothing is sent",
                };
                text.push_str(&format!("; {}: {kind}: {}", report.provider, trouble.why()));
            }
        }
        for finding in self.exposure.iter().filter(|finding| finding.grade == Grade::Amiss) {
            text.push_str(&format!("; {}: {} amiss", finding.about, finding.check));
        }
        if self.reload_refused.is_some() {
            text.push_str("; the last reload was refused");
        }
        text
    }
}

fn brief(look: &Look) -> String {
    crate::watch::look::agreed(std::slice::from_ref(look))
        .get(&look.via())
        .map_or_else(|| "has no ruling".to_owned(), ToString::to_string)
}

impl Snapshot {
    /// The address that the newest round agreed on.
    pub fn agreed(&self, via: &Via) -> Option<IpAddr> {
        crate::watch::look::agreed(&self.looks).get(via).copied()
    }
}
