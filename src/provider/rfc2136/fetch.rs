//! Puts a zone transfer (RFC 5936) on a connection.

use std::collections::BTreeSet;

use hickory_proto::op::Message;
use hickory_proto::rr::{Name, RecordType as WireType};
use tokio::time::{Instant, timeout_at};

use super::transfer::{Chain, Transfer};
use super::{Rfc2136, unbuilt};
use crate::dns::message::{query, seal, wire_name};
use crate::name::DnsName;
use crate::provider::listing::ZoneRecord;
use crate::provider::{Fault, Observed};

/// Names from which on a transfer is tried: what it costs more than that many queries is little, on an ordinary zone.
pub(super) const MANY: usize = 32;
/// Bytes that a transfer may take, and more for each name asked about: what asking for that by queries would take.
const ROOM: usize = 256 * 1024;
const ROOM_PER_NAME: usize = 512;
/// Bytes that a whole zone may take when all of it is wanted.
const ROOM_FOR_ALL: usize = 16 * 1024 * 1024;

impl Rfc2136 {
    /// What stands at `names`, by a transfer of the whole zone. The inner error is why there is none.
    ///
    /// It may take half of the time that is left until `deadline`, so that queries have the other half.
    pub(super) async fn transfer(
        &self,
        names: &BTreeSet<DnsName>,
        deadline: Instant,
    ) -> Result<Result<Observed, String>, Fault> {
        let zone = wire_name(&self.zone).map_err(unbuilt)?;
        let wire: Vec<Name> = names.iter().map(wire_name).collect::<Result<_, _>>().map_err(unbuilt)?;
        let now = Instant::now();
        let room = ROOM + ROOM_PER_NAME * names.len();
        let half = now + deadline.saturating_duration_since(now) / 2;
        let arrived = match timeout_at(half, self.receive(Transfer::new(&zone, wire.iter()), room, half)).await {
            Ok(arrived) => arrived?,
            Err(_) => Err("it takes too long".to_owned()),
        };
        Ok(arrived.map(|transfer| Observed {
            serial: transfer.serial(),
            names: names.iter().cloned().zip(wire.iter().map(|wire| transfer.standing(wire))).collect(),
        }))
    }

    /// Every record of the zone, by a transfer of it.
    pub(super) async fn records(&self, deadline: Instant) -> Result<Vec<ZoneRecord>, Fault> {
        let zone = wire_name(&self.zone).map_err(unbuilt)?;
        let arriving = timeout_at(deadline, self.receive(Transfer::of_all(&zone), ROOM_FOR_ALL, deadline));
        match arriving.await.map_err(|_| self.late())?? {
            Ok(transfer) => Ok(transfer.into_records()),
            Err(why) => Err(Fault::refused(
                format!("{} gives no transfer of {} (RFC 5936): {why}", self.label(), self.zone),
                "let the key transfer the zone, for reading it whole",
            )),
        }
    }

    /// The records go into `transfer`, which may take `room` bytes.
    async fn receive<'z>(
        &self,
        mut transfer: Transfer<'z>,
        mut room: usize,
        deadline: Instant,
    ) -> Result<Result<Transfer<'z>, String>, Fault> {
        let signer = self.signer()?;
        let id = self.fresh_id()?;
        let sent =
            seal(query(transfer.zone().clone(), WireType::AXFR), id, signer.as_ref(), (self.now)()).map_err(unbuilt)?;
        let mut chain = match signer {
            None => None,
            Some(signer) => {
                let request = Message::from_vec(&sent.wire).map_err(|error| unbuilt(error.into()))?;
                let mac = request.signature().map(|signature| signature.data.mac.clone()).unwrap_or_default();
                Some(Chain::new(signer, sent.signed_at, mac))
            }
        };
        let mut link = self.open(deadline).await?;
        if let Err(error) = link.send(&sent.wire).await {
            return Ok(Err(error.to_string()));
        }
        loop {
            let raw = match link.receive().await {
                Ok(raw) => raw,
                Err(error) => return Ok(Err(error.to_string())),
            };
            let Some(left) = room.checked_sub(raw.len()) else {
                return Ok(Err("the zone is much larger than what is asked about".to_owned()));
            };
            room = left;
            let Ok(message) = Message::from_vec(&raw) else { return Ok(Err("it cannot be read".to_owned())) };
            let is_last = match transfer.take(id, &message).and_then(|is_last| transfer.keep(&raw).map(|()| is_last)) {
                Ok(is_last) => is_last,
                Err(why) => return Ok(Err(why)),
            };
            match chain.as_mut().map_or(Ok(true), |chain| chain.follow(&raw, &message)) {
                Ok(is_signed) if is_last && is_signed => return Ok(Ok(transfer)),
                Ok(_) if is_last => return Ok(Err("its last message is not signed".to_owned())),
                Ok(_) => {}
                Err(why) => return Ok(Err(why.to_owned())),
            }
        }
    }
}
