//! BIND's named.

use std::net::SocketAddr;
use std::path::Path;

use super::{ServerKey, Software, ZoneSetup};

pub(crate) struct Named;

impl Software for Named {
    const PROGRAM: &'static str = "named";

    fn configuration(dir: &Path, at: SocketAddr, keys: &[ServerKey], zones: &[ZoneSetup]) -> String {
        let (dir, ip, port) = (dir.display(), at.ip(), at.port());
        let (ipv4, ipv6) =
            if ip.is_ipv4() { (format!("{ip};"), "none;".into()) } else { ("none;".into(), format!("{ip};")) };
        // Without its limit on RRsets, a hundred members from 9.18.28 on, and with any name for an address.
        let mut text = format!(
            "options {{ directory \"{dir}\"; pid-file none; lock-file none; session-keyfile none;
              listen-on port {port} {{ {ipv4} }}; listen-on-v6 port {port} {{ {ipv6} }};
              recursion no; dnssec-validation no; max-records-per-type 0; check-names primary ignore; notify no; allow-transfer {{ {ip}; }}; }};
            controls {{ }};\n"
        );
        for key in keys {
            text += &format!("key \"{}\" {{ algorithm {}; secret \"{}\"; }};\n", key.name, key.algorithm, key.secret);
        }
        for zone in zones {
            let grant = |grant: &super::Grant| match grant.name {
                Some(name) => format!("grant {} name {name} {}; ", grant.key, grant.types().join(" ")),
                None => format!("grant {} zonesub A AAAA; ", grant.key),
            };
            let policy: String = zone.grants.iter().map(grant).collect();
            let policy = if policy.is_empty() { policy } else { format!("update-policy {{ {policy}}};") };
            text += &format!(
                "zone \"{0}\" {{ type primary; file \"{dir}/{0}.zone\"; {policy} {1} }};\n",
                zone.name, zone.extra
            );
        }
        text
    }

    fn arguments(file: &Path) -> Vec<String> {
        // Without -u it stays the user it was started as.
        ["-g", "-n", "1", "-c"].map(str::to_owned).into_iter().chain([file.display().to_string()]).collect()
    }
}
