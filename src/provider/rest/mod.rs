//! An HTTP API with JSON, as a description tells it. Nothing of any one API is compiled in.
//!
//! `client` puts requests on the network; all else here is pure. `config` reads the description into an [`Api`].
//!
//! Before a write everything is read again and compared with what the plan was made from. Most APIs take one record or
//! RRset at a time: when a request fails after another was taken, the fault is [`FaultKind::InDoubt`].

pub mod body;
mod client;
pub mod description;
pub mod forms;
#[cfg(any(test, fuzzing))]
pub(crate) mod hostile;
mod items;
pub mod json;
mod judge;
mod link;
mod listing;
mod pages;
mod plan;
mod reading;
pub mod template;

use std::collections::BTreeSet;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use reqwest::header::HeaderValue;
use serde_json::value::RawValue;

use self::body::{Var, Vars};
use self::client::{Budget, Client};
use self::description::{Api, Lookup, Shape};
use self::items::{Concern, Item, Places, Unfit};
use self::json::text;
use self::judge::Errand;
use self::pages::Key;
use self::plan::{Index, Task};
use self::reading::{Reading, Readings};
use super::listing::ZoneRecord;
use super::{Applied, Change, Fault, FaultKind, Grace, Observed, Pending, Provider, Standing, Tally};
use crate::name::DnsName;

/// The most readings of one list.
const MOST_READINGS: usize = 12;

/// One zone behind an HTTP API.
pub struct Rest {
    zone: DnsName,
    client: Client,
    /// The zone's id, once it was looked up.
    zone_id: Mutex<Option<Box<RawValue>>>,
}

/// What is to be read.
#[derive(Clone, Copy)]
enum Scope<'a> {
    /// What stands at these names.
    Names(&'a BTreeSet<DnsName>),
    /// Everything, whatever its type.
    Whole,
}

/// What was read.
struct Found {
    /// What stands at the names, where names were asked about.
    items: Vec<Item>,
    /// Everything, where that was asked for.
    records: Vec<ZoneRecord>,
    serial: Option<u32>,
    /// One name at a time was asked for, and none had a list.
    is_missing: bool,
    /// The variables that hold for the whole zone.
    fixed: Vars,
}

impl Found {
    fn take(&mut self, reading: Reading, places: &mut Places) {
        let Reading { serial, .. } = reading;
        self.serial = serial.or(self.serial);
        self.is_missing &= reading.course.is_missing;
        let (items, records, of) = reading.into_parts();
        self.items.extend(items);
        self.records.extend(records);
        places.join(of);
    }
}

impl Rest {
    /// The zone `zone` behind `api`; one exchange may take as long as `timeout`, a whole read or write ten times that.
    pub fn new(zone: DnsName, api: Api, timeout: Duration) -> Self {
        Self { client: Client::new(api, zone.clone(), timeout), zone, zone_id: Mutex::new(None) }
    }

    fn api(&self) -> &Api {
        &self.client.api
    }

    async fn look(&self, scope: Scope<'_>, budget: &mut Budget) -> Result<Found, Fault> {
        let known = self.zone_id.lock().unwrap_or_else(PoisonError::into_inner).take();
        let outcome = match &known {
            Some(id) => self.walk(scope, Some(id), budget).await,
            None => self.look_up_and_walk(scope, budget).await,
        };
        match outcome {
            // The zone may have been made anew, with another id.
            Err(fault) if known.is_some() && matches!(fault.kind, FaultKind::Refused | FaultKind::Unproven) => {
                self.look_up_and_walk(scope, budget).await
            }
            Ok(found) if known.is_some() && found.is_missing => self.look_up_and_walk(scope, budget).await,
            Ok(found) => {
                if known.is_some() {
                    *self.zone_id.lock().unwrap_or_else(PoisonError::into_inner) = known;
                }
                Ok(found)
            }
            outcome => outcome,
        }
    }

    async fn look_up_and_walk(&self, scope: Scope<'_>, budget: &mut Budget) -> Result<Found, Fault> {
        let id = match &self.api().lookup {
            Some(lookup) => Some(self.look_up(lookup, budget).await?),
            None => None,
        };
        let found = self.walk(scope, id.as_deref(), budget).await?;
        *self.zone_id.lock().unwrap_or_else(PoisonError::into_inner) = id;
        Ok(found)
    }

    async fn look_up(&self, lookup: &Lookup, budget: &mut Budget) -> Result<Box<RawValue>, Fault> {
        let (mut ids, mut seen): (Vec<Box<RawValue>>, usize) = (Vec::new(), 0);
        let zone = &self.zone;
        let each = |_: &RawValue, zones: Vec<&RawValue>| {
            seen += zones.len();
            let keys = zones.iter().map(|zone| Key::of(zone.get())).collect();
            for one in zones {
                let name = lookup.name.find(one).and_then(text).ok_or_else(|| Unfit::nothing("name of a zone"))?;
                if DnsName::parse_written(&name).is_ok_and(|name| name == *zone) {
                    let id = lookup.id.find(one).filter(|id| items::is_id(id));
                    let id = id.ok_or_else(|| Unfit::nothing("usable id of the zone"))?;
                    if !ids.iter().any(|other| text(other) == text(id)) {
                        ids.push(id.to_owned());
                    }
                }
            }
            Ok(keys)
        };
        self.client.walk(Errand::Lookup, &lookup.pages, &self.api().values, budget, each).await?;
        let origin = &self.client.origin;
        if ids.len() > 1 {
            let why = format!("{origin} shows {} zones {zone}, and nothing tells which is meant", ids.len());
            return Err(Fault::refused(why, "let the token see only one of them, or name its id in the description"));
        }
        ids.pop().ok_or_else(|| {
            let why = format!("{origin} shows no zone {zone} ({seen} others)");
            Fault::unproven(why, "correct `zone`, or let the token see it")
        })
    }

