//! A text that two writers take turns by, swapped by the server itself (RFC 2136, sections 2.4 and 3.4).

use hickory_proto::rr::{RData, RecordType as WireType};
use tokio::time::{Instant, timeout_at};

use super::judge::Writing;
use super::read::{self, Unfit};
use super::update::swap;
use super::{Rfc2136, unbuilt};
use crate::dns::message::{query, seal, wire_name};
use crate::name::DnsName;
use crate::provider::lease_record::LeaseRecord;
use crate::provider::{Applied, Change, CompareAndSwap, Fault, Fence, Pending, Texts};

/// Nobody is to keep a text that is there to be compared (RFC 1035, section 3.2.1, on a TTL of 0).
const TTL: u32 = 0;

impl Rfc2136 {
    async fn texts(&self, name: &DnsName, deadline: Instant) -> Result<Texts, Fault> {
        let zone = wire_name(&self.zone).map_err(unbuilt)?;
        let wire = wire_name(name).map_err(unbuilt)?;
        let answers = self.ask(&[query(wire.clone(), WireType::TXT)], deadline).await?;
        let Some(answer) = answers.first().filter(|answer| answer.metadata.authoritative) else {
            return Err(Unfit::NotAuthority.fault(self.label(), &self.zone));
        };
        if let Some(target) = read::cname(&wire, answer) {
            if !self.stands(&zone, &wire, WireType::CNAME, deadline).await? {
                return Ok(Texts::new());
            }
            let why = format!("a CNAME to {target} stands at {name}, the name of the lease");
            return Err(Fault::refused(why, "remove it, or set `standby.name` to another name"));
        }
        let of_name = answer.answers.iter().filter(|record| record.name == wire);
        let texts: Texts = of_name
            .filter_map(|record| match &record.data {
                RData::TXT(txt) => Some(txt.txt_data.iter().map(|string| string.to_vec()).collect()),
                _ => None,
            })
            .collect();
        // What is no claim may be a wildcard's doing: nothing stands there then (RFC 4592, section 3.3.1).
        let is_odd = !matches!(LeaseRecord::read(&texts), Ok(Some(_)));
        if is_odd && !texts.is_empty() && !self.stands(&zone, &wire, WireType::TXT, deadline).await? {
            return Ok(Texts::new());
        }
        Ok(texts)
    }

    async fn swap(
        &self,
        name: &DnsName,
        before: Option<&str>,
        after: Option<&str>,
        deadline: Instant,
    ) -> Result<(), Fault> {
        let zone = wire_name(&self.zone).map_err(unbuilt)?;
        let message = swap(zone, &wire_name(name).map_err(unbuilt)?, before, after, TTL);
        let id = self.fresh_id()?;
        let sent = seal(message, id, self.signer()?.as_ref(), (self.now)()).map_err(unbuilt)?;
        let mut link = self.open_to_write(deadline).await?;
        self.exchange(&mut link, sent, Writing::Text(name), deadline).await
    }
}

impl CompareAndSwap for Rfc2136 {
    fn read_text<'a>(&'a self, name: &'a DnsName) -> Pending<'a, Texts> {
        Box::pin(async move {
            let deadline = Instant::now() + self.timeout;
            timeout_at(deadline, self.texts(name, deadline)).await.unwrap_or_else(|_| Err(self.late()))
        })
    }

    fn swap_text<'a>(&'a self, name: &'a DnsName, before: Option<&'a str>, after: Option<&'a str>) -> Pending<'a, ()> {
        Box::pin(self.swap(name, before, after, Instant::now() + self.timeout))
    }

    fn apply_under<'a>(&'a self, changes: &'a [Change], fence: Fence<'a>) -> Pending<'a, Applied> {
        Box::pin(async move {
            if changes.is_empty() {
                return Ok(Applied::default());
            }
            self.write(changes, Some(fence), Instant::now() + self.timeout).await
        })
    }
}
