//! A typed reader over the merged layers, so that each key is named once in the program.
//!
//! It never stops: what is wrong is written down with its file, line and key, and the reading goes on. It remembers
//! which keys were asked for; in the end every other key is a problem. It keeps what was read, for `config show`.
//!
//! A reading of something wrong or absent gives `None`; the caller need not tell these apart, since a configuration
//! with a problem is never used.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::time::Duration;

use figment::value::{Dict, Value};

use super::layers::{self, Layers, Origin};
use super::load::Shown;
use super::problem::Problem;
use super::units::{self, Wrong};

/// The configuration as it was written, and what the reading of it has found so far.
pub(super) struct Doc {
    layers: Layers,
    file: PathBuf,
    log: RefCell<Log>,
}

#[derive(Default)]
struct Log {
    problems: Vec<Problem>,
    notes: Vec<Problem>,
    shown: Vec<Shown>,
    /// The keys asked for, by table; a table that is not here is not searched for unknown keys.
    asked: BTreeMap<String, BTreeSet<String>>,
    known: BTreeSet<String>,
}

/// What the reading has found.
pub(super) struct Findings {
    pub(super) problems: Vec<Problem>,
    pub(super) notes: Vec<Problem>,
    pub(super) shown: Vec<Shown>,
    pub(super) known: BTreeSet<String>,
}

impl Doc {
    pub(super) fn new(mut layers: Layers, file: &Path) -> Self {
        let log = Log { problems: std::mem::take(&mut layers.problems), ..Log::default() };
        Self { layers, file: file.to_owned(), log: RefCell::new(log) }
    }

    pub(super) fn root(&self) -> Table<'_> {
        let value = Value::from(self.layers.merged.clone());
        Table::new(Cell { doc: self, path: String::new(), value: Some(value), quiet: false, mute: false }, "")
    }

    /// What was shown of the keys below `path`.
    pub(super) fn shown_below(&self, path: &str) -> Vec<Shown> {
        let below = |key: &str| key.strip_prefix(path).is_some_and(|rest| rest.starts_with('.'));
        self.log.borrow().shown.iter().filter(|shown| below(&shown.key)).cloned().collect()
    }

    /// Ends the reading: the keys that nobody asked for join the problems, which are then in the order of the file.
    pub(super) fn finish(self) -> Findings {
        self.search(&self.layers.merged, "");
        let mut log = self.log.into_inner();
        log.problems.sort_by_key(|problem| (problem.line.is_none(), problem.line));
        log.notes.sort_by_key(|note| (note.line.is_none(), note.line));
        Findings { problems: log.problems, notes: log.notes, shown: log.shown, known: log.known }
    }

    fn search(&self, table: &Dict, path: &str) {
        let Some(asked) = self.log.borrow().asked.get(path).cloned() else { return };
        for (key, value) in table {
            let path = layers::join(path, key);
            if !asked.contains(key) {
                let cell = Cell { doc: self, path, value: Some(value.clone()), quiet: false, mute: false };
                cell.wrong("unknown key", unknown(key, &asked));
                continue;
            }
            match value {
                Value::Dict(_, inner) => self.search(inner, &path),
                Value::Array(_, items) => {
                    for (at, inner) in items.iter().enumerate().filter_map(|(at, item)| Some((at, item.as_dict()?))) {
                        self.search(inner, &format!("{path}[{at}]"));
                    }
                }
                _ => {}
            }
        }
    }
}

fn unknown(key: &str, known: &BTreeSet<String>) -> String {
    match nearest(key, known.iter().map(String::as_str)) {
        Some(near) => format!("did you mean `{near}`?"),
        None => {
            let known: Vec<_> = known.iter().map(|key| format!("`{key}`")).collect();
            format!("known here: {}", known.join(", "))
        }
    }
}

/// The one of `known` that `word` may have been meant to be: a third of its letters may differ.
pub(super) fn nearest<'k>(word: &str, known: impl Iterator<Item = &'k str>) -> Option<&'k str> {
    let word = word.to_ascii_lowercase();
    known
        .map(|known| (strsim::osa_distance(&word, &known.to_ascii_lowercase()), known))
        .filter(|(distance, known)| *distance <= (known.chars().count() / 3).max(1))
        .min()
        .map(|(_, known)| known)
}

/// One table of the configuration; an absent one reads as empty.
#[derive(Clone)]
pub(super) struct Table<'d> {
    cell: Cell<'d>,
    /// Its path with the names and numbers that the owner chose left out: `witness[]`, `provider.NAME`.
    pattern: String,
}

