//! URI templates (RFC 6570), levels 1 to 3: a variable has one value or none, so there is nothing for level 4 to do. Pure.

use std::fmt::Write as _;

/// A URI template, read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Template(Vec<Part>);

#[derive(Clone, Debug, PartialEq, Eq)]
enum Part {
    /// Goes out as it is; what a URI cannot hold is encoded already.
    Literal(String),
    Expression(Operator, Vec<String>),
}

/// One row of the table in RFC 6570, appendix A.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Operator {
    sign: Option<char>,
    first: &'static str,
    separator: &'static str,
    named: bool,
    if_empty: &'static str,
    /// Whether reserved characters and percent-encoded triplets pass through.
    reserved: bool,
}

const fn operator(
    sign: Option<char>,
    first: &'static str,
    separator: &'static str,
    named: bool,
    if_empty: &'static str,
    reserved: bool,
) -> Operator {
    Operator { sign, first, separator, named, if_empty, reserved }
}

const OPERATORS: [Operator; 8] = [
    operator(None, "", ",", false, "", false),
    operator(Some('+'), "", ",", false, "", true),
    operator(Some('#'), "#", ",", false, "", true),
    operator(Some('.'), ".", ".", false, "", false),
    operator(Some('/'), "/", "/", false, "", false),
    operator(Some(';'), ";", ";", true, "", false),
    operator(Some('?'), "?", "&", true, "=", false),
    operator(Some('&'), "&", "&", true, "=", false),
];

impl Template {
    /// Reads a template.
    ///
    /// # Errors
    /// What is wrong with it: a clause that follows the text.
    pub fn parse(text: &str) -> Result<Self, String> {
        let mut parts = Vec::new();
        let mut rest = text;
        while !rest.is_empty() {
            let end = rest.find(['{', '}']).unwrap_or(rest.len());
            let (literal, after) = rest.split_at(end);
            if !literal.is_empty() {
                parts.push(Part::Literal(literals(literal)?));
            }
            if after.is_empty() {
                break;
            }
            let inner = after.strip_prefix('{').ok_or("has a '}' without its '{'")?;
            let (expression, next) = inner.split_once('}').ok_or("has a '{' without its '}'")?;
            parts.push(self::expression(expression)?);
            rest = next;
        }
        Ok(Self(parts))
    }

    /// The names of its variables, in order.
    pub fn variables(&self) -> impl Iterator<Item = &str> {
        self.0
            .iter()
            .flat_map(|part| match part {
                Part::Literal(_) => [].iter(),
                Part::Expression(_, names) => names.iter(),
            })
            .map(String::as_str)
    }

    /// The URI, with what `value` gives for each variable; one without a value is left out (RFC 6570, section 3.2.1).
    pub fn expand(&self, value: impl Fn(&str) -> Option<String>) -> String {
        let mut out = String::new();
        for part in &self.0 {
            match part {
                Part::Literal(text) => out += text,
                Part::Expression(operator, names) => {
                    let mut lead = operator.first;
                    for (name, value) in names.iter().filter_map(|name| Some((name, value(name)?))) {
                        out += lead;
                        lead = operator.separator;
                        if operator.named {
                            out += name;
                            out += if value.is_empty() { operator.if_empty } else { "=" };
                        }
                        encode(&value, operator.reserved, &mut out);
                    }
                }
            }
        }
        out
    }
}

fn expression(text: &str) -> Result<Part, String> {
    let sign = text.chars().next().filter(|sign| !sign.is_ascii_alphanumeric() && !matches!(sign, '_' | '%'));
    let operator = OPERATORS.into_iter().find(|operator| operator.sign == sign).ok_or_else(|| {
        format!("has the unknown operator {:?} in {{{text}}} (RFC 6570, 2.2)", sign.unwrap_or_default())
    })?;
    let names = text.get(sign.map_or(0, char::len_utf8)..).unwrap_or_default();
    let names: Vec<String> = names.split(',').map(str::to_owned).collect();
    for name in &names {
        if name.ends_with('*') || name.contains(':') {
            return Err(format!("has a modifier in {{{text}}} (RFC 6570, 2.4), and no variable here needs one"));
        }
        let plain = |label: &str| !label.is_empty() && label.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_');
        if !name.split('.').all(plain) {
            return Err(format!("has no variable's name in {{{text}}}"));
        }
    }
    Ok(Part::Expression(operator, names))
}

