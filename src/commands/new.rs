//! `fingerpost config new`: a few answers, from options or a terminal, become a first configuration.

mod steps;

use std::collections::BTreeSet;
use std::io::{self, BufRead, IsTerminal, Read as _, Write};
use std::path::{Path, PathBuf};

use super::{CommandError, Exit, print, print_json};
use crate::cli::{Common, New};
use crate::config::draft::text::ADVICE;
use crate::config::draft::{self, Draft, KINDS, Kept, Place, ProviderChoice, Refused, SOFTWARE};
use crate::config::load::{ConfigError, Sources, load};
use crate::files::{Astray, create, replace};
use crate::record::RecordType;

/// Why a first configuration is not written.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NewError {
    /// There is one.
    #[error("{} is there already, and stays as it is; name another file with --out, or write over it with --replace", .0.display())]
    Exists(PathBuf),
    /// It cannot be written.
    #[error("{}: cannot be written: {source}{}", file.display(), way_out(source))]
    Unwritable {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

fn way_out(error: &io::Error) -> &'static str {
    match error.kind() {
        _ if matches!(Astray::behind(error), Some(Astray::Link { .. } | Astray::Theirs { .. })) => "",
        io::ErrorKind::NotFound => "; make its directory first (sudo mkdir -p), or name another file with --out",
        io::ErrorKind::PermissionDenied => "; run this as root (sudo), or name another file with --out",
        _ => "; name another file with --out",
    }
}

/// What to write when the options do not say all, and there is nobody to ask.
const EXAMPLE: &str = "fingerpost config new --zone heronmill.example --record gauge.heronmill.example --server ns1.heronmill.example \
                       --witness north-collective=https://echo.north.example/ --witness … --witness …";
/// What stands for the service manager among the files of secrets.
const SYSTEMD: &str = "systemd";
/// Far more than an answer needs.
const MAX_LINE: u64 = 4096;

pub(super) fn run(common: &Common, new: &New) -> Result<Exit, CommandError> {
    let file = new.out.clone().unwrap_or_else(|| common.config.clone());
    let to_stdout = file == Path::new("-");
    // Before anybody is asked anything.
    if !to_stdout && !new.replace && file.symlink_metadata().is_ok() {
        return Err(NewError::Exists(file).into());
    }
    let (mut input, mut output) = (io::stdin().lock(), io::stderr());
    let talk = io::stdin().is_terminal().then_some(Talk { input: &mut input, output: &mut output });
    let draft = gather(new, talk)?;
    let text = draft.text();
    if to_stdout {
        print(&text)?;
        return Ok(Exit::Done);
    }
    write(&file, text.as_bytes(), new.replace)?;
    let sources = Sources { looking_only: true, ..Sources::from_environment(file.clone(), common.state_dir.clone()) };
    let (notes, problems) = match load(&sources) {
        Ok(loaded) => (loaded.notes, Vec::new()),
        Err(ConfigError::Invalid(problems)) => (Vec::new(), problems),
        Err(error @ ConfigError::Unreadable { .. }) => return Err(error.into()),
    };
    let exit = if problems.is_empty() { Exit::Done } else { Exit::Config };
    let absolute = std::path::absolute(&file).unwrap_or_else(|_| file.clone());
    let told =
        steps::Written { draft: &draft, file: &file, absolute: &absolute, common, notes: &notes, problems: &problems };
    if common.json {
        print_json(&told.document())?
    } else {
        print(&told.text())?
    };
    Ok(exit)
}

/// For everybody to read: it holds no secret.
fn write(file: &Path, text: &[u8], over: bool) -> Result<(), NewError> {
    let done = if over { replace(file, text) } else { create(file, text) };
    done.map_err(|source| match source.kind() {
        io::ErrorKind::AlreadyExists => NewError::Exists(file.to_owned()),
        _ => NewError::Unwritable { file: file.to_owned(), source },
    })
}

/// Someone who answers questions, a line each.
struct Talk<'a> {
    input: &'a mut dyn BufRead,
    output: &'a mut dyn Write,
}

