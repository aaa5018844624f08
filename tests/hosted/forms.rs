//! How names, types, TTLs, ids and flags are written by the API and read from what it is sent.

use fastrand::Rng;
use serde_json::{Map, Value};

use crate::ZONE;
use crate::store::{Id, Rec};
use crate::world::{World, wanted_at};

/// How an API writes what most write otherwise.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Forms {
    /// Types by their numbers.
    pub(crate) numbers: bool,
    /// TTLs with units.
    pub(crate) units: bool,
    /// Ids as texts.
    pub(crate) text_ids: bool,
    /// The next page by a header (RFC 8288), where the answer would lead on.
    pub(crate) links: bool,
}

impl Forms {
    pub(crate) fn draw(rng: &mut Rng) -> Self {
        let mut one_in = |n: u8| rng.u8(0..n) == 0;
        Self { numbers: one_in(4), units: one_in(4), text_ids: one_in(4), links: one_in(2) }
    }
}

/// RFC 1035, section 3.2.2, and RFC 3596, section 2.1.
const TYPES: [(u16, &str); 6] = [(1, "A"), (2, "NS"), (5, "CNAME"), (6, "SOA"), (16, "TXT"), (28, "AAAA")];

/// The type that is meant, by its name or its number.
pub(crate) fn rtype_of(text: &str) -> String {
    let known = TYPES.iter().find(|(number, _)| text == number.to_string());
    known.map_or(text, |(_, name)| name).to_owned()
}

/// The same in a body.
pub(crate) fn rtype_in(value: &Value) -> String {
    rtype_of(&value.as_str().map_or_else(|| value.to_string(), str::to_owned))
}

pub(crate) fn id_in(value: &Value) -> Option<Id> {
    value.as_u64().or_else(|| value.as_str()?.parse().ok())
}

/// A name as somebody wrote it, as the zone has it.
pub(crate) fn canonical(text: &str) -> String {
    let text = text.trim().trim_end_matches('.').to_lowercase();
    let text = text.replace("\\052", "*").replace("\\*", "*").replace("\\103", "g").replace("\\119", "w");
    match text.as_str() {
        "@" | "" => ZONE.to_owned(),
        name if name == ZONE || name.ends_with(&format!(".{ZONE}")) => name.to_owned(),
        name => format!("{name}.{ZONE}"),
    }
}

/// A TTL in seconds, as a number or a text; or in units, as in a master file (common practice, no source).
pub(crate) fn ttl_of(value: &Value, units: bool) -> Option<u64> {
    let seconds = value.as_u64().filter(|_| !units).or_else(|| {
        let mut rest = value.as_str()?;
        let mut seconds = 0;
        while !rest.is_empty() {
            let digits = rest.find(|c: char| !c.is_ascii_digit()).unwrap_or(rest.len());
            let count: u64 = rest[..digits].parse().ok()?;
            rest = &rest[digits..];
            let factor = match rest.chars().next().filter(|_| units) {
                None if rest.is_empty() => 1,
                Some('s') => 1,
                Some('m') => 60,
                Some('h') => 3600,
                _ => return None,
            };
            rest = rest.get(1..).unwrap_or_default();
            seconds += factor * count;
        }
        Some(seconds)
    });
    seconds.filter(|ttl| (30..=86_400).contains(ttl))
}

impl World {
    pub(crate) fn shown_id(&self, id: Id) -> Value {
        if self.habits.forms.text_ids { id.to_string().into() } else { id.into() }
    }

    pub(crate) fn shown_type(&self, rtype: &str) -> Value {
        let number = TYPES.iter().find(|(_, name)| *name == rtype).filter(|_| self.habits.forms.numbers);
        number.map_or_else(|| rtype.into(), |(number, _)| (*number).into())
    }

    /// A name in one of the ways to write it (RFC 1035, section 5.1).
    pub(crate) fn written(&mut self, name: &str) -> String {
        let name = match self.habits.relative {
            true if name == ZONE => return "@".to_owned(),
            true => name.strip_suffix(&format!(".{ZONE}")).unwrap(),
            false => name,
        };
        if !self.habits.odd_names {
            return name.to_owned();
        }
        match self.rng.u8(0..7) {
            0 => name.to_uppercase(),
            1 if !self.habits.relative => format!("{name}."),
            2 => format!("{name} "),
            3 if name.starts_with('g') => name.replacen('g', "\\103", 1),
            3 if name.starts_with('*') => name.replacen('*', "\\*", 1),
            4 if name.starts_with('*') => name.replacen('*', "\\052", 1),
            _ => name.to_owned(),
        }
    }

    pub(crate) fn shown_ttl(&mut self, record: &Rec) -> Value {
        if self.habits.forms.units {
            return self.with_units(record.ttl).into();
        }
        if !self.habits.odd_ttls {
            return record.ttl.into();
        }
        match self.rng.u8(0..4) {
            0 if wanted_at(&record.name).is_none() => Value::Null,
            1 if wanted_at(&record.name).is_none() => "auto".into(),
            _ => record.ttl.to_string().into(),
        }
    }

    fn with_units(&mut self, seconds: u64) -> String {
        match self.rng.u8(0..3) {
            0 if seconds.is_multiple_of(60) => format!("{}m", seconds / 60),
            1 if seconds > 60 => format!("{}m{}s", seconds / 60, seconds % 60),
            _ => format!("{seconds}s"),
        }
    }

    /// Whatever is not false, null or absent says that it is not published.
    pub(crate) fn flagged(&mut self, mut shown: Map<String, Value>, disabled: bool) -> Map<String, Value> {
        let on: [Value; 4] = [true.into(), 1.into(), "true".into(), "1".into()];
        let flag = match (disabled, self.habits.odd_flags) {
            (true, true) => Some(on[self.rng.usize(0..on.len())].clone()),
            (false, true) => [Some(false.into()), Some(Value::Null), None][self.rng.usize(0..3)].clone(),
            (is, false) => Some(is.into()),
        };
        shown.extend(flag.map(|flag| ("resting".to_owned(), flag)));
        shown
    }
}
