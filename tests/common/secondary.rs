//! BIND's named as a secondary, fed by NOTIFY and zone transfer (RFC 1996, RFC 5936), and its primary.

use std::net::SocketAddr;
use std::path::Path;

use super::named::Named;
use super::{DnsServer, Grant, KEY, ServerKey, Software, ZONE, ZoneSetup};

pub(crate) struct Secondary;

impl Software for Secondary {
    const PROGRAM: &'static str = "named";

    fn configuration(dir: &Path, at: SocketAddr, _: &[ServerKey], zones: &[ZoneSetup]) -> String {
        let (dir, ip, port) = (dir.display(), at.ip(), at.port());
        let mut text = format!(
            "options {{ directory \"{dir}\"; pid-file none; lock-file none; session-keyfile none;
              listen-on port {port} {{ {ip}; }}; listen-on-v6 {{ none; }};
              recursion no; dnssec-validation no; notify no; }};
            controls {{ }};\n"
        );
        for zone in zones {
            // A secondary that was away asks its primary again soon, instead of after the zone's own hour.
            text += &format!(
                "zone \"{0}\" {{ type secondary; file \"{dir}/{0}.zone\"; masterfile-format text; transfer-source {ip}; {1}
                  min-refresh-time 1; max-refresh-time 1; min-retry-time 1; max-retry-time 1; }};\n",
                zone.name, zone.extra
            );
        }
        text
    }

    fn arguments(file: &Path) -> Vec<String> {
        Named::arguments(file)
    }
}

/// The scenario's zone with these lines: a primary at `at`, and a secondary at each of `others`.
pub(crate) fn primary_and(at: SocketAddr, others: &[SocketAddr], lines: &str) -> (DnsServer, Vec<DnsServer>) {
    // The helper takes a text that lives for ever, and a test has few.
    let leak = |text: String| -> &'static str { Box::leak(text.into_boxed_str()) };
    let place = |at: &SocketAddr| format!("{} port {};", at.ip(), at.port());
    let notified: String = others.iter().map(place).collect();
    let allowed: String = others.iter().map(|other| format!("{};", other.ip())).collect();
    let primary = ZoneSetup {
        grants: vec![Grant { key: KEY.name, name: None }],
        extra: leak(format!(
            "notify explicit; also-notify {{ {notified} }}; notify-source {}; allow-transfer {{ {allowed} }};",
            at.ip()
        )),
        ..ZoneSetup::new(lines)
    };
    let primary = DnsServer::start_at::<Named>(at, &[KEY], &[primary]);
    let secondary = ZoneSetup { extra: leak(format!("primaries {{ {} }};", place(&at))), ..ZoneSetup::new(lines) };
    let start = |other: &SocketAddr| DnsServer::start_at::<Secondary>(*other, &[], std::slice::from_ref(&secondary));
    assert_eq!(secondary.name, ZONE);
    (primary, others.iter().map(start).collect())
}
