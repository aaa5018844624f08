//! Asks for what stands at a few names, by a query each.
//!
//! Answers to several questions are not of one moment: in between somebody may write, be it an update of ours that comes late.
//! To plan by them does no harm, since the server itself compares; but what stood there at no time must not decide how a write
//! ended. Where it would, the zone's serial is asked for before all and after all, and if it has moved, all is asked again.

use std::collections::{BTreeMap, BTreeSet};

use hickory_proto::op::{Message, OpCode};
use hickory_proto::rr::{Name, RecordType as WireType};
use tokio::time::Instant;

use super::read::{self, Finding, Unfit};
use super::update::exists;
use super::{Rfc2136, unbuilt};
use crate::dns::message::{query, wire_name, wire_type};
use crate::name::DnsName;
use crate::provider::{Fault, FaultKind, Observed, Obstacle};
use crate::record::RecordType;

/// How often all is asked in a zone that moves. Where it never rests there is nothing better than the last answers.
const READINGS: usize = 10;

const TYPES: [RecordType; 2] = [RecordType::A, RecordType::Aaaa];

/// What is asked for at one moment.
#[derive(Debug, Default)]
pub(super) struct Span {
    /// Whether what is read has to have stood there together.
    is_watched: bool,
    /// The serials that the zone had meanwhile.
    serials: BTreeSet<u32>,
}

impl Rfc2136 {
    /// What stands at `names`; if `together`, at one moment.
    pub(super) async fn inquire(
        &self,
        names: &BTreeSet<DnsName>,
        together: bool,
        deadline: Instant,
    ) -> Result<Observed, Fault> {
        let (mut earlier, mut readings): (Option<Observed>, usize) = (None, 0);
        let now = Instant::now();
        let half = now + deadline.saturating_duration_since(now) / 2;
        loop {
            readings += 1;
            let mut span = Span { is_watched: together, ..Span::default() };
            let observed = self.inquire_once(names, &mut span, deadline).await?;
            // What is read twice stood there in between.
            let is_steady = span.serials.len() == 1 || earlier.is_some_and(|earlier| earlier.names == observed.names);
            if !together || is_steady || readings == READINGS || Instant::now() > half {
                self.doubted().retain(|name| !names.contains(name));
                return Ok(observed);
            }
            earlier = Some(observed);
        }
    }

    async fn inquire_once(
        &self,
        names: &BTreeSet<DnsName>,
        span: &mut Span,
        deadline: Instant,
    ) -> Result<Observed, Fault> {
        let zone = wire_name(&self.zone).map_err(unbuilt)?;
        let wire: Vec<Name> = names.iter().map(wire_name).collect::<Result<_, _>>().map_err(unbuilt)?;
        let mut questions = vec![query(zone.clone(), WireType::SOA)];
        questions.extend(wire.iter().flat_map(|name| TYPES.map(|rtype| query(name.clone(), wire_type(rtype)))));
        let mut answers = self.ask_within(span, &zone, questions, deadline).await?.into_iter();

        let soa = answers.next().ok_or_else(|| Unfit::NotAuthority.fault(self.label(), &self.zone))?;
        let serial = self.serial(&zone, &soa)?;
        span.serials.insert(serial);
        let mut found = BTreeMap::new();
        for (name, wire) in names.iter().zip(wire) {
            let pair: Vec<_> = TYPES.into_iter().zip(answers.by_ref().take(TYPES.len())).collect();
            let finding = read::standing(&zone, &wire, &pair).map_err(|unfit| unfit.fault(self.label(), &self.zone))?;
            found.insert(name.clone(), finding);
        }
        self.look_for_cuts(&zone, &mut found, span, deadline).await?;
        self.look_behind_wildcards(&zone, &mut found, span, deadline).await?;
        let names = found.into_iter().map(|(name, finding)| (name, finding.standing)).collect();
        Ok(Observed { names, serial: Some(serial) })
    }

