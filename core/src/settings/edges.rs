//! The ranges of the edge in front of the home, and what lets them in.

use std::collections::BTreeSet;
use std::net::Ipv4Addr;
use std::path::PathBuf;
use std::time::Duration;

/// One `[[edge]]`: a network whose published ranges may get in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Edge {
    /// Its name, unique.
    pub name: String,
    /// Where its ranges are published; never empty. Its addresses are those of all of them.
    pub sources: Vec<ListSource>,
    /// No range may be larger.
    pub shortest: Shortest,
    /// How many percent of the addresses of a family may be gone in a new list.
    pub may_lose: u32,
    /// How many percent of the addresses of a family may have come in a new list.
    pub may_gain: u32,
}

/// The shortest prefixes that are believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shortest {
    /// Of IPv4, at most 32.
    pub ipv4: u8,
    /// Of IPv6, at most 128.
    pub ipv6: u8,
}

/// Where a list of ranges is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ListSource {
    /// The place.
    pub at: ListPlace,
    /// How it is written.
    pub form: ListForm,
}

/// The place of a list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ListPlace {
    /// A URL to GET.
    Url(url::Url),
    /// A file of this machine.
    File(PathBuf),
}

/// How a list is written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ListForm {
    /// One range a line; `#` and `;` begin a comment.
    Lines,
    /// JSON.
    Json {
        /// JSON Pointers (RFC 6901) to the lists; never empty.
        lists: Vec<String>,
        /// A JSON Pointer from an entry of a list to its range; empty for the entry itself.
        item: String,
    },
}

/// The `[allowlist]` table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Allowlist {
    /// Time between two looks at the lists.
    pub every: Duration,
    /// The TCP ports of the service, as they are from outside; never empty.
    pub ports: BTreeSet<u16>,
    /// Where the ranges are written, in the order of the file.
    pub renders: Vec<Render>,
    /// What they are compared with.
    pub firewall: Option<Firewall>,
}

/// One `[[allowlist.render]]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Render {
    /// The form.
    pub form: RenderForm,
    /// The file.
    pub file: PathBuf,
    /// The command that has it take effect, as program and arguments; empty for none.
    pub reload: Vec<String>,
}

/// The form in which ranges are written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum RenderForm {
    /// Commands for `nft -f`: two sets of this table, such as `inet filter`.
    Nft {
        /// Family and name of the table.
        table: String,
    },
    /// One range a line.
    Lines,
    /// A JSON document.
    Json,
    /// Numbered rules, for hands.
    Rules,
    /// By a template of the owner's.
    Template {
        /// Its file.
        template: PathBuf,
    },
}

/// The `[allowlist.firewall]` table: what says whom the firewall lets in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Firewall {
    /// `nft -j list ruleset`.
    Nft {
        /// Where it comes from.
        from: Input,
        /// Where the service is, seen from this ruleset.
        service: Place,
        /// The interface through which the outside comes.
        outside: Option<String>,
        /// The interface behind which the service is.
        inside: Option<String>,
    },
    /// One range a line.
    Lines {
        /// Where they come from.
        from: Input,
    },
    /// A table with a header row.
    Csv {
        /// Where it comes from.
        from: Input,
        /// Its columns.
        columns: Columns,
    },
    /// The port mappings that the router tells over UPnP.
    Router {
        /// Its address inside; `None` for the default gateway.
        gateway: Option<Ipv4Addr>,
    },
}

/// Where text comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Input {
    /// A file of this machine.
    File(PathBuf),
    /// What a program prints; never empty.
    Command(Vec<String>),
}

/// Where a service is, seen from a ruleset.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// On the machine whose ruleset it is.
    Here,
    /// On another machine, to which that one forwards.
    Behind,
}

/// The columns of a table, by the names in its header.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Columns {
    /// Who may come.
    pub source: String,
    /// To which port; `None` when all rows are about the service.
    pub port: Option<String>,
    /// Whether the row lets in; `None` when all rows do.
    pub action: Option<String>,
}
