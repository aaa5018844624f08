//! NSD's `nsd`. It takes no updates: it serves the master files, and loads them again when `nsd-control` says so.

use std::net::SocketAddr;
use std::path::Path;
use std::process::Command;

use super::{DnsServer, ServerKey, Software, ZoneSetup, find};

pub(crate) struct Nsd;

impl Nsd {
    /// The command that makes `server` load the file of `zone` again. It returns before that is done.
    pub(crate) fn reload(server: &DnsServer, zone: &str) -> Vec<String> {
        let conf = server.dir.path().join("conf").display().to_string();
        [&find("nsd-control"), "-c", &conf, "reload", zone].map(str::to_owned).into()
    }

    /// The records of `zone` as NSD reads its master file: owner without the final dot, TTL, type, and data. Panics when
    /// the file is not sound. Of a record that takes several lines, the SOA, there is only the first.
    pub(crate) fn records(server: &DnsServer, zone: &str) -> Vec<[String; 4]> {
        let file = server.zone_file(zone);
        let output = Command::new(find("nsd-checkzone")).args(["-p", zone]).arg(file).output();
        let output = output.expect("this test needs nsd-checkzone");
        let text = String::from_utf8(output.stdout).unwrap();
        assert!(output.status.success(), "{text}{}", String::from_utf8_lossy(&output.stderr));
        let (mut origin, mut owner, mut records) = (String::new(), String::new(), Vec::new());
        for line in text.lines() {
            if let Some(name) = line.strip_prefix("$ORIGIN ") {
                origin = name.trim_end_matches('.').to_owned();
            } else if let [label, ttl, "IN", rtype, data] = line.splitn(5, '\t').collect::<Vec<_>>()[..] {
                if !label.is_empty() {
                    owner = format!("{label}.{origin}");
                }
                records.push([owner.clone(), ttl.to_owned(), rtype.to_owned(), data.to_owned()]);
            }
        }
        records
    }
}

impl Software for Nsd {
    const PROGRAM: &'static str = "nsd";
    // Its children outlive it when it is killed.
    const IS_MANY: bool = true;

    fn configuration(dir: &Path, at: SocketAddr, _: &[ServerKey], zones: &[ZoneSetup]) -> String {
        let (dir, ip, port) = (dir.display(), at.ip(), at.port());
        let mut text = format!(
            "server:\n  ip-address: {ip}@{port}\n  server-count: 1\n  username: \"\"\n  chroot: \"\"\n  database: \"\"\n  \
             zonesdir: \"{dir}\"\n  pidfile: \"{dir}/pid\"\n  xfrdfile: \"{dir}/xfrd.state\"\n  xfrdir: \"{dir}\"\n  \
             zonelistfile: \"{dir}/zone.list\"\nremote-control:\n  control-enable: yes\n  control-interface: {dir}/control\n"
        );
        for zone in zones {
            text += &format!("zone:\n  name: {0}\n  zonefile: {0}.zone\n{1}", zone.name, zone.extra);
        }
        text
    }

    fn arguments(file: &Path) -> Vec<String> {
        vec!["-d".to_owned(), "-c".to_owned(), file.display().to_string()]
    }
}
