//! JSON bodies with variables in their strings. Pure.
//!
//! A string that is one variable, such as `"{ttl}"`, becomes that variable's JSON value; within longer text the
//! variable's text is put in. `{{` and `}}` stand for the braces themselves. Everything else is sent as it was written.

use std::collections::BTreeMap;

use serde_json::value::RawValue;

use super::json::{Object, list, string};

/// Levels of a body: far more than any has, and few enough to follow.
const MAX_DEPTH: usize = 32;

/// A value for a variable.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Var {
    /// In a URI, or within longer text; `None` when it has no such form.
    text: Option<String>,
    /// As a JSON value.
    json: String,
}

impl Var {
    /// A text.
    pub fn text(text: impl Into<String>) -> Self {
        let text = text.into();
        Self { json: string(&text), text: Some(text) }
    }

    /// A value of JSON; a string or a number also has a text.
    pub fn json(json: &RawValue) -> Self {
        Self { json: json.get().to_owned(), text: super::json::text(json) }
    }

    /// A number or a truth value.
    pub fn plain(value: impl ToString) -> Self {
        Self { text: Some(value.to_string()), json: value.to_string() }
    }

    /// A list of JSON values.
    pub fn list(items: impl IntoIterator<Item = String>) -> Self {
        Self { text: None, json: format!("[{}]", items.into_iter().collect::<Vec<_>>().join(",")) }
    }
}

/// The variables of one request, by name.
#[derive(Clone, Debug, Default)]
pub struct Vars(BTreeMap<String, Var>);

impl Vars {
    /// The variables with `name` besides.
    pub fn with(mut self, name: &str, value: Var) -> Self {
        self.0.insert(name.to_owned(), value);
        self
    }

    /// A variable's text.
    pub fn text(&self, name: &str) -> Option<String> {
        self.0.get(name)?.text.clone()
    }
}

/// A body with variables, read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Body(Node);

#[derive(Clone, Debug, PartialEq, Eq)]
enum Node {
    /// Numbers, truth values and null, as written.
    Plain(String),
    Text(Text),
    List(Vec<Node>),
    Object(Vec<(String, Node)>),
}

/// A text with variables.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Text(Vec<Piece>);

#[derive(Clone, Debug, PartialEq, Eq)]
enum Piece {
    Literal(String),
    Var(String),
}

impl Body {
    /// Reads a body.
    ///
    /// # Errors
    /// What is wrong with it: a clause that follows the text.
    pub fn parse(text: &str) -> Result<Self, String> {
        let json: &RawValue = serde_json::from_str(text).map_err(|error| format!("is not JSON: {error}"))?;
        Ok(Self(node(json, MAX_DEPTH)?))
    }

    /// The names of its variables, with whether each stands in longer text.
    pub fn variables(&self) -> Vec<(&str, bool)> {
        let mut found = Vec::new();
        self.0.variables(&mut found);
        found
    }

    /// The JSON to send. A variable without a value is null; the description's check leaves none.
    pub fn render(&self, vars: &Vars) -> String {
        let mut out = String::new();
        self.0.render(vars, &mut out);
        out
    }
}

fn node(json: &RawValue, depth: usize) -> Result<Node, String> {
    let depth = depth.checked_sub(1).ok_or_else(|| format!("is more than {MAX_DEPTH} levels deep"))?;
    let text = json.get();
    match text.bytes().next() {
        Some(b'{') => {
            let Object(members) = serde_json::from_str(text).map_err(|error| format!("is not JSON: {error}"))?;
            let members = members.into_iter().map(|(name, value)| Ok((name, node(value, depth)?)));
            Ok(Node::Object(members.collect::<Result<_, String>>()?))
        }
        Some(b'[') => {
            let items = list(json).unwrap_or_default().into_iter().map(|item| node(item, depth));
            Ok(Node::List(items.collect::<Result<_, _>>()?))
        }
        Some(b'"') => {
            let text: String = serde_json::from_str(text).map_err(|error| format!("is not JSON: {error}"))?;
            Ok(Node::Text(Text::parse(&text)?))
        }
        _ => Ok(Node::Plain(text.to_owned())),
    }
}

impl Node {
    fn variables<'n>(&'n self, found: &mut Vec<(&'n str, bool)>) {
        match self {
            Self::Plain(_) => {}
            Self::Text(text) => found.extend(text.variables()),
            Self::List(items) => items.iter().for_each(|item| item.variables(found)),
            Self::Object(members) => members.iter().for_each(|(_, member)| member.variables(found)),
        }
    }

    fn render(&self, vars: &Vars, out: &mut String) {
        let mut separator = "";
        match self {
            Self::Plain(text) => out.push_str(text),
            Self::Text(Text(pieces)) => match pieces.as_slice() {
                [Piece::Var(name)] => out.push_str(vars.0.get(name).map_or("null", |var| &var.json)),
                _ => out.push_str(&string(&Text(pieces.clone()).render(vars))),
            },
            Self::List(items) => {
                out.push('[');
                for item in items {
                    out.push_str(separator);
                    item.render(vars, out);
                    separator = ",";
                }
                out.push(']');
            }
            Self::Object(members) => {
                out.push('{');
                for (name, member) in members {
                    out.push_str(separator);
                    out.push_str(&string(name));
                    out.push(':');
                    member.render(vars, out);
                    separator = ",";
                }
                out.push('}');
            }
        }
    }
}