    /// The answers to `questions`. Where that is watched, the zone's serial is asked for when all are there.
    pub(super) async fn ask_within(
        &self,
        span: &mut Span,
        zone: &Name,
        mut questions: Vec<Message>,
        deadline: Instant,
    ) -> Result<Vec<Message>, Fault> {
        if !span.is_watched {
            return self.ask(&questions, deadline).await;
        }
        questions.push(query(zone.clone(), WireType::SOA));
        let mut answers = self.ask(&questions, deadline).await?;
        if let Some(soa) = answers.pop() {
            span.serials.insert(self.serial(zone, &soa)?);
        }
        Ok(answers)
    }

    fn serial(&self, zone: &Name, soa: &Message) -> Result<u32, Fault> {
        read::serial(zone, soa).map_err(|unfit| unfit.fault(self.label(), &self.zone))
    }

    /// Whether `question` is for the zone's serial. The zone section of an update looks like it (RFC 2136, section 2.3).
    pub(super) fn asks_for_serial(&self, question: &Message) -> bool {
        question.metadata.op_code == OpCode::Query
            && question.queries.first().is_some_and(|asked| {
                asked.query_type() == WireType::SOA && wire_name(&self.zone).is_ok_and(|zone| *asked.name() == zone)
            })
    }

    /// Removes what a wildcard shows at a name where nothing stands (RFC 4592, section 3.3.1).
    ///
    /// An address answered by a wildcard reads like the name's own, and is as good while it is the wanted one.
    /// An update of it meets a conflict, and the next read asks by a prerequisite alone, which sees only what is there.
    /// A CNAME would be an obstacle at once, so it is compared with what the wildcards above the name hold.
    async fn look_behind_wildcards(
        &self,
        zone: &Name,
        found: &mut BTreeMap<DnsName, Finding>,
        span: &mut Span,
        deadline: Instant,
    ) -> Result<(), Fault> {
        let doubted: BTreeSet<DnsName> =
            self.doubted().intersection(&found.keys().cloned().collect()).cloned().collect();
        for (name, finding) in found.iter_mut() {
            let wire = wire_name(name).map_err(unbuilt)?;
            let cname = match &finding.standing.obstacle {
                Some(Obstacle::Cname(target)) => Some(target.clone()),
                _ => None,
            };
            if doubted.contains(name) {
                for rtype in finding.standing.sets.keys().copied().collect::<Vec<_>>() {
                    if !self.stands(zone, &wire, wire_type(rtype), deadline).await? {
                        finding.standing.sets.remove(&rtype);
                    }
                }
                if cname.is_some() && !self.stands(zone, &wire, WireType::CNAME, deadline).await? {
                    finding.standing.obstacle = None;
                }
            } else if let Some(target) = cname {
                let wildcards: Vec<Name> = read::wildcards(zone, &wire);
                let questions: Vec<_> = wildcards.iter().map(|name| query(name.clone(), WireType::CNAME)).collect();
                let answers = self.ask_within(span, zone, questions, deadline).await?;
                if wildcards
                    .iter()
                    .zip(&answers)
                    .any(|(name, answer)| read::cname(name, answer).as_ref() == Some(&target))
                {
                    finding.standing.obstacle = None;
                }
            }
        }
        if !doubted.is_empty() {
            self.ask_within(span, zone, Vec::new(), deadline).await?;
        }
        Ok(())
    }

    /// Whether the RRset itself exists, by an update that has a prerequisite and nothing to write.
    pub(super) async fn stands(
        &self,
        zone: &Name,
        name: &Name,
        rtype: WireType,
        deadline: Instant,
    ) -> Result<bool, Fault> {
        match self.ask(&[exists(zone.clone(), name.clone(), rtype)], deadline).await {
            Ok(_) => Ok(true),
            Err(fault) if fault.kind == FaultKind::Conflict => Ok(false),
            Err(fault) => Err(fault),
        }
    }
}
