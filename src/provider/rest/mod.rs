//! An HTTP API with JSON, as a description tells it. Nothing of any one API is compiled in.
//!
//! `client` puts requests on the network, `look` and this ask for them; what is read, planned and judged is the core's.
//! `config` reads the description into an [`Api`].
//!
//! Before a write everything is read again and compared with what the plan was made from. Most APIs take one record or
//! RRset at a time: when a request fails after another was taken, the fault is [`FaultKind::InDoubt`].

mod client;
mod look;

pub use fingerpost_core::provider::rest::*;

use std::collections::BTreeSet;
use std::sync::Mutex;
use std::time::Duration;

use reqwest::header::HeaderValue;
use serde_json::value::RawValue;

use self::body::Vars;
use self::client::{Budget, Client};
use self::description::{Api, Shape};
use self::items::{Concern, Item, Unfit};
use self::judge::Errand;
use self::look::{Found, Scope};
use self::plan::{Index, Task};
use super::listing::ZoneRecord;
use super::{Applied, Change, Fault, FaultKind, Grace, Observed, Pending, Provider, Standing, Tally};
use crate::name::DnsName;

/// One zone behind an HTTP API.
pub struct Rest {
    zone: DnsName,
    client: Client,
    /// The zone's id, once it was looked up.
    zone_id: Mutex<Option<Box<RawValue>>>,
}

impl Rest {
    /// The zone `zone` behind `api`; one exchange may take as long as `timeout`, a whole read or write ten times that.
    pub fn new(zone: DnsName, api: Api, timeout: Duration) -> Self {
        Self { client: Client::new(api, zone.clone(), timeout), zone, zone_id: Mutex::new(None) }
    }

    fn api(&self) -> &Api {
        &self.client.api
    }

    async fn write(&self, changes: &[Change]) -> Result<Applied, Fault> {
        let mut budget = self.client.budget();
        let outcome = self.write_within(changes, &mut budget).await;
        outcome.map_err(|fault| if budget.has_written() { fault } else { fault.before_sending() })
    }

    async fn write_within(&self, changes: &[Change], budget: &mut Budget) -> Result<Applied, Fault> {
        let names: BTreeSet<DnsName> = changes.iter().map(|change| change.name.clone()).collect();
        if let Some(stray) = names.iter().find(|name| !name.is_in(&self.zone)) {
            let why = format!("{stray} is outside the zone {}", self.zone);
            return Err(Fault::refused(why, "give the record a provider whose zone it is in"));
        }
        let found = self.look(Scope::Names(&names), budget).await?;
        self.compare(changes, &found, &names)?;
        let index = Index::new(&found.items);
        let tasks = plan::plan(self.api(), changes, &index);
        for (done, task) in tasks.iter().enumerate() {
            if let Err(fault) = self.perform(task, &found.fixed, &index, &names, budget).await {
                // A wait that is asked for stays one; whatever was said, reading tells what stands.
                return Err(match (done, fault.kind) {
                    (0, _) => fault,
                    (_, kind) => Fault {
                        kind: if matches!(kind, FaultKind::Passing { .. }) { kind } else { FaultKind::InDoubt },
                        sent: true,
                        why: format!("{done} of {} requests were taken, the next was not: {}", tasks.len(), fault.why),
                        ..fault
                    },
                });
            }
        }
        let requests = if tasks.len() == 1 { "1 request".into() } else { format!("{} requests", tasks.len()) };
        Ok(Applied { detail: format!("{requests} taken by {}", self.client.origin) })
    }

    /// Whether all still stands as it did when the plan was made.
    fn compare(&self, changes: &[Change], found: &Found, names: &BTreeSet<DnsName>) -> Result<(), Fault> {
        let standings = items::standings(&found.items, names, &self.api().shape)
            .map_err(|unfit| self.client.unfit(Errand::List, unfit))?;
        for change in changes {
            let standing = standings.get(&change.name);
            let set = standing.and_then(|standing| standing.sets.get(&change.rtype));
            let is_barred =
                |standing: &Standing| standing.obstacle.is_some() || standing.unread.contains_key(&change.rtype);
            if set != change.before.as_ref() || standing.is_some_and(is_barred) {
                let (origin, Change { name, rtype, .. }) = (&self.client.origin, change);
                let why = format!("what stands at {rtype} {name} at {origin} is not what was read before");
                return Err(Fault::new(FaultKind::Conflict, why, "it is read and planned again"));
            }
        }
        Ok(())
    }

