//! The ranges in the form in which a firewall, or a person, takes them. Pure.
//!
//! The text hangs on nothing but the ranges and their versions: the same ranges are the same text.

use std::fmt::Write as _;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use ipnet::IpNet;
use minijinja::syntax::SyntaxConfig;
use minijinja::value::Serde;
use minijinja::{Environment, UndefinedBehavior};
use serde::Serialize;

use crate::address::Family;
use crate::address::set::AddressSet;
use crate::allowlist::source::range;

/// How many steps a template may take: each range needs about ten.
const FUEL: u64 = 10_000_000;

/// The sets that are filled for nftables, by family.
pub(crate) const SETS: [(Family, &str, &str); 2] =
    [(Family::Ipv4, "edge_ipv4", "ipv4_addr"), (Family::Ipv6, "edge_ipv6", "ipv6_addr")];

/// A form, with what it needs.
#[derive(Clone, Copy, Debug)]
pub enum Form<'a> {
    /// Commands for `nft -f`, for this table.
    Nft(&'a str),
    /// One range a line.
    Lines,
    /// A JSON document.
    Json,
    /// Numbered rules, for hands.
    Rules,
    /// By this template.
    Template(&'a str),
}

/// Whose ranges they are.
#[derive(Clone, Debug)]
pub struct Part {
    /// The edge.
    pub edge: String,
    /// The version of its ranges.
    pub number: u64,
    /// The ranges.
    pub set: AddressSet,
}

/// Why there is no text.
#[derive(Debug, thiserror::Error)]
pub enum RenderError {
    /// The template does not hold.
    #[error("the template does not hold: {0:#}")]
    Template(#[from] minijinja::Error),
    /// It prints nothing.
    #[error("the template prints nothing, and an empty file lets nobody in, or everybody")]
    Empty,
    /// What was rendered does not say the ranges: a fault of the program itself.
    #[error("what was rendered reads otherwise than the ranges; please report this")]
    Otherwise,
    /// It could not be put into JSON.
    #[error("the ranges cannot be put into JSON")]
    Json(#[from] serde_json::Error),
}

/// The ranges of all `parts` together, for these TCP ports. Except for a template's, the text is read back and compared.
///
/// # Errors
/// [`RenderError`].
pub fn render(form: Form<'_>, parts: &[Part], ports: &[u16]) -> Result<String, RenderError> {
    let set = parts.iter().fold(AddressSet::default(), |all, part| all.union(&part.set));
    let ranges: Vec<IpNet> = set.prefixes().collect();
    let text = match form {
        Form::Nft(table) => nft(table, parts, &set),
        Form::Lines => head(parts) + &ranges.iter().map(|range| format!("{range}\n")).collect::<String>(),
        Form::Json => json(parts, &set)?,
        Form::Rules => rules(parts, &ranges, ports),
        Form::Template(template) => return by_template(template, parts, &set, ports),
    };
    if read_back(&text) == set { Ok(text) } else { Err(RenderError::Otherwise) }
}

/// The ranges that a text of one of the forms says, whatever else stands there.
pub(crate) fn read_back(text: &str) -> AddressSet {
    let lines = text.lines().filter(|line| !line.starts_with('#'));
    let words = lines.flat_map(|line| line.split([' ', ',', '{', '}', '"', '[', ']']));
    // A bare number is no address here: each range has its length with it.
    words.filter(|word| word.contains('/')).filter_map(range).collect()
}

fn head(parts: &[Part]) -> String {
    let parts: Vec<_> = parts.iter().map(|part| format!("{}, version {}", part.edge, part.number)).collect();
    format!("# Written by fingerpost, which overwrites it: the ranges of {}.\n", parts.join("; "))
}

/// Declared where it is not yet, emptied and filled in one transaction: `nft -f` takes all of a file or nothing.
fn nft(table: &str, parts: &[Part], set: &AddressSet) -> String {
    let mut text = head(parts);
    let _ = writeln!(text, "add table {table}");
    for (_, name, kind) in SETS {
        let _ = writeln!(text, "add set {table} {name} {{ type {kind}; flags interval; }}");
        let _ = writeln!(text, "flush set {table} {name}");
    }
    for (family, name, _) in SETS {
        let ranges: Vec<String> = set.of(family).prefixes().map(|range| range.to_string()).collect();
        // An empty list is none for nft.
        if !ranges.is_empty() {
            let _ = writeln!(text, "add element {table} {name} {{\n    {}\n}}", ranges.join(",\n    "));
        }
    }
    text
}

#[derive(Serialize)]
struct Document {
    ipv4: Vec<IpNet>,
    ipv6: Vec<IpNet>,
    edges: Vec<Version>,
}

#[derive(Serialize)]
struct Version {
    name: String,
    version: u64,
}

fn json(parts: &[Part], set: &AddressSet) -> Result<String, serde_json::Error> {
    let of = |family| set.of(family).prefixes().collect();
    let edges = parts.iter().map(|part| Version { name: part.edge.clone(), version: part.number }).collect();
    let document = Document { ipv4: of(Family::Ipv4), ipv6: of(Family::Ipv6), edges };
    Ok(serde_json::to_string_pretty(&document)? + "\n")
}

fn rules(parts: &[Part], ranges: &[IpNet], ports: &[u16]) -> String {
    let mut text = head(parts);
    let count = ranges.len() * ports.len();
    let width = count.to_string().len();
    let all = ports.iter().flat_map(|port| ranges.iter().map(move |range| (port, range)));
    for ((port, range), number) in all.zip(1..) {
        let _ = writeln!(text, "{number:width$}  allow TCP to port {port} from {range}");
    }
    text.push_str("# And behind them nothing that allows more: remove older rules for these ports.\n");
    text
}

/// What a template is given of a range.
#[derive(Serialize)]
struct RangeView {
    cidr: String,
    address: String,
    length: u8,
    netmask: String,
    wildcard: String,
}

impl From<IpNet> for RangeView {
    fn from(range: IpNet) -> Self {
        let wildcard = match range.hostmask() {
            IpAddr::V4(mask) => Ipv4Addr::to_string(&mask),
            IpAddr::V6(mask) => Ipv6Addr::to_string(&mask),
        };
        Self {
            cidr: range.to_string(),
            address: range.network().to_string(),
            length: range.prefix_len(),
            netmask: range.netmask().to_string(),
            wildcard,
        }
    }
}

#[derive(Serialize)]
struct Context {
    ipv4: Vec<RangeView>,
    ipv6: Vec<RangeView>,
    ranges: Vec<RangeView>,
    ports: Vec<u16>,
    edges: Vec<Version>,
}

fn by_template(template: &str, parts: &[Part], set: &AddressSet, ports: &[u16]) -> Result<String, RenderError> {
    let of = |family| set.of(family).prefixes().map(RangeView::from).collect();
    let edges = parts.iter().map(|part| Version { name: part.edge.clone(), version: part.number }).collect();
    let context = Context {
        ipv4: of(Family::Ipv4),
        ipv6: of(Family::Ipv6),
        ranges: set.prefixes().map(RangeView::from).collect(),
        ports: ports.to_vec(),
        edges,
    };
    let mut environment = Environment::new();
    // A misspelt name is an error and not nothing.
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    // A line with nothing but a tag leaves no line.
    let syntax = SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).keep_trailing_newline(true).build()?;
    environment.set_syntax(syntax);
    environment.set_fuel(Some(FUEL));
    let text = environment.render_str(template, Serde(context))?;
    if text.trim().is_empty() { Err(RenderError::Empty) } else { Ok(text) }
}

#[cfg(test)]
mod tests;