/// Literal text: what a URI cannot hold as it stands is encoded (RFC 6570, section 3.1), some of it is no template.
fn literals(text: &str) -> Result<String, String> {
    if let Some(bad) =
        text.chars().find(|c| c.is_control() || matches!(c, ' ' | '"' | '\'' | '<' | '>' | '\\' | '^' | '`' | '|'))
    {
        return Err(format!("holds {bad:?}, which no URI template may (RFC 6570, 2.1)"));
    }
    if text.match_indices('%').any(|(at, _)| !is_triplet(&text[at..])) {
        return Err("has a '%' without two hexadecimal digits behind it".into());
    }
    let mut out = String::new();
    encode(text, true, &mut out);
    Ok(out)
}

fn is_triplet(text: &str) -> bool {
    let mut bytes = text.bytes().skip(1);
    text.starts_with('%') && (0..2).all(|_| bytes.next().is_some_and(|b| b.is_ascii_hexdigit()))
}

/// `text` as a value in a query (RFC 3986, section 3.4), where nothing in it has a meaning.
pub(crate) fn in_query(text: &str) -> String {
    let mut out = String::new();
    encode(text, false, &mut out);
    out
}

/// RFC 6570, section 3.2.1, with the character classes of section 1.5.
fn encode(text: &str, reserved: bool, out: &mut String) {
    for (at, c) in text.char_indices() {
        let keep = c.is_ascii_alphanumeric()
            || "-._~".contains(c)
            || (reserved && (":/?#[]@!$&'()*+,;=".contains(c) || is_triplet(&text[at..])));
        if keep {
            out.push(c);
        } else {
            for byte in c.encode_utf8(&mut [0; 4]).bytes() {
                // Writing to a String does not fail.
                let _ = write!(out, "%{byte:02X}");
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::like;
    use proptest::prelude::*;

    /// The variables of RFC 6570, section 1.2 and 3.2, that have one value.
    fn value(name: &str) -> Option<String> {
        let value = match name {
            "var" => "value",
            "hello" => "Hello World!",
            "half" => "50%",
            "base" => "http://example.com/home/",
            "path" => "/foo/bar",
            "who" => "fred",
            "empty" => "",
            "v" => "6",
            "x" => "1024",
            "y" => "768",
            "dub" => "me/too",
            _ => return None,
        };
        Some(value.to_owned())
    }

    /// RFC 6570, sections 1.2 (levels 1 to 3) and 3.2.2 to 3.2.9 (those without modifiers), from memory.
    #[test]
    fn expands_as_the_examples_of_the_standard() {
        for (template, uri) in [
            ("{var}", "value"),
            ("{hello}", "Hello%20World%21"),
            ("{+var}", "value"),
            ("{+hello}", "Hello%20World!"),
            ("{+path}/here", "/foo/bar/here"),
            ("here?ref={+path}", "here?ref=/foo/bar"),
            ("X{#var}", "X#value"),
            ("X{#hello}", "X#Hello%20World!"),
            ("map?{x,y}", "map?1024,768"),
            ("{x,hello,y}", "1024,Hello%20World%21,768"),
            ("{+x,hello,y}", "1024,Hello%20World!,768"),
            ("{+path,x}/here", "/foo/bar,1024/here"),
            ("{#x,hello,y}", "#1024,Hello%20World!,768"),
            ("{#path,x}/here", "#/foo/bar,1024/here"),
            ("X{.var}", "X.value"),
            ("X{.x,y}", "X.1024.768"),
            ("{/var}", "/value"),
            ("{/var,x}/here", "/value/1024/here"),
            ("{;x,y}", ";x=1024;y=768"),
            ("{;x,y,empty}", ";x=1024;y=768;empty"),
            ("{?x,y}", "?x=1024&y=768"),
            ("{?x,y,empty}", "?x=1024&y=768&empty="),
            ("?fixed=yes{&x}", "?fixed=yes&x=1024"),
            ("{&x,y,empty}", "&x=1024&y=768&empty="),
            ("{half}", "50%25"),
            ("O{empty}X", "OX"),
            ("O{undef}X", "OX"),
            ("{x,y}", "1024,768"),
            ("?{x,empty}", "?1024,"),
            ("?{x,undef}", "?1024"),
            ("?{undef,y}", "?768"),
            ("{+half}", "50%25"),
            ("{base}index", "http%3A%2F%2Fexample.com%2Fhome%2Findex"),
            ("{+base}index", "http://example.com/home/index"),
            ("O{+empty}X", "OX"),
            ("O{+undef}X", "OX"),
            ("up{+path}{var}/here", "up/foo/barvalue/here"),
            ("{#half}", "#50%25"),
            ("foo{#empty}", "foo#"),
            ("foo{#undef}", "foo"),
            ("{.who}", ".fred"),
            ("{.who,who}", ".fred.fred"),
            ("{.half,who}", ".50%25.fred"),
            ("X{.empty}", "X."),
            ("X{.undef}", "X"),
            ("{/who,who}", "/fred/fred"),
            ("{/half,who}", "/50%25/fred"),
            ("{/who,dub}", "/fred/me%2Ftoo"),
            ("{/var,empty}", "/value/"),
            ("{/var,undef}", "/value"),
            ("{;who}", ";who=fred"),
            ("{;half}", ";half=50%25"),
            ("{;empty}", ";empty"),
            ("{;v,empty,who}", ";v=6;empty;who=fred"),
            ("{;v,bar,who}", ";v=6;who=fred"),
            ("{?who}", "?who=fred"),
            ("{?half}", "?half=50%25"),
            ("{?x,y,undef}", "?x=1024&y=768"),
            ("{&who}", "&who=fred"),
            ("{&half}", "&half=50%25"),
            ("{&x,y,undef}", "&x=1024&y=768"),
        ] {
            let read = Template::parse(template).unwrap();
            assert_eq!(read.expand(value), uri, "{template}");
        }
    }

    /// RFC 6570, section 2: what is no template, or none of the levels that are read here.
    #[test]
    fn what_is_no_template_is_refused() {
        for text in [
            "{", "}", "{x", "x}", "{x{y}}", "{}", "{x,}", "{=x}", "{|x}", "{x:3}", "{x*}", "{a-b}", "{a..b}", "a b",
            "%zz", "\"", "{é}",
        ] {
            assert!(Template::parse(text).is_err(), "{text}");
        }
        // Section 3.1: literals outside of ASCII are encoded.
        assert_eq!(Template::parse("/é%41").unwrap().expand(value), "/%C3%A9%41");
        let read = Template::parse("{+a.b}/{x}{?y,z}").unwrap();
        assert_eq!(read.variables().collect::<Vec<_>>(), ["a.b", "x", "y", "z"]);
    }

    proptest! {
        #[test]
        fn no_text_panics(text in like("[{}%a-z+#./;?&,é ]{0,20}")) {
            let _ = Template::parse(&text).map(|read| read.expand(value));
        }

        /// Whatever a plain variable holds, it stays within its path segment.
        #[test]
        fn a_plain_variable_adds_no_structure(text in like(".{0,20}")) {
            let uri = Template::parse("{x}").unwrap().expand(|_| Some(text.clone()));
            prop_assert!(uri.bytes().all(|b| b.is_ascii_alphanumeric() || b"-._~%".contains(&b)), "{}", uri);
        }
    }
}
