//! `[provider.NAME]`, with the keys of each kind.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;

use data_encoding::{BASE64, HEXLOWER};
use ring::digest;

use super::cell::{Cell, not_one_of};
use super::load::Sources;
use super::reader::{Doc, Table};
use super::secret;
use super::units::Wrong;
use super::{edges, rest, tables, values};
use crate::dns::tsig::{TsigAlgorithm, TsigKey};
use crate::name::DnsName;
use crate::secret::Secret;
use crate::settings;
use crate::settings::{Confirm, Provider, ProviderKind, Record};

/// A provider as read; `whole` is missing when something is wrong with it.
pub(super) struct Provided {
    pub(super) zone: Option<DnsName>,
    pub(super) whole: Option<Provider>,
}

#[derive(Clone, Copy)]
enum ProviderWord {
    Rfc2136,
    Rest,
    Zonefile,
    Program,
}

const KINDS: [(&str, ProviderWord); 4] = [
    ("rfc2136", ProviderWord::Rfc2136),
    ("rest", ProviderWord::Rest),
    ("zonefile", ProviderWord::Zonefile),
    ("program", ProviderWord::Program),
];

pub(super) fn read(doc: &Doc, root: &Table<'_>, sources: &Sources) -> BTreeMap<String, Provided> {
    let tables = root.named_tables("provider").into_iter();
    tables.map(|(name, table)| (name.clone(), provider(doc, &name, &table, sources))).collect()
}

fn provider(doc: &Doc, name: &str, table: &Table<'_>, sources: &Sources) -> Provided {
    if let Err(wrong) = values::provider_name(name) {
        table.whole().wrong(format!("{name:?} {}", wrong.what), wrong.remedy);
    }
    let kind = table.key("kind").required("kind = \"rfc2136\"").one_of(&KINDS);
    let zone = table.key("zone").required("zone = \"heronmill.example\"").parse(values::zone);
    let timeout = tables::timeout(&table.key("timeout").or("10s"));
    let confirm = confirm(&table.key("confirm").or("delegation"));
    let mut identity = String::new();
    let kind = match kind {
        Some(ProviderWord::Rfc2136) => rfc2136(table, sources, &mut identity),
        Some(ProviderWord::Rest) => rest::read(doc, table, zone.as_ref(), sources, &mut identity),
        Some(ProviderWord::Zonefile) => zonefile(table),
        Some(ProviderWord::Program) => program(table, sources, &mut identity),
        None => {
            table.unchecked();
            None
        }
    };
    let whole = (|| {
        let fingerprint = fingerprint(doc, table.whole().path(), &identity);
        Some(Provider { zone: zone.clone()?, timeout: timeout?, confirm: confirm?, kind: kind?, fingerprint })
    })();
    Provided { zone, whole }
}

/// One of two words, or the servers themselves.
fn confirm(cell: &Cell<'_>) -> Option<Confirm> {
    if cell.is_text() {
        return cell.parse(|text| match text {
            "delegation" => Ok(Confirm::Delegation),
            "off" => Ok(Confirm::Off),
            _ => Err(Wrong {
                remedy: "or list the servers: [\"ns1.heronmill.example:53\", …]".into(),
                ..not_one_of(text, &["delegation", "off"])
            }),
        });
    }
    let items = cell.list()?;
    if items.is_empty() {
        cell.wrong("no server is listed", "list every server of the zone, or write \"delegation\" or \"off\"");
    } else if items.len() > settings::SERVERS {
        cell.wrong("too many servers are listed", format!("list {} at most", settings::SERVERS));
    }
    let mut servers: Vec<String> = Vec::new();
    for item in &items {
        let Some((server, _)) = item.parse(values::server) else { continue };
        if servers.contains(&server) {
            item.wrong(format!("{} is listed twice", item.said()), "remove one");
        } else {
            servers.push(server);
        }
    }
    (servers.len() == items.len()).then_some(Confirm::Servers(servers))
}

fn fingerprint(doc: &Doc, path: &str, identity: &str) -> String {
    let mut text = String::new();
    for shown in doc.shown_below(path) {
        // Writing to a String does not fail.
        let _ = writeln!(text, "{} = {}", shown.key, shown.value);
    }
    text.push_str(identity);
    hex_digest(&text)
}

