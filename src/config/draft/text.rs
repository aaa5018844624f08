//! The draft as a commented file, and what has to be done besides. Pure.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::{Asked, At, Draft, Kept, Place, Software};
use crate::name::DnsName;
use crate::record::RecordType;

/// What somebody else has to be told, so that the key can do what is needed and no more.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Grant {
    /// In words.
    pub prose: String,
    /// As it is written there; may be empty.
    pub statement: String,
}

const HEAD: &str = r#"# The configuration of fingerpost, begun by `fingerpost config new`. What is not set has its default.
# `man fingerpost.toml` explains every key; config/fingerpost.toml of the source is the same.
#
# Check this file with `fingerpost config check`, look at the vote with `fingerpost locate` and at what would be written
# with `fingerpost preview`, before you start the daemon.
#
# Before you publish a service from home: it invites attack. A VPN to the home is the safer choice where it serves; keep
# strong passwords and a second factor also behind a proxy; never publish what locks doors, heats, alarms or keeps
# someone alive without advice from those licensed for it; see that your access contract and the law allow it.

[watch]
# Time between two rounds of questions. Be kind to those who answer: under a minute is rude.
#every = "5m"
# How many rounds in a row a new address must win before it is published.
#settle = 2
"#;

/// How witnesses are chosen, in lines.
pub(crate) const ADVICE: [&str; 8] = [
    "Witnesses tell the address that they see a question come from. Their operators vote, one vote each, and more than",
    "half of them decide: with three operators one may lie or be away, with five two. So name at least three that have",
    "nothing in common: not the same company, network or software.",
    "Good ones to mix: echo services over https, whose operator lets programs ask; a STUN server, as telephony and video",
    "calls use them; the home's own router, which costs nobody anything and shows whether a carrier's NAT is in the way;",
    "and a friend's `fingerpost echo`: you can be a witness for each other.",
    "Read what an operator says about automatic questions before you ask every five minutes, and never take one that",
    "you have only seen in somebody else's example.",
];

impl Draft {
    /// The whole file.
    pub(crate) fn text(&self) -> String {
        let mut text = HEAD.to_owned();
        part(&mut text, "Who is asked");
        for line in ADVICE {
            let _ = writeln!(text, "# {line}");
        }
        self.witnesses(&mut text);
        part(&mut text, "Where the records live");
        let Grant { prose, statement } = self.grant();
        for line in prose.lines() {
            let _ = writeln!(text, "# {line}");
        }
        if !statement.is_empty() {
            text.push_str("#\n");
        }
        for line in statement.lines() {
            text.push_str(format!("#     {line}").trim_end());
            text.push('\n');
        }
        text.push('\n');
        self.provider(&mut text);
        part(&mut text, "What is published");
        text.push_str("# One table a name. Records that are not named here are never touched.\n");
        let types: Vec<String> = self.types.iter().map(|rtype| quote(&rtype.to_string())).collect();
        for (nth, record) in self.records.iter().enumerate() {
            let _ = write!(text, "\n[[record]]\nname = {}\ntypes = [{}]\n", quote(record.as_str()), types.join(", "));
            text.push_str("provider = \"home\"\n");
            if nth == 0 {
                text.push_str(
                    "# How long others may keep an answer. Short: a move shows soon. Long: fewer questions.\n",
                );
            }
            text.push_str("ttl = \"2m\"\n");
            if nth == 0 && self.types.contains(&RecordType::Aaaa) {
                text.push_str(
                    "# For AAAA: what follows the home's prefix in the address of the host that serves. Without it: the\n\
                     # address of the machine that runs fingerpost.\n#host_part = \"::10\"\n",
                );
            }
        }
        text
    }