impl<'d> Table<'d> {
    fn new(cell: Cell<'d>, pattern: impl Into<String>) -> Self {
        let is_table = !cell.is_set() || cell.is_table();
        if is_table {
            cell.doc.log.borrow_mut().asked.entry(cell.path.clone()).or_default();
        } else {
            cell.type_error("a table", "write it as [table] with single brackets, or as { key = value }");
        }
        // The keys of what is no table are not missing.
        let mute = cell.mute || !is_table;
        Self { cell: Cell { mute, ..cell }, pattern: pattern.into() }
    }

    /// The table itself, to say what is wrong with the whole of it.
    pub(super) fn whole(&self) -> &Cell<'d> {
        &self.cell
    }

    /// Says no value of this table in a message: one of its neighbours is a secret, and people mix them up.
    pub(super) fn quiet(mut self) -> Self {
        self.cell.quiet = true;
        self
    }

    /// Shows nothing of this table: its owner shows it as a whole.
    pub(super) fn hidden(mut self) -> Self {
        self.cell.mute = true;
        self
    }

    /// Does not search this table for unknown keys: which ones are known hangs on one that is wrong.
    pub(super) fn unchecked(&self) {
        self.cell.doc.log.borrow_mut().asked.remove(&self.cell.path);
    }

    pub(super) fn key(&self, name: &str) -> Cell<'d> {
        let path = layers::join(&self.cell.path, name);
        let value = self.cell.value.as_ref().and_then(Value::as_dict).and_then(|dict| dict.get(name)).cloned();
        let mut log = self.cell.doc.log.borrow_mut();
        if let Some(asked) = log.asked.get_mut(&self.cell.path) {
            asked.insert(name.to_owned());
        }
        log.known.insert(layers::join(&self.pattern, name));
        Cell { path, value, ..self.cell.clone() }
    }

    fn below(&self, name: &str) -> String {
        layers::join(&self.pattern, name)
    }

    /// The table `[name]`.
    pub(super) fn table(&self, name: &str) -> Self {
        Self::new(self.key(name), self.below(name))
    }

    /// The table `[name]`, if it is there.
    pub(super) fn table_if_set(&self, name: &str) -> Option<Self> {
        let cell = self.key(name);
        cell.is_set().then(|| Self::new(cell, self.below(name)))
    }

    /// The tables `[[name]]`, in order.
    pub(super) fn tables(&self, name: &str) -> Vec<Self> {
        let cell = self.key(name);
        if let Origin::Named(variable) = cell.origin() {
            cell.doc.log.borrow_mut().problems.push(layers::not_from_here(&variable, name));
            return Vec::new();
        }
        match &cell.value {
            None => Vec::new(),
            Some(Value::Array(_, items)) => {
                let pattern = self.below(name) + "[]";
                let items = items.iter().enumerate();
                items.map(|(at, item)| Self::new(cell.item(at, item), pattern.clone())).collect()
            }
            Some(_) => {
                cell.wrong("this is not a list of tables", format!("write [[{name}]] with two brackets"));
                Vec::new()
            }
        }
    }

    /// The tables `[name.NAME]`, by their names.
    pub(super) fn named_tables(&self, name: &str) -> Vec<(String, Self)> {
        let all = self.table(name);
        let names = all.cell.value.as_ref().and_then(Value::as_dict).map(|dict| dict.keys().cloned());
        let pattern = self.below(name);
        names
            .into_iter()
            .flatten()
            .map(|key| {
                if let Some(asked) = all.cell.doc.log.borrow_mut().asked.get_mut(&all.cell.path) {
                    asked.insert(key.clone());
                }
                let value = all.cell.value.as_ref().and_then(Value::as_dict).and_then(|dict| dict.get(&key)).cloned();
                let cell = Cell { path: layers::join(&all.cell.path, &key), value, ..all.cell.clone() };
                (key, Self::new(cell, format!("{pattern}.NAME")))
            })
            .collect()
    }
}

/// One key of the configuration, or one item of a list: where it stands, and its value if it has one.
#[derive(Clone)]
pub(super) struct Cell<'d> {
    doc: &'d Doc,
    path: String,
    value: Option<Value>,
    quiet: bool,
    mute: bool,
}

impl<'d> Cell<'d> {
    /// Gives an absent key its built-in default.
    pub(super) fn or(mut self, default: impl Into<Value>) -> Self {
        // What is no table has no keys that could take a default.
        if !self.mute && self.value.is_none() {
            self.value = Some(default.into());
        }
        self
    }

    /// Makes an absent key a problem, with an example of what to write.
    pub(super) fn required(self, example: &str) -> Self {
        if !self.mute && self.value.is_none() {
            self.wrong("this key is required and missing", format!("add it, for example: {example}"));
        }
        self
    }

    /// Says the value in no message.
    pub(super) fn quiet(self) -> Self {
        Self { quiet: true, ..self }
    }

