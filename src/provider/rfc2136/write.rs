//! Puts updates (RFC 2136) on a connection, in as few messages as they fit.

use std::collections::VecDeque;

use hickory_proto::rr::{Name, TSigner};
use tokio::time::{Instant, timeout_at};

use super::judge::{Task, Writing};
use super::update::{Room, update};
use super::{ROOM, Rfc2136, unbuilt};
use crate::dns::message::{Sent, seal, wire_name};
use crate::dns::tcp::Link;
use crate::provider::{Applied, Change, Fault, FaultKind, Fence};

impl Rfc2136 {
    pub(super) async fn write(
        &self,
        changes: &[Change],
        fence: Option<Fence<'_>>,
        deadline: Instant,
    ) -> Result<Applied, Fault> {
        let signer = self.signer()?;
        let zone = wire_name(&self.zone).map_err(unbuilt)?;
        let batches = self.batches(&zone, changes, fence, signer.as_ref())?;
        let mut link = self.open_to_write(deadline).await?;
        // Drawn before the first is sent: from then on every failure leaves something written.
        let ids = batches.iter().map(|_| self.fresh_id()).collect::<Result<Vec<_>, _>>()?;
        for (at, batch) in batches.iter().enumerate() {
            let outcome = match update(zone.clone(), batch, fence)
                .and_then(|m| seal(m, ids[at], signer.as_ref(), (self.now)()))
            {
                Ok(sent) => self.exchange(&mut link, sent, Writing::Changes(batch), deadline).await,
                Err(error) => Err(unbuilt(error)),
            };
            if let Err(fault) = outcome {
                if fault.kind == FaultKind::Conflict {
                    self.doubted().extend(batch.iter().map(|change| change.name.clone()));
                }
                return Err(match at {
                    0 => fault,
                    _ => Fault {
                        kind: FaultKind::InDoubt,
                        why: format!("{at} of {} updates were taken, the next was not: {}", batches.len(), fault.why),
                        ..fault
                    },
                });
            }
        }
        let by = self.key.as_ref().map(|key| format!(", signed by {}", key.name)).unwrap_or_default();
        Ok(Applied { detail: format!("NOERROR from {}{by}", self.label()) })
    }

    /// A connection over which an update may go.
    pub(super) async fn open_to_write(&self, deadline: Instant) -> Result<Link, Fault> {
        let link = timeout_at(deadline, self.open(deadline)).await.map_err(|_| self.late())??;
        if self.key.is_none() && !link.is_loopback() {
            return Err(Fault::refused(
                format!("an unsigned update would leave this machine for {}", self.label()),
                "set `key`: unsigned updates go to a loopback address only",
            ));
        }
        Ok(link)
    }

    /// Sends one update and judges its answer. From the first byte on, silence leaves the end unknown, and a refusal says
    /// only how it ended if what stands agrees.
    pub(super) async fn exchange(
        &self,
        link: &mut Link,
        sent: Sent,
        what: Writing<'_>,
        deadline: Instant,
    ) -> Result<(), Fault> {
        let task = Task::Write(what);
        let doubt = |why: &str| {
            self.context(task, 0)
                .doubt(format!("{} {why}, so it may have been taken", self.label()), "read to learn how it ended")
        };
        let trip = async {
            link.send(&sent.wire).await?;
            link.receive().await
        };
        match timeout_at(deadline, trip).await {
            Ok(Ok(raw)) => self.accept(&raw, sent, task).map(|_| ()).map_err(|fault| match fault.kind {
                // It may be said of a second copy: somebody on the way can have passed the update on twice.
                FaultKind::Conflict | FaultKind::Refused => fault.after_sending(),
                _ => fault,
            }),
            Ok(Err(error)) => Err(doubt("did not answer the update").caused_by(error)),
            Err(_) => Err(doubt(&format!("did not answer the update within {:?}", self.timeout))),
        }
    }

    /// `changes` in as few messages as they fit.
    pub(super) fn batches<'a>(
        &self,
        zone: &Name,
        changes: &'a [Change],
        fence: Option<Fence<'_>>,
        signer: Option<&TSigner>,
    ) -> Result<Vec<&'a [Change]>, Fault> {
        let mut room = Room::new(&self.zone, ROOM);
        let (mut todo, mut rest, mut count) = (VecDeque::new(), changes, 0);
        for change in changes {
            if !room.take(change) && count > 0 {
                let (full, left) = rest.split_at(count);
                todo.push_back(full);
                (rest, count) = (left, 0);
            }
            count += 1;
        }
        todo.push_back(rest);
        let mut batches = Vec::new();
        while let Some(batch) = todo.pop_front() {
            match update(zone.clone(), batch, fence).and_then(|message| seal(message, 0, signer, (self.now)())) {
                Ok(_) => batches.push(batch),
                Err(_) if batch.len() > 1 => {
                    let (first, second) = batch.split_at(batch.len() / 2);
                    todo.push_front(second);
                    todo.push_front(first);
                }
                Err(error) => return Err(unbuilt(error)),
            }
        }
        Ok(batches)
    }
}