    fn witnesses(&self, text: &mut String) {
        let mut used = BTreeSet::new();
        for Asked { operator, at } in &self.witnesses {
            let name = unused(operator, &mut used);
            let _ = write!(text, "\n[[witness]]\nname = {}\noperator = {}\n", quote(&name), quote(operator));
            match at {
                At::Http { url, pointer } => {
                    let _ = write!(text, "kind = \"http\"\nurl = {}\n", quote(url));
                    if let Some(pointer) = pointer {
                        let _ = writeln!(text, "extract = {}", quote(pointer));
                    }
                }
                At::Stun(server) => {
                    let _ = write!(text, "kind = \"stun\"\nserver = {}\n", quote(server));
                }
            }
        }
        if self.router {
            let name = unused("router", &mut used);
            let _ = write!(
                text,
                "\n# The home's own router, by NAT-PMP (RFC 6886) or UPnP; it is found by itself, and has a vote of its own.\n\
                 [[witness]]\nname = {}\nkind = \"router\"\n",
                quote(&name)
            );
        }
    }

    fn provider(&self, text: &mut String) {
        let zone = quote(self.zone.as_str());
        let secret = |kept: &Kept| match kept {
            Kept::Credential(name) => format!("{{ credential = {} }}", quote(name)),
            Kept::File(file) => format!("{{ file = {} }}", quote(file)),
        };
        let list = |words: &[String]| words.iter().map(|word| quote(word)).collect::<Vec<_>>().join(", ");
        let about = |kept: &Kept| match kept {
            Kept::Credential(name) => format!(
                "# A secret is never written here. Keep it in /etc/fingerpost/{name} (chmod 600); systemd hands it over\n\
                 # by this line in the unit: LoadCredential={name}:/etc/fingerpost/{name}\n"
            ),
            Kept::File(_) => {
                "# In that file stands the secret and nothing else; it is for its owner only (chmod 600).\n".into()
            }
        };
        text.push_str("[provider.home]\n");
        // Writing to a String does not fail.
        let _ = match &self.place {
            Place::Rfc2136 { server, software: _, key, secret: kept } => write!(
                text,
                "kind = \"rfc2136\"\nzone = {zone}\n# The zone's primary.\nserver = {}\n{}\
                 key = {{ name = {}, algorithm = \"hmac-sha256\", secret = {} }}\n",
                quote(server),
                about(kept),
                quote(key.as_str()),
                secret(kept)
            ),
            Place::Rest { server, description, token } => write!(
                text,
                "kind = \"rest\"\nzone = {zone}\n# How the API lists and writes records.\ndescription = {}\n\
                 values = {{ server = {} }}\n{}token = {}\n",
                quote(description),
                quote(server),
                about(token),
                secret(token)
            ),
            Place::Zonefile { file, reload } => {
                let example = ["knotc".to_owned(), "zone-reload".to_owned(), self.zone.to_string()];
                let (sign, words) = if reload.is_empty() { ("#", &example[..]) } else { ("", &reload[..]) };
                write!(
                    text,
                    "kind = \"zonefile\"\nzone = {zone}\nfile = {}\n# What makes the server load it again.\n{sign}reload = [{}]\n",
                    quote(file),
                    list(words)
                )
            }
            Place::Program { command } => {
                write!(text, "kind = \"program\"\nzone = {zone}\ncommand = [{}]\n", list(command))
            }
        };
    }