impl Text {
    /// Reads a text.
    ///
    /// # Errors
    /// What is wrong with it: a clause that follows the text.
    pub fn parse(text: &str) -> Result<Self, String> {
        let mut pieces = Vec::new();
        let mut literal = String::new();
        let mut rest = text;
        while let Some(at) = rest.find(['{', '}']) {
            let (before, from) = rest.split_at(at);
            literal += before;
            if let Some(after) = from.strip_prefix("{{") {
                literal.push('{');
                rest = after;
            } else if let Some(after) = from.strip_prefix("}}") {
                literal.push('}');
                rest = after;
            } else {
                let inner =
                    from.strip_prefix('{').ok_or("has a '}' without its '{' (the sign itself is written \"}}\")")?;
                let (name, after) =
                    inner.split_once('}').ok_or("has a '{' without its '}' (the sign itself is written \"{{\")")?;
                if !literal.is_empty() {
                    pieces.push(Piece::Literal(std::mem::take(&mut literal)));
                }
                pieces.push(Piece::Var(name.to_owned()));
                rest = after;
            }
        }
        literal += rest;
        if !literal.is_empty() || pieces.is_empty() {
            pieces.push(Piece::Literal(literal));
        }
        Ok(Self(pieces))
    }

    /// The names of its variables, with whether each stands in longer text.
    pub fn variables(&self) -> impl Iterator<Item = (&str, bool)> {
        let longer = self.0.len() > 1;
        self.0.iter().filter_map(move |piece| match piece {
            Piece::Var(name) => Some((name.as_str(), longer)),
            Piece::Literal(_) => None,
        })
    }

    /// The text, with the variables put in.
    pub fn render(&self, vars: &Vars) -> String {
        let piece = |piece: &Piece| match piece {
            Piece::Literal(text) => text.clone(),
            Piece::Var(name) => vars.text(name).unwrap_or_default(),
        };
        self.0.iter().map(piece).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::json::raw;
    use super::*;
    use crate::testing::like;
    use proptest::prelude::*;

    fn vars() -> Vars {
        Vars::default()
            .with("name", Var::text("gauge.heronmill.example"))
            .with("ttl", Var::plain(120))
            .with("addresses", Var::list(["203.0.113.7", "203.0.113.8"].map(string)))
            .with("record_id", Var::json(&raw("12345678901234567890123".into()).unwrap()))
            .with("quote", Var::text("a\"b\\c\n{ttl}"))
    }

    #[test]
    fn a_string_that_is_one_variable_becomes_its_value() {
        for (template, json) in [
            (
                r#"{"name": "{name}.", "ttl": "{ttl}", "keep": 1.50}"#,
                r#"{"name":"gauge.heronmill.example.","ttl":120,"keep":1.50}"#,
            ),
            (
                r#"["{addresses}", "{record_id}", "id {record_id}"]"#,
                r#"[["203.0.113.7","203.0.113.8"],12345678901234567890123,"id 12345678901234567890123"]"#,
            ),
            (r#"{"b": true, "a": null, "{name}": "{{ttl}}"}"#, r#"{"b":true,"a":null,"{name}":"{ttl}"}"#),
            // A value is never read again for variables, and cannot leave its string.
            (r#""{quote}""#, r#""a\"b\\c\n{ttl}""#),
            (r#""<{quote}>""#, r#""<a\"b\\c\n{ttl}>""#),
            ("\"\"", "\"\""),
        ] {
            assert_eq!(Body::parse(template).unwrap().render(&vars()), json, "{template}");
        }
        let body = Body::parse(r#"{"a": ["{x}", "{y}z"]}"#).unwrap();
        assert_eq!(body.variables(), [("x", false), ("y", true)]);
    }

    #[test]
    fn what_is_no_body_is_refused() {
        for text in ["", "{", "{\"a\": \"{b\"}", "{\"a\": \"b}\"}", "[1,]", "{} {}"] {
            assert!(Body::parse(text).is_err(), "{text}");
        }
        let deep = format!("{}{}", "[".repeat(100_000), "]".repeat(100_000));
        assert_eq!(Body::parse(&deep), Err("is more than 32 levels deep".into()));
    }

    proptest! {
        #[test]
        fn whatever_the_values_hold_the_body_stays_json(value in like(".{0,20}"), template in like(r#"[a-z{}" ]{0,12}"#)) {
            let vars = Vars::default().with("a", Var::text(value.clone()));
            let body = Body::parse(r#"{"a": "{a}", "b": "x{a}y"}"#).unwrap().render(&vars);
            let read: serde_json::Value = serde_json::from_str(&body).unwrap();
            prop_assert_eq!(&read, &serde_json::json!({ "a": value, "b": format!("x{value}y") }));
            let _ = Text::parse(&template).map(|text| text.render(&vars));
        }
    }
}
