//! A typed reader over the merged layers, so that each key is named once in the program.
//!
//! It never stops: what is wrong is written down with its file, line and key, and the reading goes on. It remembers
//! which keys were asked for; in the end every other key is a problem. It keeps what was read, for `config show`.
//!
//! A reading of something wrong or absent gives `None`; the caller need not tell these apart, since a configuration
//! with a problem is never used.

use std::borrow::Cow;
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use figment::value::{Dict, Value};

use super::cell::Cell;
use super::layers::{self, Layers, Origin};
use super::led::Led;
use super::load::Shown;
use super::problem::Problem;

/// The configuration as it was written, and what the reading of it has found so far.
pub(super) struct Doc {
    pub(super) layers: Layers,
    pub(super) file: PathBuf,
    pub(super) log: RefCell<Log>,
}

#[derive(Default)]
pub(super) struct Log {
    pub(super) problems: Vec<Problem>,
    pub(super) notes: Vec<Problem>,
    pub(super) shown: Vec<Shown>,
    /// What the configuration leads to.
    pub(super) led: Vec<Led>,
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
        let value = Some(Cow::Borrowed(&self.layers.merged));
        Table::new(Cell { doc: self, path: String::new(), value, quiet: false, mute: false }, "")
    }

    /// What was shown of the keys below `path`.
    pub(super) fn shown_below(&self, path: &str) -> Vec<Shown> {
        let below = |key: &str| key.strip_prefix(path).is_some_and(|rest| rest.starts_with('.'));
        self.log.borrow().shown.iter().filter(|shown| below(&shown.key)).cloned().collect()
    }

    /// Takes in what the reading of another file has found.
    pub(super) fn adopt(&self, found: Findings) {
        let mut log = self.log.borrow_mut();
        log.problems.extend(found.problems);
        log.notes.extend(found.notes);
    }

    /// Ends the reading: the keys that nobody asked for join the problems, which are then in the order of the file.
    pub(super) fn finish(self) -> Findings {
        if let Some(root) = self.layers.merged.as_dict() {
            self.search(root, "");
        }
        let mut log = self.log.into_inner();
        let file = self.file.display().to_string();
        let place = |problem: &Problem| (problem.line.is_none(), problem.file != file, problem.line);
        log.problems.sort_by_key(place);
        log.notes.sort_by_key(place);
        Findings { problems: log.problems, notes: log.notes, shown: log.shown, known: log.known }
    }

    fn search(&self, table: &Dict, path: &str) {
        let Some(asked) = self.log.borrow().asked.get(path).cloned() else { return };
        for (key, value) in table {
            let path = layers::join(path, key);
            if !asked.contains(key) {
                let value = Some(Cow::Borrowed(value));
                let cell = Cell { doc: self, path, value, quiet: false, mute: false };
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
        let value = self.cell.value_of(name);
        let mut log = self.cell.doc.log.borrow_mut();
        if let Some(asked) = log.asked.get_mut(&self.cell.path) {
            asked.insert(name.to_owned());
        }
        log.known.insert(layers::join(&self.pattern, name));
        self.cell.beside(path, value)
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
        match (cell.is_set(), cell.items()) {
            (false, _) => Vec::new(),
            (true, Some(items)) => {
                let pattern = self.below(name) + "[]";
                items.into_iter().map(|item| Self::new(item, pattern.clone())).collect()
            }
            (true, None) => {
                cell.wrong("this is not a list of tables", format!("write [[{name}]] with two brackets"));
                Vec::new()
            }
        }
    }

    /// All keys of this table, whatever their names.
    pub(super) fn entries(&self) -> Vec<(String, Cell<'d>)> {
        let dict = self.cell.value.as_deref().and_then(Value::as_dict);
        let names: Vec<String> = dict.map(|dict| dict.keys().cloned().collect()).unwrap_or_default();
        let cells = names.into_iter().map(|name| {
            if let Some(asked) = self.cell.doc.log.borrow_mut().asked.get_mut(&self.cell.path) {
                asked.insert(name.clone());
            }
            let cell = self.cell.beside(layers::join(&self.cell.path, &name), self.cell.value_of(&name));
            (name, cell)
        });
        cells.collect()
    }

    /// The tables `[name.NAME]`, by their names.
    pub(super) fn named_tables(&self, name: &str) -> Vec<(String, Self)> {
        let pattern = self.below(name) + ".NAME";
        let entries = self.table(name).entries().into_iter();
        entries.map(|(key, cell)| (key, Self::new(cell, pattern.clone()))).collect()
    }
}
