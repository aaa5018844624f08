//! JSON as it was written: found and changed by JSON Pointer (RFC 6901), the rest byte for byte. Pure.
//!
//! What is not ours stays text, so numbers of any size, unknown keys and their order survive. The JSON library's switch
//! for exact numbers would do part of this, and change every other room's numbers with it.

use std::fmt;

use serde::de::{Deserialize, Deserializer, Error as _, MapAccess, Visitor};
use serde_json::value::RawValue;

/// A JSON Pointer; the empty one is the whole document.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Pointer(Vec<String>);

impl Pointer {
    /// Reads a pointer in its string form (RFC 6901, section 3).
    ///
    /// # Errors
    /// What is wrong with it: a clause that follows the text.
    pub fn parse(text: &str) -> Result<Self, &'static str> {
        let Some(rest) = text.strip_prefix('/') else {
            return if text.is_empty() { Ok(Self::default()) } else { Err("does not begin with '/'") };
        };
        if text.split('~').skip(1).any(|rest| !rest.starts_with(['0', '1'])) {
            return Err("has a '~' that is neither ~0 nor ~1");
        }
        // In this order, or "~01" would become "/" (RFC 6901, section 4).
        Ok(Self(rest.split('/').map(|token| token.replace("~1", "/").replace("~0", "~")).collect()))
    }

    /// What it points at in `json`, if that is there.
    pub fn find<'j>(&self, json: &'j RawValue) -> Option<&'j RawValue> {
        self.0.iter().try_fold(json, |json, token| {
            if let Ok(Object(members)) = serde_json::from_str(json.get()) {
                // Of two members with one name most readers take the last (RFC 8259, section 4).
                return members.into_iter().rev().find(|(name, _)| name == token).map(|(_, value)| value);
            }
            list(json)?.into_iter().nth(index(token)?)
        })
    }

    /// The places above this one, the nearest first; the last is the whole document.
    pub fn above(&self) -> impl Iterator<Item = Self> {
        (0..self.0.len()).rev().filter_map(|length| self.0.get(..length).map(|tokens| Self(tokens.to_vec())))
    }

    /// `json` with `value` where this points; a member that is missing in an object is added.
    ///
    /// `None` when there is no place for it.
    pub fn set(&self, json: &RawValue, value: &RawValue) -> Option<Box<RawValue>> {
        raw(put(&self.0, json, value)?)
    }
}

/// An index of a list: no sign, no leading zero (RFC 6901, section 4).
fn index(token: &str) -> Option<usize> {
    let plain = token == "0" || (!token.starts_with('0') && token.bytes().all(|b| b.is_ascii_digit()));
    token.parse().ok().filter(|_| plain)
}

fn put(tokens: &[String], json: &RawValue, value: &RawValue) -> Option<String> {
    let Some((token, rest)) = tokens.split_first() else { return Some(value.get().to_owned()) };
    if let Ok(Object(members)) = serde_json::from_str::<Object<'_>>(json.get()) {
        let mut found = false;
        let mut parts = Vec::new();
        for (name, member) in &members {
            let text = if name == token {
                found = true;
                put(rest, member, value)?
            } else {
                member.get().to_owned()
            };
            parts.push(format!("{}:{text}", string(name)));
        }
        if !found {
            let empty = RawValue::from_string("{}".to_owned()).ok()?;
            parts.push(format!("{}:{}", string(token), put(rest, &empty, value)?));
        }
        return Some(format!("{{{}}}", parts.join(",")));
    }
    let (items, at) = (list(json)?, index(token)?);
    let mut parts: Vec<String> = items.iter().map(|item| item.get().to_owned()).collect();
    *parts.get_mut(at)? = put(rest, items.get(at)?, value)?;
    Some(format!("[{}]", parts.join(",")))
}

/// The items of a list.
pub fn list(json: &RawValue) -> Option<Vec<&RawValue>> {
    serde_json::from_str(json.get()).ok()
}

/// A string, or a number as it was written; nothing else.
pub fn text(json: &RawValue) -> Option<String> {
    match json.get().bytes().next()? {
        b'"' => serde_json::from_str(json.get()).ok(),
        b'-' | b'0'..=b'9' => Some(json.get().to_owned()),
        _ => None,
    }
}

/// `text` as a JSON string.
pub fn string(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

/// Text that is JSON, kept as it is.
pub fn raw(text: String) -> Option<Box<RawValue>> {
    RawValue::from_string(text).ok()
}

/// The most members of one object: those of a record, or what stands around a list, are a hundred times fewer (common
/// practice), and each takes more memory than text.
const MOST_MEMBERS: usize = 10_000;

/// An object's members in the order in which they stand.
pub struct Object<'j>(pub Vec<(String, &'j RawValue)>);

