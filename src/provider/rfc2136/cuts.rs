//! Asks in which zone a name is, where the answers about its addresses leave that open.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use hickory_proto::rr::{Name, RecordType as WireType};
use tokio::time::Instant;

use super::inquire::Span;
use super::read::{self, Enclosing, Finding};
use super::{Rfc2136, unbuilt};
use crate::dns::message::{query, wire_name};
use crate::name::DnsName;
use crate::provider::Fault;

impl Rfc2136 {
    /// Finds the zone cut at or above each name whose answers left open in which zone it is: a server that has the zone
    /// below the cut too answers from that one, and need not say so (RFC 1034, section 4.3.2).
    pub(super) async fn look_for_cuts(
        &self,
        zone: &Name,
        found: &mut BTreeMap<DnsName, Finding>,
        span: &mut Span,
        deadline: Instant,
    ) -> Result<(), Fault> {
        let mut known: HashMap<Name, Enclosing> = HashMap::new();
        loop {
            let mut questions = BTreeSet::new();
            for (name, finding) in found.iter_mut().filter(|(_, finding)| !finding.zone_known) {
                match read::enclosing(zone, &wire_name(name).map_err(unbuilt)?, &known) {
                    Ok(cut) => finding.settle(cut),
                    Err(next) => drop(questions.insert(next)),
                }
            }
            if questions.is_empty() {
                return Ok(());
            }
            let messages = questions.iter().map(|at| query(at.clone(), WireType::SOA)).collect();
            let answers = self.ask_within(span, zone, messages, deadline).await?;
            known.extend(questions.into_iter().zip(&answers).map(|(at, answer)| {
                let enclosing = read::zone_of(zone, &at, answer);
                (at, enclosing)
            }));
        }
    }
}
