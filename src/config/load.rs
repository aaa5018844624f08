//! From the sources to a checked [`Config`]: the door of the room.

use std::path::PathBuf;

use serde::Serialize;

use super::layers::Layers;
pub(crate) use super::problem::add;
pub use super::problem::{ConfigError, Problem};
use super::reader::Doc;
use super::{edges, exposure, led, lines, messages, providers, records, standby, status, tables, witnesses};
use crate::settings::{Config, by_provider};

/// Where a configuration comes from.
#[derive(Clone, Default)]
pub struct Sources {
    /// The file.
    pub file: PathBuf,
    /// The environment, whole: `FINGERPOST_` variables are a layer, and a secret may name any other.
    pub env: Vec<(String, String)>,
    /// Where the service manager put credentials (`$CREDENTIALS_DIRECTORY`).
    pub credentials_dir: Option<PathBuf>,
    /// The option `--state-dir`.
    pub state_dir: Option<PathBuf>,
    /// Nothing will be signed or sent: a credential that only the service gets may be absent here, and a file that only
    /// it may read unread. The provider or message is then left out, with a note.
    pub looking_only: bool,
    /// It is for this machine: the programs and files to which it leads are looked at too, and who may change them.
    pub here: bool,
}

impl Sources {
    /// The given file and option, and the environment of this process.
    pub(crate) fn from_environment(file: PathBuf, state_dir: Option<PathBuf>) -> Self {
        // std::env::vars panics on what is not UTF-8.
        let text = |text: std::ffi::OsString| text.to_string_lossy().into_owned();
        let env = std::env::vars_os().map(|(name, value)| (text(name), text(value))).collect();
        let credentials_dir = std::env::var_os("CREDENTIALS_DIRECTORY").map(PathBuf::from);
        Self { file, env, credentials_dir, state_dir, looking_only: false, here: true }
    }
}

/// Where the state is kept when nothing else is said.
const STATE_DIR: &str = "/var/lib/fingerpost";

/// The state directory of a configuration that need not hold: the one that is named, where that can be read.
pub fn state_dir(sources: &Sources) -> PathBuf {
    let named = || {
        let doc = Doc::new(Layers::read(sources).ok()?, &sources.file);
        doc.root().key("state_dir").or(STATE_DIR).file()
    };
    sources.state_dir.clone().or_else(named).unwrap_or_else(|| STATE_DIR.into())
}

/// A configuration that holds, and what is worth telling of it.
#[derive(Clone, Debug)]
pub struct Loaded {
    /// What the program acts on.
    pub config: Config,
    /// Every key in effect, in the order of the documentation.
    pub shown: Vec<Shown>,
    /// Doubts that forbid nothing.
    pub notes: Vec<Problem>,
    /// Every key that was looked for, set or not: `watch.every`, `witness[].url`, `provider.NAME.zone`.
    pub known: Vec<String>,
}

/// One key in effect.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Shown {
    /// The key, from the root: `witness[0].url`.
    pub key: String,
    /// Its value for people, as TOML would have it; of a secret only where it comes from.
    pub value: String,
    /// Where it was set: `default`, `fingerpost.toml:12`, `FINGERPOST_WATCH__EVERY`, `--state-dir`.
    pub source: String,
}

/// Reads and checks a configuration. All that is wrong with it is reported at once.
pub fn load(sources: &Sources) -> Result<Loaded, ConfigError> {
    let doc = Doc::new(Layers::read(sources)?, &sources.file);
    let config = read(&doc, sources);
    if sources.here {
        led::judge(&doc, sources, config.as_ref().map(|config| config.state_dir.as_path()));
    }
    let found = doc.finish();
    match config {
        Some(config) if found.problems.is_empty() => {
            Ok(Loaded { config, shown: found.shown, notes: found.notes, known: found.known.into_iter().collect() })
        }
        _ => Err(ConfigError::Invalid(found.problems)),
    }
}

fn read(doc: &Doc, sources: &Sources) -> Option<Config> {
    let root = doc.root();
    let state_dir = root.key("state_dir").or(STATE_DIR).file();
    let watch = tables::watch(&root.table("watch"));
    let lines = lines::read(&root);
    let witnesses = witnesses::read(&root, &lines);
    let providers = providers::read(doc, &root, sources);
    let records = records::read(&root, &providers, &lines, watch.prefix_length);
    let limits = tables::limits(&root.table("limits"));
    let retry = tables::retry(&root.table("retry"));
    let audit = tables::audit(&root.table("audit"));
    let standby = standby::read(&root, &providers);
    let confirm = tables::confirm(&root.table("confirm"));
    let edges = edges::read(&root);
    let allowlist = edges::allowlist(&root, edges.len());
    let named: Vec<&str> = edges.iter().flatten().map(|edge| edge.name.as_str()).collect();
    let exposure = exposure::read(&root, &named);
    let status = status::read(&root);
    let messages = messages::read(&root, sources);
    witnesses::check(&root, &witnesses, watch.quorum.as_ref(), &records);
    let records: Vec<_> = records.into_iter().filter_map(|record| record.whole).collect();
    let asked = by_provider(&records);
    let providers = providers.into_iter().filter_map(|(name, provider)| {
        let asked = asked.get(name.as_str()).map_or(&[][..], Vec::as_slice);
        Some((name, providers::asked_for(provider.whole?, asked)))
    });
    let providers = providers.collect();
    Some(Config {
        // The option as it was given: a path need not be text.
        state_dir: sources.state_dir.clone().or(state_dir)?,
        watch: watch.whole?,
        lines: lines.into_iter().map(|line| line.whole).collect::<Option<_>>()?,
        witnesses: witnesses.into_iter().filter_map(|witness| witness.whole).collect(),
        providers,
        records,
        limits: limits?,
        retry: retry?,
        audit: audit?,
        standby,
        confirm: confirm?,
        edges: edges.into_iter().collect::<Option<_>>()?,
        allowlist: allowlist?,
        exposure: exposure?,
        status: status?,
        messages: messages.into_iter().flatten().collect(),
    })
}
