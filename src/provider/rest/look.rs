//! Looking: the zone's id, and what stands in its lists, however many pages and readings that takes.
//!
//! `reading` and `pages` decide what a list shows and whether it is enough; the requests here are `client`'s.

use std::collections::BTreeSet;
use std::sync::PoisonError;

use serde_json::value::RawValue;

use super::Rest;
use super::body::{Var, Vars};
use super::client::Budget;
use super::description::Lookup;
use super::items::{self, Concern, Item, Places, Unfit};
use super::json::text;
use super::judge::Errand;
use super::pages::Key;
use super::plan;
use super::reading::{Reading, Readings};
use crate::name::DnsName;
use crate::provider::listing::ZoneRecord;
use crate::provider::{Fault, FaultKind, Observed};

/// The most readings of one list.
const MOST_READINGS: usize = 12;

/// What is to be read.
#[derive(Clone, Copy)]
pub(super) enum Scope<'a> {
    /// What stands at these names.
    Names(&'a BTreeSet<DnsName>),
    /// Everything, whatever its type.
    Whole,
}

/// What was read.
pub(super) struct Found {
    /// What stands at the names, where names were asked about.
    pub(super) items: Vec<Item>,
    /// Everything, where that was asked for.
    pub(super) records: Vec<ZoneRecord>,
    serial: Option<u32>,
    /// One name at a time was asked for, and none had a list.
    is_missing: bool,
    /// The variables that hold for the whole zone.
    pub(super) fixed: Vars,
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
    pub(super) async fn look(&self, scope: Scope<'_>, budget: &mut Budget) -> Result<Found, Fault> {
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

    pub(super) async fn observe(&self, names: &BTreeSet<DnsName>) -> Result<Observed, Fault> {
        let found = self.look(Scope::Names(names), &mut self.client.budget()).await?;
        let names = items::standings(&found.items, names, &self.api().shape)
            .map_err(|unfit| self.client.unfit(Errand::List, unfit))?;
        Ok(Observed { names, serial: found.serial })
    }
}