    async fn walk(&self, scope: Scope<'_>, id: Option<&RawValue>, budget: &mut Budget) -> Result<Found, Fault> {
        let api = self.api();
        let fixed = match id {
            Some(id) => api.values.clone().with("zone_id", Var::json(id)),
            None => api.values.clone(),
        };
        let mut found = Found { items: Vec::new(), records: Vec::new(), serial: None, is_missing: false, fixed };
        let mut places = Places::default();
        match scope {
            Scope::Names(names) if api.list.by_name => {
                found.is_missing = !names.is_empty();
                for name in names {
                    let vars = plan::named(api, &found.fixed, &self.zone, name);
                    // Whatever else it shows: a filter may mean something else.
                    let only = BTreeSet::from([name.clone()]);
                    let concern = Concern::new(&self.zone, &only);
                    let reading = self.list_of(Errand::Name(name.as_str()), &vars, Some(&concern), budget).await?;
                    found.take(reading, &mut places);
                }
            }
            Scope::Whole if api.list.by_name => {
                let why = format!("the description asks {} for one name at a time", self.client.origin);
                return Err(Fault::refused(why, "write a `list` that shows the whole zone, if the API has one"));
            }
            Scope::Names(names) => {
                let concern = Concern::new(&self.zone, names);
                let reading = self.list_of(Errand::List, &found.fixed, Some(&concern), budget).await?;
                found.take(reading, &mut places);
            }
            Scope::Whole => {
                let reading = self.list_of(Errand::List, &found.fixed, None, budget).await?;
                found.take(reading, &mut places);
            }
        }
        places.judge(api, &self.zone).map_err(|unfit| {
            let fault = self.client.unfit(Errand::List, unfit);
            // Asked again, it would be the same.
            Fault { kind: FaultKind::Refused, ..fault }
        })?;
        Ok(found)
    }

    /// One list. It is read again for as long as something may be missing in it, and what was found in any reading is taken.
    async fn list_of(
        &self,
        errand: Errand<'_>,
        vars: &Vars,
        concern: Option<&Concern<'_>>,
        budget: &mut Budget,
    ) -> Result<Reading, Fault> {
        let api = self.api();
        let (mut readings, mut flaw) = (Readings::default(), None);
        for _ in 0..MOST_READINGS {
            budget.begin_reading();
            let mut reading = Reading::default();
            let each = |answer: &RawValue, page: Vec<&RawValue>| reading.take(api, &self.zone, concern, (answer, page));
            let course = self.client.walk(errand, &api.list.pages, vars, budget, each).await?;
            reading.course = course;
            flaw = reading.flaw(&api.shape);
            if flaw.is_none() && readings.take(reading) || !budget.has_time_for_another() {
                break;
            }
        }
        readings.into_reading().ok_or_else(|| {
            let remedy =
                "it is read again; where it stays so, compare `item.id` in the description with what the API answers";
            let why = flaw.unwrap_or_else(|| "changes all the time".to_owned());
            self.client.unfit(errand, Unfit { why, remedy })
        })
    }

    async fn observe(&self, names: &BTreeSet<DnsName>) -> Result<Observed, Fault> {
        let found = self.look(Scope::Names(names), &mut self.client.budget()).await?;
        let names = items::standings(&found.items, names, &self.api().shape)
            .map_err(|unfit| self.client.unfit(Errand::List, unfit))?;
        Ok(Observed { names, serial: found.serial })
    }

    async fn write(&self, changes: &[Change]) -> Result<Applied, Fault> {
        let mut budget = self.client.budget();
        let names: BTreeSet<DnsName> = changes.iter().map(|change| change.name.clone()).collect();
        if let Some(stray) = names.iter().find(|name| !name.is_in(&self.zone)) {
            let why = format!("{stray} is outside the zone {}", self.zone);
            return Err(Fault::refused(why, "give the record a provider whose zone it is in"));
        }
        let found = self.look(Scope::Names(&names), &mut budget).await?;
        self.compare(changes, &found, &names)?;
        let index = Index::new(&found.items);
        let tasks = plan::plan(self.api(), changes, &index);
        for (done, task) in tasks.iter().enumerate() {
            if let Err(fault) = self.perform(task, &found.fixed, &index, &names, &mut budget).await {
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
        let errand = match &self.api().shape {
            Shape::Record { gone, .. } if task.removes() => Errand::Remove(&what, gone),
            _ => Errand::Write(&what),
        };
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
