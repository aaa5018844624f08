//! Knot DNS's knotd.

use std::net::SocketAddr;
use std::path::Path;

use super::{Grant, ServerKey, Software, ZoneSetup};

pub(crate) struct Knotd;

impl Software for Knotd {
    const PROGRAM: &'static str = "knotd";

    fn configuration(dir: &Path, at: SocketAddr, keys: &[ServerKey], zones: &[ZoneSetup]) -> String {
        let (dir, ip, port) = (dir.display(), at.ip(), at.port());
        let mut text = format!(
            "server:\n  listen: {ip}@{port}\n  rundir: {dir}\n  udp-workers: 1\n  tcp-workers: 1\n  background-workers: 1\n\
             database:\n  storage: {dir}\n  journal-db-max-size: 16M\n  kasp-db-max-size: 16M\n  timer-db-max-size: 16M\n\
             log:\n  - target: stderr\n    any: info\n"
        );
        text += "key:\n";
        for key in keys {
            text += &format!("  - id: {}\n    algorithm: {}\n    secret: {}\n", key.name, key.algorithm, key.secret);
        }
        text += "acl:\n";
        let id = |zone: usize, grant: usize| format!("acl-{zone}-{grant}");
        // One rule has to allow all of an update, so what a key may change by name is one rule.
        let alike = |one: &Grant, next: &Grant| {
            one.key == next.key && one.types() == next.types() && one.name.is_some() && next.name.is_some()
        };
        for (at, zone) in zones.iter().enumerate() {
            for (nth, grants) in zone.grants.chunk_by(alike).enumerate() {
                let grant = &grants[0];
                text += &format!(
                    "  - id: {}\n    key: {}\n    action: update\n    update-type: [{}]\n",
                    id(at, nth),
                    grant.key,
                    grant.types().join(", ")
                );
                if grant.name.is_some() {
                    let names: Vec<_> =
                        grants.iter().flat_map(|grant| grant.name).map(|name| format!("{name}.")).collect();
                    text += &format!(
                        "    update-owner: name\n    update-owner-match: equal\n    update-owner-name: [{}]\n",
                        names.join(", ")
                    );
                }
            }
        }
        text += "zone:\n";
        for (at, zone) in zones.iter().enumerate() {
            text += &format!("  - domain: {0}\n    storage: {dir}\n    file: {0}.zone\n", zone.name);
            if !zone.grants.is_empty() {
                let ids: Vec<_> = (0..zone.grants.chunk_by(alike).count()).map(|nth| id(at, nth)).collect();
                text += &format!("    acl: [{}]\n", ids.join(", "));
            }
            text += zone.extra;
        }
        text
    }

    fn arguments(file: &Path) -> Vec<String> {
        vec!["-c".to_owned(), file.display().to_string()]
    }
}
