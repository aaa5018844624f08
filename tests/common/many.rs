//! Many records in many zones: the zones as BIND is told them, and the configuration that keeps them.

use std::fmt::Write as _;
use std::net::IpAddr;
use std::path::Path;

use super::{KEY, SECRET_BASE64, ZoneSetup};

/// Names of the zones; they live as long as the process, as those of [`ZoneSetup`] do.
pub(crate) fn zone_names(zones: usize) -> Vec<&'static str> {
    (0..zones).map(|nth| &*Box::leak(format!("mill{nth}.example").into_boxed_str())).collect()
}

/// The zones, each with its share of `records`, that all stand at `address`.
pub(crate) fn zones(names: &[&'static str], records: usize, address: IpAddr) -> Vec<ZoneSetup> {
    let mut lines = vec![String::new(); names.len()];
    (0..records).for_each(|nth| writeln!(lines[nth % names.len()], "n{nth} 120 A {address}").unwrap());
    names.iter().zip(&lines).map(|(name, lines)| ZoneSetup { name, ..ZoneSetup::new(lines) }).collect()
}

/// Writes `fingerpost.toml`, and the key, into `dir`: the records of [`zones`] at `server`, by the word of `echoes`.
pub(crate) fn configure(dir: &Path, names: &[&str], records: usize, server: &str, echoes: &[String]) {
    use std::os::unix::fs::OpenOptionsExt as _;
    let key = std::fs::File::options().write(true).create(true).truncate(true).mode(0o600).open(dir.join("key"));
    std::io::Write::write_all(&mut key.unwrap(), SECRET_BASE64.as_bytes()).unwrap();
    let mut text = String::from(
        "state_dir = \"state\"\n[watch]\nsettle = 1\naccept_special = [\"203.0.113.0/24\"]\n\
         [limits]\nspacing = \"1ms\"\nburst = 1000\ndaily = 1000000\n",
    );
    for (nth, name) in names.iter().enumerate() {
        write!(
            text,
            "[provider.p{nth}]\nkind = \"rfc2136\"\nzone = \"{name}\"\nserver = \"{server}\"\ntimeout = \"1m\"\nconfirm = \"off\"\n\
             key = {{ name = \"{}\", algorithm = \"hmac-sha256\", secret = {{ file = \"key\" }} }}\n",
            KEY.name
        )
        .unwrap();
    }
    for nth in 0..records {
        let at = nth % names.len();
        write!(
            text,
            "[[record]]\nname = \"n{nth}.{}\"\ntypes = [\"A\"]\nprovider = \"p{at}\"\nttl = \"2m\"\n",
            names[at]
        )
        .unwrap();
    }
    for (nth, url) in echoes.iter().enumerate() {
        write!(
            text,
            "[[witness]]\nname = \"w{nth}\"\noperator = \"o{nth}\"\nkind = \"http\"\nurl = \"{url}\"\nfamilies = [\"ipv4\"]\n"
        )
        .unwrap();
    }
    std::fs::write(dir.join("fingerpost.toml"), text).unwrap();
}
