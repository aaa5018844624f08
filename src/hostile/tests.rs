//! The short form of fuzzing: the seeds under `fuzz/seeds/`, and changed ones; `TESTS_LONG=1` tries more, and
//! `TESTS_SEED` repeats a run.
//!
//! Sources of the seeds: STUN from RFC 5769 (from memory; `watch/stun/message/tests.rs` shows that they hold), NAT-PMP
//! after RFC 6886, 3.2, PCP after RFC 6887, 7.2 and 14.1, a ruleset as nft printed it, certificates by
//! openssl; the others follow the tables in the tests of their parsers.

use std::fs;
use std::path::Path;

use fastrand::Rng;

/// What a parser is at work on when a test fails.
struct Tried<'a>(&'a str, u64, &'a [u8]);

impl Drop for Tried<'_> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            let Self(parser, seed, input) = self;
            eprintln!("{parser} failed on b\"{}\"; TESTS_SEED={seed} repeats it", input.escape_ascii());
        }
    }
}

fn battery(parser: &str, check: fn(&[u8]) -> bool) {
    let seeds = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/seeds").join(parser);
    let mut paths: Vec<_> = fs::read_dir(&seeds).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    let seeds: Vec<_> = paths.iter().map(|path| fs::read(path).unwrap()).collect();
    let variable = |name| std::env::var(name).ok();
    let seed = variable("TESTS_SEED").map_or_else(|| fastrand::u64(..), |seed| seed.parse().unwrap());
    let tries = if variable("TESTS_LONG").is_some_and(|long| long == "1") { 200_000 } else { 2_000 };
    let mut random = Rng::with_seed(seed);
    let attempt = |input: &[u8]| {
        let _tried = Tried(parser, seed, input);
        check(input)
    };
    // Counted apart: a check that never gets beyond the first line of its parser would hold for ever.
    assert!(seeds.iter().any(|input| attempt(input)), "no seed of {parser} is read");
    let read = (0..tries).filter(|_| attempt(&changed(&seeds, &mut random))).count();
    eprintln!("{parser}: {read} of {tries} read");
    assert!(read > tries / 100 && read < tries, "{parser} reads {read} of {tries}");
}

/// One of the seeds after one to four small changes.
fn changed(seeds: &[Vec<u8>], random: &mut Rng) -> Vec<u8> {
    let mut input = random.choice(seeds).unwrap().clone();
    for _ in 0..random.usize(1..=4) {
        let (a, b) = (random.usize(..=input.len()), random.usize(..=input.len()));
        let (from, to) = (a.min(b), a.max(b));
        match random.u8(..6) {
            0 if from < input.len() => input[from] ^= 1 << random.u8(..8),
            1 if from < input.len() => input[from] = random.choice([0, 1, 127, 128, 255, b'\n', b'"', b'<']).unwrap(),
            2 => drop(input.drain(from..to.min(from + 8))),
            3 => {
                let piece = input[from..to].to_vec();
                input.splice(from..from, piece);
            }
            4 => {
                let other = random.choice(seeds).unwrap();
                let (cut, length) = (random.usize(..=other.len()), random.usize(..32));
                input.splice(from..from, other[cut..].iter().take(length).copied());
            }
            _ => input.truncate(to),
        }
    }
    input
}

macro_rules! batteries {
    ($($parser:ident)*) => {
        const PARSERS: &[&str] = &[$(stringify!($parser)),*];
        $(
            #[test]
            fn $parser() {
                battery(stringify!($parser), super::$parser);
            }
        )*
    };
}

batteries! {
    api_answer audit_line certificate device_xml dns_answer echo_body echo_request lease_claim natpmp netlink pcp
    port_mapping ranges ruleset server_answer ssdp stun table zone_file zone_text
}

/// The targets are not compiled here: each is one call of the function it is named after.
#[test]
fn each_parser_has_a_target() {
    let fuzz = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz");
    let manifest = fs::read_to_string(fuzz.join("Cargo.toml")).unwrap();
    let mut named = 0;
    for parser in PARSERS {
        let target = fs::read_to_string(fuzz.join(format!("fuzz_targets/{parser}.rs"))).unwrap();
        assert!(target.contains(&format!("hostile::{parser}(data);")), "{parser}");
        named += usize::from(manifest.contains(&format!("path = \"fuzz_targets/{parser}.rs\"")));
    }
    assert_eq!(named, PARSERS.len());
    assert_eq!(fs::read_dir(fuzz.join("fuzz_targets")).unwrap().count(), PARSERS.len());
}