    pub(super) fn is_set(&self) -> bool {
        self.value.is_some()
    }

    pub(super) fn path(&self) -> &str {
        &self.path
    }

    pub(super) fn line(&self) -> Option<usize> {
        self.place().1
    }

    /// The directory from which relative paths in the file start.
    fn dir(&self) -> &'d Path {
        self.doc.file.parent().unwrap_or(Path::new(""))
    }

    /// The value, for a message; not when it might hold a secret.
    pub(super) fn said(&self) -> String {
        match &self.value {
            Some(value) if !self.quiet && !matches!(self.origin(), Origin::Named(_)) => {
                let text = render(value);
                if text.chars().count() <= 80 { text } else { text.chars().take(79).chain(['…']).collect() }
            }
            _ => "the value".into(),
        }
    }

    pub(super) fn wrong(&self, what: impl Into<String>, remedy: impl Into<String>) {
        let problem = self.problem(what.into(), remedy.into());
        self.doc.log.borrow_mut().problems.push(problem);
    }

    /// A doubt that forbids nothing.
    pub(super) fn note(&self, what: impl Into<String>, remedy: impl Into<String>) {
        let note = self.problem(what.into(), remedy.into());
        self.doc.log.borrow_mut().notes.push(note);
    }

    /// Says that the value is wrong.
    pub(super) fn refuse(&self, wrong: Wrong) {
        self.wrong(format!("{} {}", self.said(), wrong.what), wrong.remedy);
    }

    /// Keeps `value`, as it is shown to people.
    pub(super) fn show(&self, value: String) {
        if self.mute {
            return;
        }
        let source = match self.origin() {
            Origin::Default => "default".to_owned(),
            Origin::Named(name) => name,
            Origin::File => {
                let name = self.doc.file.file_name().unwrap_or_default().display();
                self.doc.layers.line(&self.path).map_or_else(|| name.to_string(), |line| format!("{name}:{line}"))
            }
        };
        self.doc.log.borrow_mut().shown.push(Shown { key: self.path.clone(), value, source });
    }

    /// A text that `parse` reads.
    pub(super) fn parse<T>(&self, parse: impl FnOnce(&str) -> Result<T, Wrong>) -> Option<T> {
        let text = self.string()?;
        let value = parse(&text).map_err(|wrong| self.refuse(wrong)).ok()?;
        self.show(format!("{text:?}"));
        Some(value)
    }

    /// One of the named values.
    pub(super) fn one_of<T: Copy>(&self, choices: &[(&str, T)]) -> Option<T> {
        self.parse(|text| {
            let found = choices.iter().find(|(name, _)| *name == text).map(|(_, value)| *value);
            found.ok_or_else(|| not_one_of(text, &choices.iter().map(|(name, _)| *name).collect::<Vec<_>>()))
        })
    }

    pub(super) fn duration(&self, bounds: RangeInclusive<Duration>) -> Option<Duration> {
        if let Some(Value::Num(..)) = self.value {
            self.refuse(Wrong::new("has no unit", units::DURATION));
            return None;
        }
        let text = self.string()?;
        let span = units::duration(&text, &bounds).map_err(|wrong| self.refuse(wrong)).ok()?;
        self.show(units::show(span));
        Some(span)
    }

    pub(super) fn integer(&self, bounds: RangeInclusive<u64>) -> Option<u64> {
        let value = self.value.as_ref()?;
        let Some(number) = whole_number(value) else {
            self.type_error("a whole number", "write it without quotes and without a point");
            return None;
        };
        match u64::try_from(number).ok().filter(|number| bounds.contains(number)) {
            Some(number) => {
                self.show(number.to_string());
                Some(number)
            }
            None => {
                let remedy = format!("write a number from {} to {}", bounds.start(), bounds.end());
                self.refuse(Wrong::new("is out of range", remedy));
                None
            }
        }
    }

    /// The same for the smaller types; the bounds fit.
    pub(super) fn number<T: TryFrom<u64>>(&self, bounds: RangeInclusive<u64>) -> Option<T> {
        self.integer(bounds).and_then(|number| T::try_from(number).ok())
    }

    pub(super) fn flag(&self) -> Option<bool> {
        let flag = self.value.as_ref()?.to_bool();
        match flag {
            Some(flag) => self.show(flag.to_string()),
            None => self.type_error("true or false", "write it without quotes"),
        }
        flag
    }

    /// A path; a relative one in the file starts at the file's directory.
    pub(super) fn file(&self) -> Option<PathBuf> {
        let text = self.string()?;
        if text.is_empty() {
            self.refuse(Wrong::new("is not a path", "write an absolute path"));
            return None;
        }
        let path = if self.origin() == Origin::File { self.dir().join(text) } else { PathBuf::from(text) };
        self.show(format!("{path:?}"));
        Some(path)
    }

    /// The items of a list.
    pub(super) fn list(&self) -> Option<Vec<Self>> {
        let value = self.value.as_ref()?;
        let Some(items) = value.as_array() else {
            self.type_error("a list", "write it in square brackets");
            return None;
        };
        self.show(render(value));
        // The list has been shown as a whole.
        let items = items.iter().enumerate();
        Some(items.map(|(at, item)| Self { mute: true, ..self.item(at, item) }).collect())
    }

    /// The text, without showing or keeping it.
    pub(super) fn string(&self) -> Option<String> {
        match self.value.as_ref()? {
            Value::String(_, text) => Some(text.clone()),
            Value::Char(_, letter) => Some(letter.to_string()),
            _ => {
                self.type_error("text", "write it in quotes");
                None
            }
        }
    }

    pub(super) fn is_table(&self) -> bool {
        self.value.as_ref().is_some_and(|value| value.as_dict().is_some() && !is_date(value))
    }

    pub(super) fn is_empty_list(&self) -> bool {
        matches!(&self.value, Some(Value::Array(_, items)) if items.is_empty())
    }

    pub(super) fn is_text(&self) -> bool {
        matches!(self.value, Some(Value::String(..) | Value::Char(..)))
    }

    fn item(&self, at: usize, value: &Value) -> Self {
        Self { path: format!("{}[{at}]", self.path), value: Some(value.clone()), ..self.clone() }
    }

    fn type_error(&self, needed: &str, remedy: &str) {
        let found = match self.value {
            Some(Value::String(..) | Value::Char(..)) => "text",
            Some(Value::Bool(..)) => "true or false",
            Some(Value::Num(_, number)) if number.to_f64().is_some() => "a fraction",
            Some(Value::Num(..)) => "a number",
            Some(Value::Array(..)) => "a list",
            Some(ref value) if is_date(value) => "a date",
            Some(Value::Dict(..)) => "a table",
            Some(Value::Empty(..)) | None => "nothing",
        };
        self.wrong(format!("{needed} is needed here, and this is {found}"), remedy);
    }

    fn origin(&self) -> Origin {
        self.value.as_ref().map_or(Origin::Default, |value| self.doc.layers.origin(value))
    }

    fn place(&self) -> (String, Option<usize>) {
        let lines = &self.doc.layers;
        // A table that stands in the file stays there, whichever layer set one of its keys.
        let is_table = self.value.as_ref().is_some_and(|value| value.as_dict().is_some());
        match self.origin() {
            Origin::Named(name) if !(is_table && lines.lines.contains_key(&self.path)) => (name, None),
            _ => (self.doc.file.display().to_string(), lines.line(&self.path)),
        }
    }

    fn problem(&self, what: String, remedy: String) -> Problem {
        let (file, line) = self.place();
        Problem { file, line, key: self.path.clone(), what, remedy }
    }
}