    /// What the place has to be told.
    pub(crate) fn grant(&self) -> Grant {
        let (prose, statement) = match &self.place {
            Place::Rfc2136 { software, key, .. } => match software {
                Software::Bind => (
                    format!(
                        "On BIND make the key with `tsig-keygen -a hmac-sha256 {key}`, include what that prints in named.conf,\n\
                         and grant exactly this in the zone: the key can then change these names and nothing else."
                    ),
                    self.bind(key),
                ),
                Software::Knot => (
                    format!(
                        "On Knot make the key with `keymgr -t {key} hmac-sha256`, include what that prints in knot.conf, and add\n\
                         this: the key can then change these names and nothing else."
                    ),
                    self.knot(key),
                ),
                Software::PowerDns => (
                    "On PowerDNS switch updates on (dnsupdate=yes, and your addresses in allow-dnsupdate-from), and name the key\n\
                     in the zone: without that, whoever allow-dnsupdate-from lets in may change the zone, with any key or none.\n\
                     The key can change the whole zone: delegate a small zone of its own for the home if you can."
                        .into(),
                    format!(
                        "pdnsutil generate-tsig-key {key} hmac-sha256\npdnsutil set-meta {} TSIG-ALLOW-DNSUPDATE {key}\n",
                        self.zone
                    ),
                ),
                Software::Other => {
                    let names: Vec<&str> = self.records.iter().map(DnsName::as_str).collect();
                    (
                        format!(
                            "On the server make a key called {key} for hmac-sha256, and let it change, by dynamic update (RFC 2136),\n\
                             {} at these names and nothing else:",
                            self.type_words(" and ")
                        ),
                        names.join("\n") + "\n",
                    )
                }
            },
            Place::Rest { .. } => (
                "Take a token that can change this one zone, or better only these names. A token for the whole account, on a\n\
                 machine at home, puts mail, web and every other zone at the mercy of whoever gets at that machine. The\n\
                 skeletons record.toml, rrset.toml and powerdns.toml of descriptions explain themselves."
                    .into(),
                String::new(),
            ),
            Place::Zonefile { .. } => (
                "The user that runs fingerpost must be able to write the file and its directory, and to run what makes the\n\
                 server load it again. Under systemd that takes ReadWritePaths= and SupplementaryGroups= in the unit."
                    .into(),
                String::new(),
            ),
            Place::Program { .. } => (
                "Whoever can change the program can change your zone: let it, and the directories above it, belong to root.\n\
                 What it is asked and has to answer is in program.schema.json: the package puts it beside an example into\n\
                 /usr/share/doc/fingerpost/examples, and the source has both in config/providers."
                    .into(),
                String::new(),
            ),
        };
        Grant { prose, statement }
    }

    fn type_words(&self, between: &str) -> String {
        self.types.iter().map(RecordType::to_string).collect::<Vec<_>>().join(between)
    }

    fn bind(&self, key: &DnsName) -> String {
        let (zone, types) = (&self.zone, self.type_words(" "));
        let grants: String =
            self.records.iter().map(|record| format!("        grant {key} name {record} {types};\n")).collect();
        format!(
            "zone \"{zone}\" {{\n    type primary;\n    file \"/var/lib/bind/{zone}.zone\";\n    update-policy {{\n{grants}    }};\n}};\n"
        )
    }

    fn knot(&self, key: &DnsName) -> String {
        let names: Vec<String> = self.records.iter().map(|record| format!("\"{record}.\"")).collect();
        format!(
            "acl:\n  - id: {key}\n    key: {key}\n    action: [query, update]\n    update-type: [{}]\n    update-owner: name\n    \
             update-owner-match: equal\n    update-owner-name: [{}]\n\nzone:\n  - domain: {}\n    acl: {key}\n",
            self.type_words(", "),
            names.join(", "),
            self.zone
        )
    }
}

/// The heading of a part, as wide as the file.
fn part(text: &mut String, title: &str) {
    let _ = writeln!(text, "\n{:-<120}", format!("# ---- {title} "));
}

/// A name that no other witness has, within the length that it may have.
fn unused(operator: &str, used: &mut BTreeSet<String>) -> String {
    let numbered = (2..).map(|nth| {
        let end = format!("-{nth}");
        operator.chars().take(64 - end.len()).collect::<String>() + &end
    });
    let name = std::iter::once(operator.to_owned()).chain(numbered).find(|name| !used.contains(name));
    let name = name.unwrap_or_else(|| operator.to_owned());
    used.insert(name.clone());
    name
}

/// As a basic string of TOML (v1.0.0, "String").
fn quote(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => quoted.extend(['\\', c]),
            c if c.is_control() => {
                let _ = write!(quoted, "\\u{:04X}", u32::from(c));
            }
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}