impl Talk<'_> {
    fn tell(&mut self, text: &str) -> Result<(), CommandError> {
        self.output.write_all(text.as_bytes()).map_err(|error| CommandError::Io("write to the terminal", error))
    }

    /// One line, without the blanks around it.
    fn line(&mut self, question: &str) -> Result<String, CommandError> {
        self.tell(question)?;
        self.output.flush().map_err(|error| CommandError::Io("write to the terminal", error))?;
        let mut bytes = Vec::new();
        let mut input = (&mut *self.input).take(MAX_LINE);
        input.read_until(b'\n', &mut bytes).map_err(|error| CommandError::Io("read from the terminal", error))?;
        if bytes.is_empty() {
            return Err(CommandError::Usage("the answers ended before the questions; nothing was written".into()));
        }
        Ok(String::from_utf8_lossy(&bytes).trim().to_owned())
    }

    /// Asks until the answer holds. An empty one is the default, if there is one.
    fn ask<T>(
        &mut self,
        question: &str,
        default: Option<&str>,
        read: impl Fn(&str) -> Result<T, Refused>,
    ) -> Result<T, CommandError> {
        let shown = default.filter(|default| !default.is_empty()).map(|default| format!(" [{default}]"));
        let question = format!("{question}{}: ", shown.unwrap_or_default());
        loop {
            let said = self.line(&question)?;
            match read(default.filter(|_| said.is_empty()).unwrap_or(&said)) {
                Ok(value) => return Ok(value),
                Err(refused) => self.tell(&format!("  {refused}\n"))?,
            }
        }
    }
}

/// Where answers come from: the option, else whoever is there to be asked, else the default.
struct Answers<'a> {
    talk: Option<Talk<'a>>,
}

impl Answers<'_> {
    fn get<T>(
        &mut self,
        option: &str,
        given: Option<&str>,
        question: &str,
        default: Option<&str>,
        read: impl Fn(&str) -> Result<T, Refused>,
    ) -> Result<T, CommandError> {
        let no = |refused: Refused| CommandError::Usage(format!("{option}: {refused}"));
        match (given, &mut self.talk, default) {
            (Some(given), ..) => read(given).map_err(no),
            (None, Some(talk), _) => talk.ask(question, default, read),
            (None, None, Some(default)) => read(default).map_err(no),
            (None, None, None) => Err(missing(option)),
        }
    }
}

fn missing(option: &str) -> CommandError {
    CommandError::Usage(format!(
        "{option} is missing, and there is no terminal to ask at; run this on one, or write all options, such as\n  {EXAMPLE}"
    ))
}

fn gather(new: &New, talk: Option<Talk<'_>>) -> Result<Draft, CommandError> {
    let mut answers = Answers { talk };
    let zone = answers.get("--zone", new.zone.as_deref(), "The zone that holds your names", None, draft::zone)?;
    let given = (!new.record.is_empty()).then(|| new.record.join(" "));
    let question = format!("The names to publish, whole (such as gauge.{zone}), with blanks between them");
    let records = answers.get("--record", given.as_deref(), &question, None, |text| draft::records(text, &zone))?;
    let question = "Their types: A for IPv4; AAAA too (A,AAAA) only if this machine can be reached over IPv6";
    let types = answers.get("--types", new.types.as_deref(), question, Some("A"), draft::types)?;
    let question =
        "Where the zone lives: rfc2136 (a DNS server that takes updates), rest (an HTTP API), zonefile, or program";
    let kind =
        answers.get("--kind", new.kind.as_deref(), question, Some("rfc2136"), |text| draft::one_of(text, &KINDS))?;
    only(new, kind)?;
    // There is a record: otherwise none would have been taken.
    let key = records.first().map(|record| draft::key_for(record, &zone)).unwrap_or_default();
    let place = place(&mut answers, new, kind, &key)?;
    let witnesses = witnesses(&mut answers, new)?;
    let router = match (&mut answers.talk, types.contains(&RecordType::A)) {
        // It is asked for IPv4 only.
        (_, false) => false,
        (Some(talk), true) if !new.router && new.witness.is_empty() => {
            let choices = [("yes", true), ("no", false)];
            let question = "Ask the home's own router too, by NAT-PMP or UPnP?";
            talk.ask(question, Some("yes"), |text| draft::one_of(text, &choices))?
        }
        _ => new.router,
    };
    Ok(Draft { zone, records, types, place, witnesses, router })
}

