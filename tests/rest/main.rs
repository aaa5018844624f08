//! The `rest` provider against a real PowerDNS, and against APIs of the test's own.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod as_they_are;
mod as_they_write;
#[path = "../common/mod.rs"]
mod common;
mod config;
mod foreign;
#[path = "../common/config.rs"]
mod home;
mod hostile;
mod listing;
mod pages;
mod powerdns;
mod records;
mod rrsets;
mod shapes;
mod unsent;
#[path = "../common/updater.rs"]
mod updater;

use std::future::Future;
use std::time::Duration;

use common::record_api::TOKEN;
use common::*;
use fingerpost::name::DnsName;
use fingerpost::provider::rest::Rest;
use fingerpost::provider::{Change, Fault, FaultKind, Observed, Provider};
use fingerpost::record::{RecordType, RrSet};
use fingerpost::settings::ProviderKind;
use home::{BASE, Home};

const RECORD: &str = include_str!("../../config/providers/record.toml");
const RRSET: &str = include_str!("../../config/providers/rrset.toml");
const POWERDNS: &str = include_str!("../../config/providers/powerdns.toml");

const TIMEOUT: Duration = Duration::from_secs(10);
const PASSING: FaultKind = FaultKind::Passing { retry_after: None };

/// The provider that a configuration with this description makes of `server`.
fn rest(description: &str, server: &str, token: &str, timeout: Duration) -> Rest {
    rest_with(description, server, token, timeout, "")
}

/// The same with further lines in the provider's table.
fn rest_with(description: &str, server: &str, token: &str, timeout: Duration, more: &str) -> Rest {
    let home = Home::new();
    home.write("api.toml", description.as_bytes(), 0o644);
    home.write("token", token.as_bytes(), 0o600);
    let table = format!(
        "[provider.api]\nkind = \"rest\"\nzone = \"{ZONE}\"\ndescription = \"api.toml\"\nvalues = {{ server = \"{server}\" }}\n\
         token = {{ file = \"token\" }}\n{more}\n"
    );
    let mut loaded = home.load(&format!("{BASE}\n{table}"));
    let ProviderKind::Rest(api) = loaded.config.providers.remove("api").unwrap().kind else { panic!("another kind") };
    Rest::new(dns(ZONE), *api, timeout)
}

/// The same with the token that the test's own API takes.
fn own(description: &str, server: &str) -> Rest {
    rest(description, server, TOKEN, TIMEOUT)
}

/// `text` with `from`, which stands in it, replaced.
#[track_caller]
fn changed(text: &str, from: &str, to: &str) -> String {
    assert!(text.contains(from), "{from:?} does not stand in the description");
    text.replace(from, to)
}

fn change(label: &str, rtype: RecordType, before: Option<RrSet>, after: RrSet) -> Change {
    let name = if label == "@" { dns(ZONE) } else { at(label) };
    Change { name, rtype, before, after }
}

async fn read(provider: &Rest, names: &[DnsName]) -> Result<Observed, Fault> {
    provider.read(&names.iter().cloned().collect()).await
}

/// The fault, checked for its kind and for the words it must hold.
#[track_caller]
fn faulty<T>(outcome: Result<T, Fault>, kind: FaultKind, words: &[&str]) -> Fault {
    let fault = outcome.err().expect("a fault");
    let text = fault.to_string();
    assert_eq!(fault.kind, kind, "{text}");
    for word in words {
        assert!(text.contains(word), "no {word:?} in: {text}");
    }
    assert!(!text.contains(TOKEN), "{text}");
    fault
}

/// Runs a case on a runtime of its own.
fn run_case<F: Future>(case: F) -> F::Output {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(case)
}