/// The problem of a word that is none of `choices`.
pub(super) fn not_one_of(word: &str, choices: &[&str]) -> Wrong {
    let named: Vec<_> = choices.iter().map(|name| format!("{name:?}")).collect();
    let remedy = nearest(word, choices.iter().copied()).map(|near| format!("did you mean {near:?}?"));
    let what = if named.len() == 1 { "is not" } else { "is not one of" };
    Wrong::new(format!("{what} {}", named.join(", ")), remedy.unwrap_or_default())
}

/// The TOML parser hands a date over as a table with one private key.
fn is_date(value: &Value) -> bool {
    value.as_dict().is_some_and(|dict| dict.keys().any(|key| key.starts_with("$__toml_private")))
}

fn whole_number(value: &Value) -> Option<i128> {
    let number = value.to_num()?;
    // figment keeps the sign apart; what exceeds i128 is out of any range.
    number.to_i128().or_else(|| number.to_u128().map(|number| i128::try_from(number).unwrap_or(i128::MAX)))
}

fn render(value: &Value) -> String {
    match value {
        Value::String(_, text) => format!("{text:?}"),
        Value::Char(_, letter) => format!("{:?}", letter.to_string()),
        Value::Bool(_, flag) => flag.to_string(),
        Value::Num(_, number) => match whole_number(value) {
            Some(number) => number.to_string(),
            None => number.to_f64().map(|number| format!("{number:?}")).unwrap_or_default(),
        },
        Value::Empty(..) => String::new(),
        Value::Array(_, items) => format!("[{}]", items.iter().map(render).collect::<Vec<_>>().join(", ")),
        Value::Dict(_, dict) => {
            let pairs: Vec<_> = dict.iter().map(|(key, value)| format!("{key} = {}", render(value))).collect();
            format!("{{ {} }}", pairs.join(", "))
        }
    }
}
