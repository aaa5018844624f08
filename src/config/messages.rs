//! `[[message]]`: who is told of what, and how.

use std::collections::{BTreeMap, BTreeSet};

use reqwest::Method;
use reqwest::header::{HeaderMap, HeaderName, HeaderValue};

use super::cell::Cell;
use super::edges::command;
use super::load::Sources;
use super::reader::Table;
use super::secret;
use super::units::Wrong;
use super::values;
use crate::provider::rest::body::Body;
use crate::secret::Secret;
use crate::settings::{Message, Occasion, Quiet, Way, Webhook};

#[derive(Clone, Copy)]
enum By {
    Webhook,
    Mail,
    Program,
}

const BYS: [(&str, By); 3] = [("webhook", By::Webhook), ("mail", By::Mail), ("program", By::Program)];

/// The variables of a body.
const VARIABLES: [&str; 5] = ["event", "key", "over", "text", "time"];

pub(super) fn read(root: &Table<'_>, sources: &Sources) -> Vec<Option<Message>> {
    let mut names = BTreeMap::new();
    root.tables("message").iter().map(|table| message(table, sources, &mut names)).collect()
}

fn message(table: &Table<'_>, sources: &Sources, names: &mut BTreeMap<String, Option<usize>>) -> Option<Message> {
    let name_cell = table.key("name").required("name = \"keeper\"");
    let name = name_cell.parse(values::label);
    if let Some(name) = &name {
        values::unique(&name_cell, name, "message", names);
    }
    let events_cell = table.key("events").or(Occasion::ALL.map(|(word, _)| word).to_vec());
    let events: Option<BTreeSet<Occasion>> =
        events_cell.list().map(|items| items.iter().filter_map(|item| item.one_of(&Occasion::ALL)).collect());
    if events_cell.is_empty_list() {
        events_cell.wrong("no event is listed", "list some, or remove the key for all of them");
    }
    let quiet_cell = table.key("quiet");
    let quiet = if quiet_cell.is_set() { quiet_cell.parse(quiet_hours).map(Some) } else { Some(None) };
    let timeout = super::tables::timeout(&table.key("timeout").or("20s"));
    let by = table.key("by").required("by = \"mail\"").one_of(&BYS);
    let way = match by {
        Some(By::Webhook) => webhook(table, sources).map(Way::Webhook),
        Some(By::Mail) => mail(table),
        Some(By::Program) => {
            let cell = table.key("command").required("command = [\"/usr/local/bin/tell-keeper\"]");
            program(&cell).map(|command| Way::Program { command })
        }
        None => {
            table.unchecked();
            None
        }
    };
    Some(Message { name: name?, events: events?, quiet: quiet?, timeout: timeout?, way: way? })
}

fn program(cell: &Cell<'_>) -> Option<Vec<String>> {
    if cell.is_empty_list() {
        cell.wrong(
            "no program is named",
            "write program and arguments apart, such as [\"/usr/sbin/sendmail\", \"-t\"]",
        );
        return None;
    }
    command(cell)
}

/// `22:00-07:00`.
fn quiet_hours(text: &str) -> Result<Quiet, Wrong> {
    let wrong = || Wrong::new("is no span of hours", "write it in UTC, such as \"22:00-07:00\"");
    let minute = |text: &str| {
        let (hour, minute) = text.split_once(':')?;
        let two =
            |text: &str| (text.len() == 2 && text.bytes().all(|b| b.is_ascii_digit())).then(|| text.parse().ok())?;
        let (hour, minute): (u32, u32) = (two(hour)?, two(minute)?);
        (hour < 24 && minute < 60).then_some(hour * 60 + minute)
    };
    let (from, until) = text.split_once('-').ok_or_else(wrong)?;
    let (from, until) = (minute(from).ok_or_else(wrong)?, minute(until).ok_or_else(wrong)?);
    if from == until {
        return Err(Wrong::new("begins when it ends, so it would never be quiet", "remove the key, or write a span"));
    }
    Ok(Quiet { from, until })
}

/// An address of a mail as far as it matters here: it stands in a header line.
fn mailbox(text: &str) -> Result<String, Wrong> {
    let is_plain = text.is_ascii() && !text.bytes().any(|byte| byte.is_ascii_control());
    match text.split_once('@') {
        Some((local, domain)) if is_plain && !local.is_empty() && !domain.is_empty() => Ok(text.to_owned()),
        _ => Err(Wrong::new("is no address of a mailbox", "write it such as \"keeper@heronmill.example\"")),
    }
}

fn mail(table: &Table<'_>) -> Option<Way> {
    let to = table.key("to").required("to = \"keeper@heronmill.example\"").parse(mailbox);
    let from = table.key("from").required("from = \"fingerpost@heronmill.example\"").parse(mailbox);
    let command = program(&table.key("command").or(vec!["/usr/sbin/sendmail", "-t", "-oi"]));
    Some(Way::Mail { command: command?, to: to?, from: from? })
}