    async fn perform<'a>(
        &self,
        task: &Task<'a>,
        fixed: &Vars,
        index: &Index<'a>,
        names: &BTreeSet<DnsName>,
        budget: &mut Budget,
    ) -> Result<(), Fault> {
        let what = task.what();
        if task.removes() {
            self.see_that_enough_is_left(task, budget).await?;
        }
        let (fresh, etag) = match task.item {
            Some(item) => self.refresh(task, item, fixed, names, budget).await?,
            None => (None, None),
        };
        let item = fresh.as_ref().or(task.item);
        let ready = task.ready(self.api(), fixed, &self.zone, index, item).ok_or_else(|| {
            let why = format!("{} shows {what} in a form that cannot be written back", self.client.origin);
            Fault::refused(why, "compare `item` in the description with what the API answers")
        })?;
        let errand = if task.removes() { Errand::Remove(&what) } else { Errand::Write(&what) };
        self.client.send(errand, ready.request, &ready.vars, (ready.body, etag), budget).await.map(drop)
    }

    /// Reads once more before a removal: whatever went before in the same change, or beside it, the name keeps what is wanted.
    /// Where what was written is not to be seen yet, nothing is removed: when it is, the rest is planned anew.
    async fn see_that_enough_is_left(&self, task: &Task<'_>, budget: &mut Budget) -> Result<(), Fault> {
        let Some(change) = task.changes.first() else { return Ok(()) };
        let found = self.look(Scope::Names(&BTreeSet::from([change.name.clone()])), budget).await?;
        let is_as_planned = |item: &Item| task.item.is_none_or(|goes| !item.has_id_of(goes) || item.is_as(goes));
        if task.leaves_enough(&found.items) && found.items.iter().all(is_as_planned) {
            return Ok(());
        }
        let (origin, what) = (&self.client.origin, task.what());
        let why = format!("{origin} does not show beside a record of {what} what has to stand before that is removed");
        Err(Fault::new(FaultKind::Conflict, why, "it is read and planned again"))
    }

    /// The item as it stands now, with its entity tag, where the API can show a single one.
    async fn refresh(
        &self,
        task: &Task<'_>,
        item: &Item,
        fixed: &Vars,
        names: &BTreeSet<DnsName>,
        budget: &mut Budget,
    ) -> Result<(Option<Item>, Option<HeaderValue>), Fault> {
        let (Some(get), Some(change)) = (&self.api().get, task.changes.first()) else { return Ok((None, None)) };
        let what = task.what();
        let errand = Errand::Get(&what);
        let vars = plan::vars(self.api(), fixed, &self.zone, change, Some(item));
        let reply = self.client.send(errand, &get.request, &vars, (None, None), budget).await?;
        let raw = get.item.find(self.client.json(errand, &reply)?);
        let raw = raw.ok_or_else(|| self.client.unfit(errand, Unfit::nothing("item")))?;
        let now = items::read(self.api(), &Concern::new(&self.zone, names), raw)
            .map_err(|unfit| self.client.unfit(errand, unfit))?;
        let Some(now) = now.filter(|now| now.is_as(item)) else {
            let why = format!("{what} at {} changed while it was about to be written", self.client.origin);
            return Err(Fault::new(FaultKind::Conflict, why, "it is read and planned again"));
        };
        if !get.etag {
            return Ok((Some(now), None));
        }
        // A weak tag never matches (RFC 9110, section 13.1.1).
        let strong = reply.etag.filter(|tag| tag.as_bytes().starts_with(b"\""));
        let Some(tag) = strong else {
            let why = format!("{} sends no strong entity tag (RFC 9110, 8.8.3) with {what}", self.client.origin);
            return Err(Fault::refused(why, "remove `get.etag` from the description"));
        };
        Ok((Some(now), Some(tag)))
    }
}

impl Provider for Rest {
    fn read<'a>(&'a self, names: &'a BTreeSet<DnsName>) -> Pending<'a, Observed> {
        Box::pin(self.observe(names))
    }

    fn apply<'a>(&'a self, changes: &'a [Change]) -> Pending<'a, Applied> {
        Box::pin(async move {
            if changes.is_empty() {
                return Ok(Applied::default());
            }
            self.write(changes).await
        })
    }

    fn list(&self) -> Pending<'_, Vec<ZoneRecord>> {
        Box::pin(async { Ok(self.look(Scope::Whole, &mut self.client.budget()).await?.records) })
    }

    fn grace(&self) -> Grace {
        Grace::Visibility(self.api().visible_within)
    }

    /// Also where a request takes several: so each has its own end, its own refusal and its own charge.
    fn tally(&self) -> Tally {
        Tally::Each
    }

    fn target(&self) -> String {
        self.api().base.to_string()
    }

    fn means(&self, count: usize) -> String {
        let plural = |count: usize| if count == 1 { "" } else { "s" };
        let origin = &self.client.origin;
        match &self.api().shape {
            Shape::RrSet { .. } => {
                format!("{count} change{0} in {count} request{0} to {origin}", plural(count))
            }
            Shape::Record { .. } => format!("{count} change{}, a request for each address, to {origin}", plural(count)),
        }
    }
}
