//! `[status]`: where the status page is served, and to whom.

use std::net::SocketAddr;
use std::path::PathBuf;

use super::reader::Table;
use super::units::Wrong;
use super::values;
use crate::settings::{Listen, StatusPage};

pub(super) fn read(root: &Table<'_>) -> Option<StatusPage> {
    let table = root.table("status");
    let listen_cell = table.key("listen");
    let listen = if listen_cell.is_set() { listen_cell.parse(listen).map(Some) } else { Some(None) };
    let allow_cell = table.key("allow").or(Vec::<String>::new());
    let allow: Vec<_> = allow_cell.list()?.iter().filter_map(|range| range.parse(values::range)).collect();
    for range in allow.iter().filter(|range| range.prefix_len() == 0) {
        allow_cell.note(
            format!("{range} lets everybody look who can reach this machine"),
            "name your own network only, such as \"192.168.1.0/24\"",
        );
    }
    let hosts_cell = table.key("hosts").or(Vec::<String>::new());
    let hosts = hosts_cell.list()?;
    let hosts = hosts.iter().filter_map(|host| Some(host.parse(values::dns_name)?.to_string())).collect();
    if let Some(Some(Listen::Tcp(at))) = &listen
        && !at.ip().is_loopback()
        && allow.is_empty()
    {
        listen_cell.wrong(
            format!("{at} can be reached from other machines, and `allow` does not say from which"),
            "add for example: allow = [\"192.168.1.0/24\"], or listen on 127.0.0.1",
        );
    }
    Some(StatusPage { listen: listen?, allow, hosts })
}

fn listen(text: &str) -> Result<Listen, Wrong> {
    if let Some(path) = text.strip_prefix("unix:") {
        return match path.starts_with('/') {
            true => Ok(Listen::Unix(PathBuf::from(path))),
            false => Err(Wrong::new("has no absolute path", "write it, such as \"unix:/run/fingerpost/page.sock\"")),
        };
    }
    let remedy = "write an address and a port, such as \"127.0.0.1:8053\", or \"unix:\" and a path";
    text.parse::<SocketAddr>().map(Listen::Tcp).map_err(|_| Wrong::new("is no place to listen", remedy))
}