/// What to do with a secret that stands in the configuration, which everybody may read.
const IN_A_FILE: &str = "add secret = { file = \"/path\" }, and write {secret} in its place";

/// Whether a header or parameter of this name carries a secret: common practice, no source.
fn names_a_secret(name: &str) -> bool {
    let name = name.to_ascii_lowercase();
    ["auth", "cookie", "key", "passw", "secret", "token"].iter().any(|word| name.contains(word))
}

/// Whether a part of a URL may be a secret: long, with letters and digits. Common practice, no source: what is handed out
/// as a secret is longer, and a name that people give has rarely a digit.
fn looks_secret(part: &str) -> bool {
    let any = |is: fn(&u8) -> bool| part.bytes().any(|b| is(&b));
    part.len() >= 20
        && part.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'=' | b'.' | b':'))
        && any(u8::is_ascii_digit)
        && any(u8::is_ascii_alphabetic)
}

fn url_gives_away(url: &reqwest::Url) -> bool {
    let bare = |value: &str| !value.is_empty() && !value.contains("{secret}");
    url.path_segments().into_iter().flatten().any(looks_secret)
        || url.query_pairs().any(|(name, value)| bare(&value) && (names_a_secret(&name) || looks_secret(&value)))
}

fn webhook(table: &Table<'_>, sources: &Sources) -> Option<Webhook> {
    // What it is plays no part in anything that has an identity.
    let mut identity = String::new();
    let secret_cell = table.key("secret");
    let secret =
        if secret_cell.is_set() { secret::read(table, "secret", sources, &mut identity).map(Some) } else { Some(None) };
    let put = |text: &str| match &secret {
        Some(Some(secret)) => Ok(text.replace("{secret}", secret)),
        Some(None) if text.contains("{secret}") => {
            Err(Wrong::new("has {secret} in it, and `secret` is not set", "add secret = { file = \"/path\" }"))
        }
        // What is wrong with it is told already.
        _ => Ok(text.replace("{secret}", "secret")),
    };
    // Some write the secret itself here: no message says the value, and only the origin is shown.
    let url_cell = table.key("url").required("url = \"https://bell.example/ring/{secret}\"").quiet();
    let url = url_cell.parse_hidden(|text| {
        let url = values::url(&put(text)?)?;
        if values::url(text).is_ok_and(|written| url_gives_away(&written)) {
            url_cell.note("the URL holds what looks like a secret", IN_A_FILE);
        }
        if url.scheme() == "http" && !url.host_str().is_some_and(values::is_loopback) {
            url_cell.note("over plain http, anybody on the way can read it", "use https where it is offered");
        }
        let origin = url.origin().ascii_serialization();
        let more = if url.path() == "/" && url.query().is_none() { "" } else { "…" };
        url_cell.show(format!("\"{origin}/{more}\""));
        Ok((origin, Secret::new(url.as_str().as_bytes().to_vec())))
    });
    let method = table.key("method").or("POST").one_of(&[("POST", 0), ("PUT", 1)]);
    let method = method.map(|method| if method == 0 { Method::POST } else { Method::PUT });
    let mut headers = HeaderMap::new();
    let mut whole = true;
    for (name, cell) in table.table("headers").quiet().entries() {
        let value = cell.parse_hidden(|text| {
            if names_a_secret(&name) && !text.contains("{secret}") {
                cell.note("this header holds a secret, by its name", IN_A_FILE);
            }
            cell.show("\"…\"".to_owned());
            let mut value = HeaderValue::from_str(&put(text)?)
                .map_err(|_| Wrong::new("is not the value of a header (RFC 9110, 5.5)", "write visible ASCII only"))?;
            value.set_sensitive(true);
            Ok(value)
        });
        match (HeaderName::from_bytes(name.as_bytes()), value) {
            (Ok(name), Some(value)) => drop(headers.insert(name, value)),
            (Err(_), _) => {
                cell.wrong(format!("{name:?} is not the name of a header (RFC 9110, 5.1)"), "write it like \"X-Key\"");
                whole = false;
            }
            (_, None) => whole = false,
        }
    }
    let example = "{ \"text\": \"{text}\" }";
    let body = table.key("body").or(example).parse(|text| {
        let body = Body::parse(text).map_err(|what| Wrong::new(what, format!("write it such as '{example}'")))?;
        if let Some((name, _)) = body.variables().iter().find(|(name, _)| !VARIABLES.contains(name)) {
            let known = VARIABLES.map(|name| format!("{{{name}}}")).join(", ");
            return Err(Wrong::new(
                format!("has the variable {{{name}}}, which there is not"),
                format!("there are {known}"),
            ));
        }
        Ok(body)
    });
    let (origin, url) = url?;
    secret?;
    whole.then_some(())?;
    Some(Webhook { url, origin, method: method?, headers, body: body? })
}