impl<'j> Deserialize<'j> for Object<'j> {
    fn deserialize<D: Deserializer<'j>>(deserializer: D) -> Result<Self, D::Error> {
        struct Members;
        impl<'j> Visitor<'j> for Members {
            type Value = Object<'j>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object")
            }

            fn visit_map<A: MapAccess<'j>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut members = Vec::new();
                while let Some(member) = map.next_entry()? {
                    if members.len() == MOST_MEMBERS {
                        return Err(A::Error::custom(format!("an object has more than {MOST_MEMBERS} members")));
                    }
                    members.push(member);
                }
                Ok(Object(members))
            }
        }
        deserializer.deserialize_map(Members)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::like;
    use proptest::prelude::*;

    fn of(text: &str) -> Box<RawValue> {
        raw(text.to_owned()).unwrap()
    }

    /// The example document and its pointers of RFC 6901, section 5, from memory.
    #[test]
    fn pointers_find_what_the_standard_says() {
        let json = of(r#"{ "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5,
                        "k\"l": 6, " ": 7, "m~n": 8 }"#);
        for (pointer, value) in [
            ("", json.get()),
            ("/foo", r#"["bar", "baz"]"#),
            ("/foo/0", "\"bar\""),
            ("/", "0"),
            ("/a~1b", "1"),
            ("/c%d", "2"),
            ("/e^f", "3"),
            ("/g|h", "4"),
            ("/i\\j", "5"),
            ("/k\"l", "6"),
            ("/ ", "7"),
            ("/m~0n", "8"),
        ] {
            let found = Pointer::parse(pointer).unwrap().find(&json).map(RawValue::get);
            assert_eq!(found, Some(value), "{pointer}");
            // The library's own reading agrees.
            let other: serde_json::Value = serde_json::from_str(json.get()).unwrap();
            let value: serde_json::Value = serde_json::from_str(value).unwrap();
            assert_eq!(other.pointer(pointer), Some(&value), "{pointer}");
        }
        for pointer in ["/bar", "/foo/2", "/foo/00", "/foo/+1", "/foo/-", "/foo/0/x", "/foo/"] {
            assert!(Pointer::parse(pointer).unwrap().find(&json).is_none(), "{pointer}");
        }
        for text in ["foo", "/a~b", "/a~", "/~2"] {
            assert!(Pointer::parse(text).is_err(), "{text}");
        }
        // "~01" is "~1", not "/" (section 4).
        assert!(Pointer::parse("/~01").unwrap().find(&of(r#"{"~1": 1, "/": 2}"#)).is_some_and(|v| v.get() == "1"));
    }

    #[test]
    fn setting_leaves_the_rest_as_it_was_written() {
        let json = r#"{"z":1.0e400,"a":{"n":12345678901234567890123,"t":"é\u00e9"},"l":[1.10,{"x":null}]}"#;
        let set = |pointer: &str, value: &str| {
            Pointer::parse(pointer).unwrap().set(&of(json), &of(value)).map(|json| json.get().to_owned())
        };
        assert_eq!(set("/l/1/x", "7").unwrap(), json.replace("null", "7"));
        assert_eq!(set("/a/t", "\"new\"").unwrap(), json.replace(r#""é\u00e9""#, "\"new\""));
        assert_eq!(set("/new/deep", "1").unwrap(), json.replace("]}", r#"],"new":{"deep":1}}"#));
        assert_eq!(set("", "[]").unwrap(), "[]");
        assert_eq!(set("/l/2", "1"), None);
        assert_eq!(set("/z/y", "1"), None);
    }

    #[test]
    fn depth_is_followed_only_as_far_as_the_pointer_goes() {
        let deep = format!("{}{}", "[".repeat(200_000), "]".repeat(200_000));
        let json = raw(format!("{{\"a\":{deep},\"b\":1}}")).unwrap();
        assert_eq!(Pointer::parse("/b").unwrap().find(&json).map(RawValue::get), Some("1"));
    }

    proptest! {
        #[test]
        fn what_is_set_is_found(token in like(".{0,6}"), value in any::<i64>()) {
            let pointer = Pointer::parse(&format!("/x/{}", token.replace('~', "~0").replace('/', "~1"))).unwrap();
            let changed = pointer.set(&of(r#"{"x":{"k":1}}"#), &of(&value.to_string())).unwrap();
            prop_assert_eq!(pointer.find(&changed).unwrap().get(), value.to_string());
        }
    }
}
