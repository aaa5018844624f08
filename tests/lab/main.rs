//! The lab: a home network of real parts in fresh namespaces, for as long as one scenario lasts.
//!
//! A scenario is a test that hands itself and its body to [`scenario::scenario`], which runs the body in a lab of its
//! own, as root or as an ordinary user:
//!
//! ```text
//! #[test]
//! #[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
//! fn the_name_follows_the_line() {
//!     scenario(the_name_follows_the_line, || {
//!         let lab = Lab::up(Shape::Plain);                          // one a scenario; plan.rs has the shapes
//!         let (named, _nginx) = (lab.named(""), lab.echoes());      // parts.rs has the servers, each started by need
//!         let fingerpost = lab.fingerpost(Host::Home, &configuration(WATCH, &[("gauge", "types = [\"A\"]")]));
//!         let daemon = fingerpost.daemon();
//!         lab.router_wan(NEW);                                      // also: second_wan, prefix, cut, mend, publish
//!         until("the record", || lab.rrset(&named, "gauge", RecordType::A) == wanted);
//!     });
//! }
//! ```
//!
//! Whatever opens sockets or starts processes does so within a host: [`net::Lab::within`] runs a closure there and gives
//! its result, [`net::Lab::thread_in`] lets it go on, [`net::Lab::exec`] starts a program. A socket stays in the host it
//! was opened in. Outside of these the test is on none of the hosts. Files go to `TMPDIR`, which is in memory.
//!
//! To look about in a lab, let one stay, enter its namespaces from another terminal (an ordinary user adds
//! `-U --preserve-credentials`), and then its hosts:
//!
//! ```text
//! TESTS_LAB_END=hang TESTS_LAB_SECONDS=3600 cargo test --test lab -- --ignored with_every_part &
//! nsenter -n -m -p -u -t $(pgrep -P $(pgrep -f '^unshare.*lab/init.sh')) sh
//! nsenter --net=/run/netns/router nft list ruleset
//! ```
//!
//! Nothing outlasts a lab, however it ends: see `itself`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on has failed")]

mod advertise;
mod allowed;
mod cases;
#[path = "../common/browser.rs"]
mod chromium;
#[path = "../common/mod.rs"]
mod common;
mod crowd;
mod delegation;
mod doors;
mod flood;
mod follow;
mod gateway;
mod igd;
mod itself;
mod kinds;
mod lines;
#[path = "../common/living.rs"]
mod living;
mod moves;
mod net;
mod page;
mod parts;
mod plan;
mod prefixes;
mod scenario;
mod shapes;
mod standby;
mod twists;
mod witness;
