//! What the outside can see: certificates as servers show them, names and zones as BIND has them, a friend that knocks
//! back, and strangers that must never be asked.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod certificates;
#[path = "../common/mod.rs"]
mod common;
mod daemon;
mod doors;
mod planted;
mod program;
mod way;
mod zones;

use std::future::Future;
use std::path::Path;

use fingerpost::clock::{Clock, Timestamp};
use fingerpost::config::load::{Sources, load};
use fingerpost::exposure::home::Home;
use fingerpost::exposure::{Check, Finding};
use fingerpost::round::Actors;

const NAME: &str = "gauge.heronmill.example";

/// Three witnesses that are never asked here; then `rest`.
fn config(rest: &str) -> String {
    let witness = |at: usize| {
        format!(
            "[[witness]]\nname = \"w{at}\"\noperator = \"o{at}\"\nkind = \"http\"\nurl = \"https://w{at}.example/\"\n\
             families = [\"ipv4\"]\n"
        )
    };
    (0..3).map(witness).collect::<String>() + rest
}

/// What the home of `config`, at `home`, shows at `now`; relative paths start at `dir`.
async fn see(dir: &Path, text: &str, home: &Home, now: Timestamp) -> Vec<Finding> {
    let file = dir.join("fingerpost.toml");
    std::fs::write(&file, format!("state_dir = \"state\"\n{}", config(text))).unwrap();
    let loaded = load(&Sources { file, ..Sources::default() }).unwrap_or_else(|error| panic!("{error}"));
    Actors::new(loaded.config, Clock::telling(move || now)).unwrap().exposing(home.clone()).await
}

#[track_caller]
fn of(found: &[Finding], check: Check) -> &Finding {
    found.iter().find(|finding| finding.check == check).unwrap_or_else(|| panic!("no {check} in {found:?}"))
}

fn run<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(work)
}

fn home(addresses: &[&str]) -> Home {
    Home::new(addresses.iter().map(|address| address.parse().unwrap()), 64)
}