/// The provider, its fingerprint made to stand for its `records` too: a refusal may be a record's fault.
pub(super) fn asked_for(mut provider: Provider, records: &[&Record]) -> Provider {
    let mut text = provider.fingerprint;
    for record in records {
        let Record { name, types, lines: _, provider: _, ttl, host_part, sharing } = record;
        // Writing to a String does not fail.
        let _ = writeln!(text, "{name} {types:?} {ttl} {host_part:?} {sharing:?}");
    }
    provider.fingerprint = hex_digest(&text);
    provider
}

fn hex_digest(text: &str) -> String {
    HEXLOWER.encode(digest::digest(&digest::SHA256, text.as_bytes()).as_ref())
}

fn zonefile(table: &Table<'_>) -> Option<ProviderKind> {
    let file = table.key("file").required("file = \"/etc/bind/heronmill.example.zone\"").file();
    let reload = edges::command(&table.key("reload").or(Vec::<String>::new()));
    Some(ProviderKind::Zonefile { file: file?, reload: reload? })
}

fn program(table: &Table<'_>, sources: &Sources, identity: &mut String) -> Option<ProviderKind> {
    let command_cell = table.key("command").required(COMMAND);
    let words = command_cell.list();
    if words.as_ref().is_some_and(Vec::is_empty) {
        command_cell.wrong("no program is named", format!("write {COMMAND}"));
    }
    let mut words = words.unwrap_or_default().into_iter();
    let program = words.next().and_then(|word| word.parse(absolute_program));
    let arguments: Option<Vec<String>> =
        words.map(|word| word.parse(word_of_command)).collect::<Vec<_>>().into_iter().collect();
    if let (Some(program), Some(arguments)) = (&program, &arguments) {
        command_cell.leads_to_program([vec![program.clone()], arguments.clone()].concat());
    }
    let variables: Vec<Option<(String, String)>> =
        table.table("env").entries().into_iter().map(|(name, cell)| variable(name, &cell)).collect();
    let secret = table.key("secret").is_set().then(|| secret::read(table, "secret", sources, identity));
    let secret = match secret {
        Some(secret) => Some(Secret::new(secret?.into_bytes())),
        None => None,
    };
    let visible_within = tables::visible_within(&table.key("visible_within").or("0s"));
    Some(ProviderKind::Program {
        program: program?,
        arguments: arguments?,
        variables: variables.into_iter().collect::<Option<_>>()?,
        secret,
        visible_within: visible_within?,
    })
}

const COMMAND: &str = "command = [\"/usr/local/lib/fingerpost/mill-dns\"]";

pub(super) fn absolute_program(text: &str) -> Result<String, Wrong> {
    match word_of_command(text) {
        Ok(word) if !Path::new(&word).is_absolute() => {
            Err(Wrong::new("is not an absolute path", "write where the program is: it is not looked for in PATH"))
        }
        word => word,
    }
}

/// One variable of a program's environment (POSIX.1-2017, Base Definitions, section 8.1).
fn variable(name: String, cell: &Cell<'_>) -> Option<(String, String)> {
    let plain = |b: u8| b.is_ascii_alphanumeric() || b == b'_';
    if !name.bytes().all(plain) || !name.starts_with(|first: char| !first.is_ascii_digit()) {
        cell.wrong(format!("{name:?} is not the name of a variable"), "write letters, digits and \"_\"");
        return None;
    }
    let value = cell.parse(|text| match text.contains('\0') {
        true => Err(Wrong::new("holds a NUL, which no variable can", "leave it out")),
        false => Ok(text.to_owned()),
    })?;
    Some((name, value))
}

/// One word of a command.
pub(super) fn word_of_command(text: &str) -> Result<String, Wrong> {
    if text.is_empty() || text.contains('\0') {
        return Err(Wrong::new("is no word of a command", "write [\"program\", \"argument\", …]"));
    }
    Ok(text.to_owned())
}

