//! The layers of a configuration, laid over each other by figment: the file, then `FINGERPOST_` variables, then
//! options. (The lowest layer, the built-in defaults, stands where each key is read.) Every value keeps the tag of
//! the layer it came from, and every key of the file its line.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::io;
use std::ops::Range;
use std::path::Path;

use figment::providers::{Format, Toml};
use figment::value::{Dict, Map, Tag, Value};
use figment::{Figment, Metadata, Profile, Provider};
use toml_edit::{Array, ImDocument, InlineTable, Item, Key, Table};

use super::load::Sources;
use super::problem::{ConfigError, Problem};
use crate::files::{self, Astray, Errand};

/// Ten thousand records are a megabyte; a file far beyond that is a mistake in the name.
const MAX_FILE: u64 = 8 << 20;
/// More levels than any key has.
const MAX_DEPTH: usize = 64;
const PREFIX: &str = "FINGERPOST_";
/// The name of the file's layer; no variable and no option is called so.
const FILE: &str = "file";

/// What all layers together say.
pub(super) struct Layers {
    /// By its tag, the layer of every value.
    origins: HashMap<Tag, Origin>,
    /// The topmost value of every key.
    pub(super) merged: Value,
    /// The line of every key and table of the file, by its path.
    pub(super) lines: HashMap<String, usize>,
    /// What was wrong with the layers themselves.
    pub(super) problems: Vec<Problem>,
}

/// Where a value came from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Origin {
    Default,
    File,
    /// An environment variable or an option, by its name.
    Named(String),
}

impl Layers {
    pub(super) fn read(sources: &Sources) -> Result<Self, ConfigError> {
        let text = read_file(&sources.file)?;
        let file = sources.file.display().to_string();
        let broken = |line, what: String| {
            ConfigError::Invalid(vec![Problem {
                file: file.clone(),
                line,
                key: String::new(),
                what,
                remedy: String::new(),
            }])
        };
        // The parser's own Display quotes the line, which may hold a secret: only its message is passed on.
        let document = ImDocument::parse(text.as_str()).map_err(|error| {
            let at = error.span().map_or(0, |span| span.start);
            let before = text.get(..at).unwrap_or_default();
            let column = before.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
            let message = error.message().trim().replace('\n', ", ");
            broken(Some(line_of(&text, at)), format!("column {column}: not TOML: {message}"))
        })?;
        let mut lines = HashMap::new();
        let breaks: Vec<usize> = text.match_indices('\n').map(|(at, _)| at).collect();
        note_table(document.as_table(), "", &breaks, &mut lines);
        // It is many times the size of the text.
        drop(document);
        let base = toml(&text).ok_or_else(|| broken(None, "not TOML that can be laid over".into()))?;

        let lists: BTreeSet<_> = base.iter().filter(|(_, v)| is_list_of_tables(v)).map(|(k, _)| k.clone()).collect();
        let mut problems = Vec::new();
        let mut figment = Figment::new().merge(Layer { name: FILE.into(), dict: base });
        let variables = sources.env.iter().filter(|(name, _)| name.starts_with(PREFIX));
        let variables: BTreeMap<_, _> = variables.map(|(name, value)| (name, value)).collect();
        for (name, value) in variables {
            let path = segments(name);
            if path.iter().any(String::is_empty) || path.len() > MAX_DEPTH {
                let what = "this variable names no key".into();
                let remedy =
                    "write FINGERPOST_, the table, two underscores and the key: FINGERPOST_WATCH__EVERY".into();
                problems.push(Problem { file: name.clone(), line: None, key: String::new(), what, remedy });
            } else if let Some(list) = path.first().filter(|key| lists.contains(*key)) {
                problems.push(not_from_here(name, list));
            } else {
                figment = figment.merge(Layer { name: name.clone(), dict: nest(&path, value) });
            }
        }
        if let Some(dir) = &sources.state_dir {
            let dict = Dict::from([("state_dir".to_owned(), Value::from(dir.to_string_lossy().into_owned()))]);
            figment = figment.merge(Layer { name: "--state-dir".into(), dict });
        }
        let merged =
            figment.data().ok().and_then(|mut profiles| profiles.remove(&Profile::Default)).unwrap_or_default();
        let merged = Value::from(merged);
        let mut origins = HashMap::new();
        note_origins(&figment, &merged, &mut origins);
        Ok(Self { origins, merged, lines, problems })
    }

    pub(super) fn origin(&self, value: &Value) -> Origin {
        self.origins.get(&value.tag()).cloned().unwrap_or(Origin::Default)
    }

    /// The line of `path`, or of the nearest table around it.
    pub(super) fn line(&self, path: &str) -> Option<usize> {
        let mut path = path;
        loop {
            if let Some(line) = self.lines.get(path) {
                return Some(*line);
            }
            path = &path[..path.rfind(['.', '['])?];
        }
    }
}

/// The problem of a variable that reaches for a list of tables.
pub(super) fn not_from_here(variable: &str, key: &str) -> Problem {
    Problem {
        file: variable.to_owned(),
        line: None,
        key: key.to_owned(),
        what: "a list of tables cannot be set from the environment".into(),
        remedy: format!("write it in the file, as [[{key}]]"),
    }
}

/// Joins a table's path and a key: the key is quoted when TOML would have it so.
pub(super) fn join(path: &str, key: &str) -> String {
    let bare = !key.is_empty() && key.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_');
    let key = if bare { key.to_owned() } else { format!("{key:?}") };
    if path.is_empty() { key } else { format!("{path}.{key}") }
}