/// Refuses what belongs to another kind.
fn only(new: &New, kind: ProviderChoice) -> Result<(), CommandError> {
    use ProviderChoice::{Program, Rest, Rfc2136, Zonefile};
    let options: [(&str, bool, &[ProviderChoice]); 7] = [
        ("--server", new.server.is_some(), &[Rfc2136, Rest]),
        ("--software", new.software.is_some(), &[Rfc2136]),
        ("--key", new.key.is_some(), &[Rfc2136]),
        ("--secret", new.secret.is_some(), &[Rfc2136, Rest]),
        ("--file", new.file.is_some(), &[Zonefile, Rest]),
        ("--reload", new.reload.is_some(), &[Zonefile]),
        ("--program", new.program.is_some(), &[Program]),
    ];
    let word = |kind: ProviderChoice| KINDS.iter().find(|(_, other)| *other == kind).map_or("", |(word, _)| *word);
    match options.iter().find(|(_, is_set, kinds)| *is_set && !kinds.contains(&kind)) {
        None => Ok(()),
        Some((option, _, kinds)) => {
            let kinds: Vec<String> = kinds.iter().map(|kind| format!("--kind {}", word(*kind))).collect();
            let (has, wants) = (word(kind), kinds.join(" or "));
            Err(CommandError::Usage(format!("{option} is of no use with --kind {has}; remove it, or write {wants}")))
        }
    }
}

fn place(answers: &mut Answers<'_>, new: &New, kind: ProviderChoice, key: &str) -> Result<Place, CommandError> {
    let (server, file) = (new.server.as_deref(), new.file.as_deref());
    match kind {
        ProviderChoice::Rfc2136 => {
            let server = answers.get("--server", server, "The zone's primary server", None, draft::server)?;
            let question = "What that server is: bind, knot, powerdns or other";
            let software = answers.get("--software", new.software.as_deref(), question, Some("other"), |text| {
                draft::one_of(text, &SOFTWARE)
            })?;
            let key = answers.get("--key", new.key.as_deref(), "The key's name", Some(key), draft::key)?;
            let secret = kept(answers, new, "gauge.key", "The file that holds the key's secret")?;
            Ok(Place::Rfc2136 { server, software, key, secret })
        }
        ProviderChoice::Rest => {
            let server = answers.get("--server", server, "The API's https://HOST", None, draft::api)?;
            let question = "The file that describes the API";
            let description = answers.get("--file", file, question, Some("providers/record.toml"), draft::file)?;
            let token = kept(answers, new, "dnshost.token", "The file that holds the API's token")?;
            Ok(Place::Rest { server, description, token })
        }
        ProviderChoice::Zonefile => {
            let file = answers.get("--file", file, "The zone's master file", None, draft::file)?;
            let question = "The command that makes the server load it again, or nothing";
            let reload = answers.get("--reload", new.reload.as_deref(), question, Some(""), draft::command)?;
            Ok(Place::Zonefile { file, reload })
        }
        ProviderChoice::Program => {
            let question = "The program's absolute path, and its arguments";
            let command = answers.get("--program", new.program.as_deref(), question, None, draft::program)?;
            Ok(Place::Program { command })
        }
    }
}

fn kept(answers: &mut Answers<'_>, new: &New, credential: &'static str, question: &str) -> Result<Kept, CommandError> {
    let question = format!("{question}; for the service \"{SYSTEMD}\", which hands it over");
    let file = answers.get("--secret", new.secret.as_deref(), &question, Some(SYSTEMD), draft::file)?;
    Ok(if file == SYSTEMD { Kept::Credential(credential) } else { Kept::File(file) })
}

fn witnesses(answers: &mut Answers<'_>, new: &New) -> Result<Vec<draft::Asked>, CommandError> {
    let mut all = Vec::new();
    for text in &new.witness {
        all.push(draft::witness(text).map_err(|refused| CommandError::Usage(format!("--witness: {refused}")))?);
    }
    if !all.is_empty() {
        return Ok(all);
    }
    let Some(talk) = &mut answers.talk else { return Err(missing("--witness")) };
    talk.tell(&format!("\n{}\n", ADVICE.join("\n")))?;
    talk.tell(
        "Write each as OPERATOR=https://HOST/PATH, with #/POINTER where the answer is JSON and the address stands there,\n\
         or as OPERATOR=stun:HOST; an empty line ends the list.\n",
    )?;
    loop {
        let said = talk.line(&format!("Witness {}: ", all.len() + 1))?;
        match (said.as_str(), all.is_empty()) {
            ("", true) => talk.tell("  without a witness nobody can be asked for the address; name at least one\n")?,
            ("", false) => return Ok(all),
            (said, _) => match draft::witness(said) {
                Ok(asked) => all.push(asked),
                Err(refused) => talk.tell(&format!("  {refused}\n"))?,
            },
        }
    }
}

/// How many operators vote on the address.
fn operators(draft: &Draft) -> usize {
    let named: BTreeSet<&str> = draft.witnesses.iter().map(|asked| asked.operator.as_str()).collect();
    named.len() + usize::from(draft.router)
}

#[cfg(test)]
mod tests;