fn rfc2136(table: &Table<'_>, sources: &Sources, identity: &mut String) -> Option<ProviderKind> {
    let server_cell = table.key("server").required("server = \"ns1.heronmill.example:53\"");
    let server = server_cell.parse(values::server);
    let key = table.table_if_set("key");
    let has_key = key.is_some();
    let key = key.map(|key| tsig_key(&key.quiet(), sources, identity));
    let unsigned_cell = table.key("unsigned").or(false);
    let unsigned = unsigned_cell.flag();
    match (unsigned, has_key) {
        (Some(false), false) => {
            let remedy = "add key = { name = …, algorithm = \"hmac-sha256\", secret = { file = … } }";
            table.whole().wrong("an update is never sent unsigned, and no `key` is set", remedy);
        }
        (Some(true), true) => unsigned_cell.wrong("a key is set as well", "remove `unsigned`, or the key"),
        (Some(true), false) => {
            if let Some((_, host)) = &server
                && !values::is_loopback(host)
            {
                let what = "unsigned updates go to this machine only, and the server is not a loopback address";
                unsigned_cell.wrong(what, "set a `key` and remove this, or write the server as \"127.0.0.1:53\"");
            }
        }
        _ => {}
    }
    let key = match key {
        Some(key) => Some(key?),
        None => None,
    };
    Some(ProviderKind::Rfc2136 { server: server?.0, key })
}

fn tsig_key(table: &Table<'_>, sources: &Sources, identity: &mut String) -> Option<TsigKey> {
    let name = table.key("name").required("name = \"gauge-key\"").parse(values::dns_name);
    let algorithm = table.key("algorithm").or("hmac-sha256").parse(algorithm);
    let secret_cell = table.key("secret");
    let secret = secret::read(table, "secret", sources, identity)
        .and_then(|text| decode(&text).map_err(|wrong| secret_cell.refuse(wrong)).ok());
    if let (Some(algorithm), Some(secret)) = (algorithm, &secret) {
        doubt(&secret_cell, algorithm, secret);
    }
    Some(TsigKey { name: name?, algorithm: algorithm?, secret: secret? })
}

fn algorithm(text: &str) -> Result<TsigAlgorithm, Wrong> {
    match text {
        "hmac-sha256" => Ok(TsigAlgorithm::HmacSha256),
        "hmac-sha384" => Ok(TsigAlgorithm::HmacSha384),
        "hmac-sha512" => Ok(TsigAlgorithm::HmacSha512),
        "hmac-md5" | "hmac-md5.sig-alg.reg.int" | "hmac-sha1" => Err(Wrong::new(
            "is not to be used any more (RFC 8945, 6)",
            "make a new key with \"hmac-sha256\", on the server too",
        )),
        "HMAC-SHA256" | "HMAC-SHA384" | "HMAC-SHA512" => {
            Err(Wrong::new("is not in lower case", "write \"hmac-sha256\", \"hmac-sha384\" or \"hmac-sha512\""))
        }
        _ => Err(not_one_of(text, &["hmac-sha256", "hmac-sha384", "hmac-sha512"])),
    }
}

fn decode(text: &str) -> Result<Secret, Wrong> {
    let remedy =
        "write only the Base64 text there: in a key file of a DNS server, what stands in quotes behind `secret`";
    match BASE64.decode(text.as_bytes()) {
        Ok(bytes) if !bytes.is_empty() => Ok(Secret::new(bytes)),
        _ => Err(Wrong::new("leads to something that is not Base64 (RFC 4648, 4)", remedy)),
    }
}

/// RFC 2104, section 3: a key shorter than the hash weakens it; half of it is where we speak up.
fn doubt(cell: &Cell<'_>, algorithm: TsigAlgorithm, secret: &Secret) {
    let hash = match algorithm {
        TsigAlgorithm::HmacSha256 => 32,
        TsigAlgorithm::HmacSha384 => 48,
        TsigAlgorithm::HmacSha512 => 64,
    };
    if secret.expose().len() < hash / 2 {
        cell.note(
            format!("the secret has fewer than {} octets, which is short for its algorithm (RFC 2104, 3)", hash / 2),
            format!("make a new key of {hash} octets"),
        );
    }
}