fn read_file(file: &Path) -> Result<String, ConfigError> {
    let fail = |source| ConfigError::Unreadable { file: file.to_owned(), source };
    let bytes = files::read(file, Errand::Read, MAX_FILE).map_err(|error| match Astray::behind(&error) {
        Some(Astray::Long(_)) => fail(io::Error::new(io::ErrorKind::FileTooLarge, "more than 8 MiB")),
        _ => fail(error),
    })?;
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        ConfigError::Invalid(vec![Problem {
            file: file.display().to_string(),
            line: Some(error.as_bytes()[..at].iter().filter(|b| **b == b'\n').count() + 1),
            key: String::new(),
            what: "not UTF-8".into(),
            remedy: "save it as UTF-8".into(),
        }])
    })
}

/// One layer, under one name.
struct Layer {
    name: String,
    dict: Dict,
}

impl Provider for Layer {
    fn metadata(&self) -> Metadata {
        Metadata::named(self.name.clone())
    }

    fn data(&self) -> Result<Map<Profile, Dict>, figment::Error> {
        Ok(Profile::Default.collect(self.dict.clone()))
    }
}

/// The key path that a variable names. A shell cannot write `-` in a name: where a provider is named, `_` is read as it
/// (no provider's name holds `_`).
fn segments(variable: &str) -> Vec<String> {
    let name = variable.strip_prefix(PREFIX).unwrap_or(variable).to_ascii_lowercase();
    let mut path: Vec<String> = name.split("__").map(str::to_owned).collect();
    if let [table, provider, ..] = path.as_mut_slice()
        && table == "provider"
    {
        *provider = provider.replace('_', "-");
    }
    path
}

fn nest(path: &[String], text: &str) -> Dict {
    let nested = path.iter().rev().fold(value(text), |value, key| Value::from(Dict::from([(key.clone(), value)])));
    nested.into_dict().unwrap_or_default()
}

/// A variable's text is a TOML value where it can be read as one, and plain text otherwise. (figment's own reading of
/// variables, in 0.10.19, panics on an escape behind a letter that is not ASCII, and follows brackets to the end of the
/// stack.)
fn value(text: &str) -> Value {
    let mut read = toml(&format!("value = {text}")).unwrap_or_default();
    match read.remove("value") {
        Some(value) if read.is_empty() => value,
        _ => Value::from(text),
    }
}

fn toml(text: &str) -> Option<Dict> {
    Toml::string(text).data().ok()?.remove(&Profile::Default)
}

fn is_list_of_tables(value: &Value) -> bool {
    value.as_array().is_some_and(|items| items.iter().any(|item| item.as_dict().is_some()))
}

fn line_of(text: &str, at: usize) -> usize {
    text.bytes().take(at).filter(|b| *b == b'\n').count() + 1
}

fn note_origins(figment: &Figment, value: &Value, origins: &mut HashMap<Tag, Origin>) {
    if let Some(metadata) = figment.get_metadata(value.tag()) {
        origins.entry(value.tag()).or_insert_with(|| match metadata.name == FILE {
            true => Origin::File,
            false => Origin::Named(metadata.name.clone().into_owned()),
        });
    }
    match value {
        Value::Dict(_, dict) => dict.values().for_each(|value| note_origins(figment, value, origins)),
        Value::Array(_, items) => items.iter().for_each(|value| note_origins(figment, value, origins)),
        _ => {}
    }
}

type Lines = HashMap<String, usize>;

fn note(key: Option<&Key>, span: Option<Range<usize>>, path: &str, breaks: &[usize], lines: &mut Lines) {
    if let Some(span) = key.and_then(Key::span).or(span) {
        lines.insert(path.to_owned(), breaks.partition_point(|at| *at < span.start) + 1);
    }
}

fn note_table(table: &Table, path: &str, breaks: &[usize], lines: &mut Lines) {
    for (name, item) in table.iter() {
        let path = join(path, name);
        note(table.key(name), item.span(), &path, breaks, lines);
        match item {
            Item::Table(inner) => note_table(inner, &path, breaks, lines),
            Item::ArrayOfTables(tables) => {
                for (at, inner) in tables.iter().enumerate() {
                    let path = format!("{path}[{at}]");
                    note(None, inner.span(), &path, breaks, lines);
                    note_table(inner, &path, breaks, lines);
                }
            }
            Item::Value(value) => note_value(value, &path, breaks, lines),
            Item::None => {}
        }
    }
}

fn note_value(value: &toml_edit::Value, path: &str, breaks: &[usize], lines: &mut Lines) {
    match value {
        toml_edit::Value::InlineTable(inner) => note_inline(inner, path, breaks, lines),
        toml_edit::Value::Array(items) => note_array(items, path, breaks, lines),
        _ => {}
    }
}

fn note_inline(table: &InlineTable, path: &str, breaks: &[usize], lines: &mut Lines) {
    for (name, value) in table.iter() {
        let path = join(path, name);
        note(table.key(name), value.span(), &path, breaks, lines);
        note_value(value, &path, breaks, lines);
    }
}

fn note_array(items: &Array, path: &str, breaks: &[usize], lines: &mut Lines) {
    for (at, value) in items.iter().enumerate() {
        let path = format!("{path}[{at}]");
        note(None, value.span(), &path, breaks, lines);
        note_value(value, &path, breaks, lines);
    }
}
