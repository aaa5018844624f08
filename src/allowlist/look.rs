//! Looks at the firewall, and compares: reads a file, runs a program or asks the router, as the configuration says.

use std::collections::BTreeSet;
use std::io::Read as _;
use std::net::IpAddr;
use std::path::Path;
use std::time::Duration;

use serde::Serialize;

use super::compare::Comparison;
use super::firewall::nft::{Question, Ruleset};
use super::firewall::{LetIn, Way, csv, mappings};
use super::{AllowlistError, in_force, source};
use crate::address::Family;
use crate::address::set::AddressSet;
use crate::address::special::never_from_outside;
use crate::aside::aside;
use crate::files::{self, Errand};
use crate::process::{self, Job, NotEnded};
use crate::settings::{Config, Firewall, Input, ListForm};
use crate::text::root_cause;
use crate::update;
use crate::watch::router::Router;
use crate::watch::router::igd::xml::Mapping;

/// The longest text that is read, in bytes: a ruleset with some hundred thousand elements.
const LIMIT: usize = 16 << 20;

/// How long a program may take.
const PATIENCE: Duration = Duration::from_secs(30);

/// One port, compared.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Compared {
    /// The TCP port.
    pub port: u16,
    /// What differs.
    #[serde(flatten)]
    pub comparison: Comparison,
}

/// Compares the ranges in force with whom the firewall lets in, port by port. Writes nothing.
///
/// # Errors
/// [`AllowlistError`] when either side is not known.
pub async fn compare(config: &Config) -> Result<Vec<Compared>, AllowlistError> {
    // Before anything is asked.
    let wanted = in_force(config).await?.iter().fold(AddressSet::default(), |all, (_, kept)| all.union(&kept.set()));
    let allowlist = config.allowlist.as_ref().ok_or(AllowlistError::NoEdge)?;
    let firewall = allowlist.firewall.as_ref().ok_or(AllowlistError::NoFirewall)?;
    let told = Listing::ask(firewall).await?;
    let config = config.clone();
    // A ruleset may be long.
    aside(move || judge(&config, told, &wanted)).await
}

fn judge(config: &Config, told: Listing, wanted: &AddressSet) -> Result<Vec<Compared>, AllowlistError> {
    let allowlist = config.allowlist.as_ref().ok_or(AllowlistError::NoEdge)?;
    let firewall = allowlist.firewall.as_ref().ok_or(AllowlistError::NoFirewall)?;
    let inside = never_from_outside(&config.watch.accept_special);
    let mut compared = Vec::new();
    let seen = Seen::read(config, firewall, told)?;
    for &port in &allowlist.ports {
        let comparison = Comparison::new(wanted, &seen.let_in(port)?, &inside);
        compared.push(Compared { port, comparison });
    }
    Ok(compared)
}

/// What a firewall told.
enum Listing {
    Text { place: String, text: Vec<u8> },
    Mappings(Vec<Mapping>),
}

impl Listing {
    async fn ask(firewall: &Firewall) -> Result<Self, AllowlistError> {
        let from = match firewall {
            Firewall::Nft { from, .. } | Firewall::Lines { from } | Firewall::Csv { from, .. } => from,
            Firewall::Router { gateway } => {
                let told = Router::new(*gateway, None).mappings(PATIENCE).await;
                let refused = |why| AllowlistError::Firewall { place: "port mappings".to_owned(), why };
                return told.map(Self::Mappings).map_err(refused);
            }
        };
        let place = place(from);
        match read(from).await {
            Ok(text) => Ok(Self::Text { place, text }),
            Err(why) => Err(AllowlistError::Firewall { place, why }),
        }
    }
}

