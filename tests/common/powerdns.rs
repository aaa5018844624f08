//! PowerDNS's `pdns_server` with SQLite behind it: DNS, dynamic updates, and its HTTP API.

use std::fs;
use std::net::{Ipv4Addr, SocketAddr, TcpStream};
use std::path::Path;
use std::process::Command;

use super::{DnsServer, ServerKey, Software, ZoneSetup, find, run};

/// The key of the HTTP API.
pub(crate) const API_KEY: &str = "gauge-api-key-of-the-tests";

/// Where Debian's package has the tables of the SQLite backend.
const SCHEMA: &str = "/usr/share/pdns-backend-sqlite3/schema/schema.sqlite3.sql";

pub(crate) struct PowerDns;

impl PowerDns {
    /// The HTTP API of a server: the same port, on an address of loopback where no test listens.
    pub(crate) fn api(server: &DnsServer) -> String {
        format!("http://{}", api(server.at))
    }

    /// Asks or changes its database, behind its back.
    pub(crate) fn sql(server: &DnsServer, text: &str) -> String {
        sql(server.dir.path(), text)
    }
}

fn api(at: SocketAddr) -> SocketAddr {
    (Ipv4Addr::new(127, 0, 0, 2), at.port()).into()
}

impl Software for PowerDns {
    const PROGRAM: &'static str = "pdns_server";

    /// Besides the configuration this makes the database, and tells it keys and grants anew each time.
    fn configuration(dir: &Path, at: SocketAddr, keys: &[ServerKey], zones: &[ZoneSetup]) -> String {
        let (at_dir, ip, port, api) = (dir.display(), at.ip(), at.port(), api(at));
        let narrow = zones.iter().flat_map(|zone| &zone.grants).any(|grant| grant.name.is_some());
        let policy_line =
            if narrow { format!("lua-dnsupdate-policy-script={at_dir}/policy.lua\n") } else { String::new() };
        let text = format!(
            "launch=gsqlite3\ngsqlite3-database={at_dir}/zones.db\nsocket-dir={at_dir}\nlocal-address={ip}\nlocal-port={port}\n\
             api=yes\napi-key={API_KEY}\nwebserver=yes\nwebserver-address={}\nwebserver-port={port}\nwebserver-allow-from=127.0.0.0/8\n\
             dnsupdate=yes\nallow-dnsupdate-from=0.0.0.0/0,::/0\n{policy_line}\
             cache-ttl=0\nquery-cache-ttl=0\nnegquery-cache-ttl=0\nzone-cache-refresh-interval=0\n\
             default-soa-edit=\nreceiver-threads=1\nretrieval-threads=1\ndistributor-threads=1\nsecurity-poll-suffix=\n\
             version-string=anonymous\nloglevel=5\n",
            api.ip()
        );
        // `pdnsutil` and the server find it by this name.
        fs::write(dir.join("pdns.conf"), &text).unwrap();
        fs::write(dir.join("policy.lua"), policy(zones)).unwrap();
        if !dir.join("zones.db").exists() {
            sql(dir, &fs::read_to_string(SCHEMA).expect("this test needs the package pdns-backend-sqlite3"));
            for zone in zones {
                assert_eq!(zone.extra, "", "no lines for a single zone here");
                let file = dir.join(format!("{}.zone", zone.name));
                let (config, file) = (format!("--config-dir={at_dir}"), file.display().to_string());
                let output =
                    Command::new(find("pdnsutil")).args([&config, "load-zone", zone.name, &file]).output().unwrap();
                assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
            }
        }
        let mut told = "DELETE FROM tsigkeys;
             DELETE FROM domainmetadata WHERE kind IN ('TSIG-ALLOW-DNSUPDATE', 'SOA-EDIT-API');\n"
            .to_owned();
        for key in keys {
            let ServerKey { name, algorithm, secret } = key;
            told += &format!(
                "INSERT INTO tsigkeys (name, algorithm, secret) VALUES ('{name}', '{algorithm}', '{secret}');\n"
            );
        }
        for zone in zones {
            // What a zone has that is made by the API; without it changes by the API leave the serial as it is.
            told += &format!(
                "INSERT INTO domainmetadata (domain_id, kind, content)
                 SELECT id, 'SOA-EDIT-API', 'DEFAULT' FROM domains WHERE name = '{}';\n",
                zone.name
            );
            for grant in &zone.grants {
                told += &format!(
                    "INSERT INTO domainmetadata (domain_id, kind, content)
                     SELECT id, 'TSIG-ALLOW-DNSUPDATE', '{}' FROM domains WHERE name = '{}';\n",
                    grant.key, zone.name
                );
            }
        }
        sql(dir, &told);
        text
    }

    fn arguments(file: &Path) -> Vec<String> {
        let dir = file.parent().unwrap().display();
        vec![format!("--config-dir={dir}"), "--guardian=no".into(), "--daemon=no".into()]
    }

    fn is_ready(at: SocketAddr) -> bool {
        TcpStream::connect(api(at)).is_ok()
    }
}

fn sql(dir: &Path, text: &str) -> String {
    run("sqlite3", &["-bail", &dir.join("zones.db").display().to_string()], text)
}

/// What each key may change: A and AAAA, at one name or at all below the zone's apex. Only for a key that may change
/// one name alone, since it stands in for the server's own check, and what it forbids is left out of the update
/// while the answer is NOERROR all the same (measured with 4.7).
fn policy(zones: &[ZoneSetup]) -> String {
    let mut text = "function updatepolicy(input)\n  local key, name = input:getTsigName():toString(), input:getQName():toString()\n  \
                    local rtype = input:getQType()\n  if rtype ~= pdns.A and rtype ~= pdns.AAAA then return false end\n"
        .to_owned();
    for zone in zones {
        for grant in &zone.grants {
            let allowed = match grant.name {
                Some(name) => format!("name == '{name}.'"),
                None => format!("string.sub(name, -{}) == '.{}.'", zone.name.len() + 2, zone.name),
            };
            text += &format!("  if key == '{}.' and {allowed} then return true end\n", grant.key);
        }
    }
    text + "  return false\nend\n"
}
