//! One key of the configuration: where it stands, and its value read as the type that is needed.

use std::borrow::Cow;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::time::Duration;

use figment::value::Value;

use super::layers::Origin;
use super::led::{Led, To};
use super::load::Shown;
use super::problem::Problem;
use super::reader::{Doc, nearest};
use super::units::{self, Wrong};

/// One key of the configuration, or one item of a list: where it stands, and its value if it has one.
#[derive(Clone)]
pub(super) struct Cell<'d> {
    pub(super) doc: &'d Doc,
    pub(super) path: String,
    /// Lent by the document, unless it is a default: a list may be most of a large one.
    pub(super) value: Option<Cow<'d, Value>>,
    /// Whether no message may say the value.
    pub(super) quiet: bool,
    /// Whether nothing is shown, nothing is missing and no default taken.
    pub(super) mute: bool,
}

impl<'d> Cell<'d> {
    /// Gives an absent key its built-in default.
    pub(super) fn or(mut self, default: impl Into<Value>) -> Self {
        // What is no table has no keys that could take a default.
        if !self.mute && self.value.is_none() {
            self.value = Some(Cow::Owned(default.into()));
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
        match self.value.as_deref() {
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

    /// Keeps what this key leads to, to be looked at.
    pub(super) fn leads(&self, to: To) {
        let at = self.problem(String::new(), String::new());
        self.doc.log.borrow_mut().led.push(Led { at, to });
    }

    /// Keeps that this key names a program and its arguments.
    pub(super) fn leads_to_program(&self, words: Vec<String>) {
        let quiet = self.quiet || matches!(self.origin(), Origin::Named(_));
        self.leads(To::Program { words, quiet });
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
        let value = self.parse_hidden(parse)?;
        self.show(format!("{:?}", self.string()?));
        Some(value)
    }

    /// A text that `parse` reads, and that no error shows: whoever calls it shows what may be seen.
    pub(super) fn parse_hidden<T>(&self, parse: impl FnOnce(&str) -> Result<T, Wrong>) -> Option<T> {
        let text = self.string()?;
        parse(&text).map_err(|wrong| self.refuse(wrong)).ok()
    }

    /// One of the named values.
    pub(super) fn one_of<T: Copy>(&self, choices: &[(&str, T)]) -> Option<T> {
        self.parse(|text| {
            let found = choices.iter().find(|(name, _)| *name == text).map(|(_, value)| *value);
            found.ok_or_else(|| not_one_of(text, &choices.iter().map(|(name, _)| *name).collect::<Vec<_>>()))
        })
    }

    pub(super) fn duration(&self, bounds: RangeInclusive<Duration>) -> Option<Duration> {
        if let Some(Value::Num(..)) = self.value.as_deref() {
            self.refuse(Wrong::new("has no unit", units::DURATION));
            return None;
        }
        let text = self.string()?;
        let span = units::duration(&text, &bounds).map_err(|wrong| self.refuse(wrong)).ok()?;
        self.show(units::show(span));
        Some(span)
    }

    pub(super) fn integer(&self, bounds: RangeInclusive<u64>) -> Option<u64> {
        let value = self.value.as_deref()?;
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

    /// A whole number within `bounds`, which fit the type.
    pub(super) fn number<T: TryFrom<u64>>(&self, bounds: RangeInclusive<u64>) -> Option<T> {
        self.integer(bounds).and_then(|number| T::try_from(number).ok())
    }

    pub(super) fn flag(&self) -> Option<bool> {
        let flag = self.value.as_deref()?.to_bool();
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
        let value = self.value.as_deref()?;
        let Some(items) = self.items() else {
            self.type_error("a list", "write it in square brackets");
            return None;
        };
        self.show(render(value));
        // The list has been shown as a whole.
        Some(items.into_iter().map(|item| Self { mute: true, ..item }).collect())
    }

    /// The text, without showing or keeping it.
    pub(super) fn string(&self) -> Option<String> {
        match self.value.as_deref()? {
            Value::String(_, text) => Some(text.clone()),
            Value::Char(_, letter) => Some(letter.to_string()),
            _ => {
                self.type_error("text", "write it in quotes");
                None
            }
        }
    }

    pub(super) fn is_table(&self) -> bool {
        self.value.as_deref().is_some_and(|value| value.as_dict().is_some() && !is_date(value))
    }

    pub(super) fn is_empty_list(&self) -> bool {
        matches!(self.value.as_deref(), Some(Value::Array(_, items)) if items.is_empty())
    }

    pub(super) fn is_text(&self) -> bool {
        matches!(self.value.as_deref(), Some(Value::String(..) | Value::Char(..)))
    }

    /// Another cell that is read as this one is.
    pub(super) fn beside(&self, path: String, value: Option<Cow<'d, Value>>) -> Self {
        Self { doc: self.doc, path, value, quiet: self.quiet, mute: self.mute }
    }

    /// The value of `key`, when this is a table that has it.
    pub(super) fn value_of(&self, key: &str) -> Option<Cow<'d, Value>> {
        match self.value.as_ref()? {
            Cow::Borrowed(value) => value.as_dict()?.get(key).map(Cow::Borrowed),
            Cow::Owned(value) => value.as_dict()?.get(key).cloned().map(Cow::Owned),
        }
    }

    /// The items, when this is a list.
    pub(super) fn items(&self) -> Option<Vec<Self>> {
        let items: Vec<Cow<'d, Value>> = match self.value.as_ref()? {
            Cow::Borrowed(value) => value.as_array()?.iter().map(Cow::Borrowed).collect(),
            Cow::Owned(value) => value.as_array()?.iter().cloned().map(Cow::Owned).collect(),
        };
        let item = |(at, item)| self.beside(format!("{}[{at}]", self.path), Some(item));
        Some(items.into_iter().enumerate().map(item).collect())
    }

    pub(super) fn type_error(&self, needed: &str, remedy: &str) {
        let found = match self.value.as_deref() {
            Some(Value::String(..) | Value::Char(..)) => "text",
            Some(Value::Bool(..)) => "true or false",
            Some(Value::Num(_, number)) if number.to_f64().is_some() => "a fraction",
            Some(Value::Num(..)) => "a number",
            Some(Value::Array(..)) => "a list",
            Some(value) if is_date(value) => "a date",
            Some(Value::Dict(..)) => "a table",
            Some(Value::Empty(..)) | None => "nothing",
        };
        self.wrong(format!("{needed} is needed here, and this is {found}"), remedy);
    }

    pub(super) fn origin(&self) -> Origin {
        self.value.as_deref().map_or(Origin::Default, |value| self.doc.layers.origin(value))
    }

    fn place(&self) -> (String, Option<usize>) {
        let lines = &self.doc.layers;
        // A table that stands in the file stays there, whichever layer set one of its keys.
        let is_table = self.value.as_deref().is_some_and(|value| value.as_dict().is_some());
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