/// What a firewall's listing says, understood.
enum Seen<'a> {
    Nft { ruleset: Ruleset, homes: BTreeSet<IpAddr>, firewall: &'a Firewall },
    Lines(AddressSet),
    Mappings(Vec<Mapping>),
    Csv { place: String, text: Vec<u8>, columns: &'a crate::settings::Columns },
}

impl<'a> Seen<'a> {
    fn read(config: &Config, firewall: &'a Firewall, told: Listing) -> Result<Self, AllowlistError> {
        let (place, text) = match told {
            Listing::Text { place, text } => (place, text),
            Listing::Mappings(told) => return Ok(Self::Mappings(told)),
        };
        let refused = |why: String| AllowlistError::Firewall { place: place.clone(), why };
        Ok(match firewall {
            Firewall::Nft { .. } => {
                let ruleset = Ruleset::parse(&text).map_err(|why| refused(why.to_string()))?;
                Self::Nft { ruleset, homes: homes(config)?, firewall }
            }
            Firewall::Csv { columns, .. } => Self::Csv { place, text, columns },
            Firewall::Lines { .. } | Firewall::Router { .. } => {
                match source::read(&ListForm::Lines, None, &text) {
                    Ok(listed) => Self::Lines(listed.set),
                    // A firewall may well let nobody in.
                    Err(source::Unreadable::Empty) => Self::Lines(AddressSet::default()),
                    Err(why) => return Err(refused(why.to_string())),
                }
            }
        })
    }

    fn let_in(&self, port: u16) -> Result<LetIn, AllowlistError> {
        match self {
            Self::Lines(set) => {
                let way = Way { set: set.clone(), by: "listed".to_owned() };
                Ok(LetIn { ways: vec![way], ..LetIn::default() })
            }
            Self::Mappings(told) => Ok(mappings::let_in(told, port)),
            Self::Csv { place, text, columns } => csv::let_in(text, columns, port)
                .map_err(|why| AllowlistError::Firewall { place: place.clone(), why: why.to_string() }),
            Self::Nft { ruleset, homes, firewall } => {
                let Firewall::Nft { service, outside, inside, .. } = firewall else { return Ok(LetIn::default()) };
                let (service, outside, inside) = (*service, outside.as_deref(), inside.as_deref());
                let mut let_in = LetIn::default();
                for family in Family::BOTH {
                    let mut homes: Vec<_> =
                        homes.iter().filter(|home| Family::of(**home) == family).copied().map(Some).collect();
                    if homes.is_empty() {
                        homes.push(None);
                    }
                    // Whoever gets to any address of the home's gets in.
                    for destination in homes {
                        let question = Question { family, port, destination, service, outside, inside };
                        let_in.join(ruleset.let_in(&question));
                    }
                }
                Ok(let_in)
            }
        }
    }
}

/// The home's addresses, as far as the state knows them: a rule may be for one of them only.
fn homes(config: &Config) -> Result<BTreeSet<IpAddr>, AllowlistError> {
    let state = update::peek(config)?;
    Ok(state.settled.values().chain(state.published.values().flatten()).copied().collect())
}

fn place(from: &Input) -> String {
    match from {
        Input::File(path) => path.display().to_string(),
        Input::Command(words) => format!("`{}`", words.join(" ")),
    }
}

async fn read(from: &Input) -> Result<Vec<u8>, String> {
    let words = match from {
        Input::File(path) => {
            let path = path.clone();
            return aside(move || read_file(&path)).await;
        }
        Input::Command(words) => words,
    };
    let Some((program, arguments)) = words.split_first() else { return Err("no program is named".to_owned()) };
    let environment = process::kept(&["PATH", "HOME"]);
    let job = Job { program, arguments, environment, directory: None, input: None, most: LIMIT, limit: PATIENCE };
    match process::run(job).await {
        Ok(ended) if ended.status.success() => Ok(ended.output),
        Ok(ended) => Err(format!("it failed ({}): {}", ended.status, ended.said.told(&[]))),
        Err(NotEnded::Start(error) | NotEnded::Wait(error)) => Err(format!("it cannot be run: {}", root_cause(&error))),
        Err(NotEnded::Late(_)) => Err(format!("it did not end within {} seconds", PATIENCE.as_secs())),
        Err(NotEnded::Long) => Err(too_long()),
    }
}

fn read_file(path: &Path) -> Result<Vec<u8>, String> {
    let mut bytes = Vec::new();
    let file = files::open(path, Errand::Read).map_err(|error| root_cause(&error))?;
    file.take(LIMIT as u64 + 1).read_to_end(&mut bytes).map_err(|error| root_cause(&error))?;
    if bytes.len() > LIMIT { Err(too_long()) } else { Ok(bytes) }
}

fn too_long() -> String {
    format!("it is longer than {LIMIT} bytes")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::aside::only_aside;

    #[test]
    fn a_listing_is_read_beside_the_loop() {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(&file, "198.51.100.64/28\n").unwrap();
        assert_eq!(only_aside(read(&Input::File(file.path().to_owned()))).unwrap(), b"198.51.100.64/28\n");
    }
}
