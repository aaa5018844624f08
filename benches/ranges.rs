//! Set arithmetic on a table as large as all of the Internet's routes, beside netaddr's `IPSet` on the same table.
//!
//! `TESTS_PYTHON=python3 cargo bench --bench ranges`; that Python has netaddr. Prints seconds and ratios of one run.
#![allow(clippy::unwrap_used, reason = "a benchmark that cannot go on ends")]

use std::hint::black_box;
use std::io::Write as _;
use std::process::{Command, Stdio};
use std::time::Instant;

use fingerpost::address::set::AddressSet;
use ipnet::{IpNet, Ipv4Net, Ipv6Net};

const PREFIXES: usize = 900_000;

/// How many in a hundred prefixes of a full table have which length (common practice, no source; from memory).
const LENGTHS: [(u8, u32); 10] =
    [(24, 60), (23, 10), (22, 11), (21, 5), (20, 4), (19, 3), (18, 2), (17, 1), (16, 3), (14, 1)];

fn prefix(random: &mut fastrand::Rng) -> IpNet {
    // A fifth of all routes are IPv6, nearly half of these a /48 (the same).
    if random.u8(0..5) == 0 {
        let length = random.choice([48, 48, 44, 40, 36, 32, 32]).unwrap();
        // 2000::/3, of which a narrow part is in use: prefixes meet there.
        let address = 0x2400 << 112 | random.u128(..1 << 45) << 80;
        return Ipv6Net::new(address.into(), length).unwrap().trunc().into();
    }
    let mut draw = random.u32(0..100);
    let length = LENGTHS.into_iter().find(|(_, share)| {
        let hit = draw < *share;
        draw = draw.wrapping_sub(*share);
        hit
    });
    Ipv4Net::new(random.u32(0x0100_0000..0xe000_0000).into(), length.unwrap().0).unwrap().trunc().into()
}

fn timed<T>(what: impl FnOnce() -> T) -> (f64, T) {
    let start = Instant::now();
    let done = black_box(what());
    (start.elapsed().as_secs_f64(), done)
}

const REFERENCE: &str = r#"
import sys, time
import netaddr
nets = [netaddr.IPNetwork(line) for line in sys.stdin.read().split()]
ours, theirs = nets[: len(nets) // 2], nets[len(nets) // 2 :]
def timed(what):
    start = time.monotonic()
    done = what()
    return time.monotonic() - start, done
aggregate, every = timed(lambda: list(netaddr.IPSet(nets).iter_cidrs()))
a, b = netaddr.IPSet(ours), netaddr.IPSet(theirs)
difference, left = timed(lambda: list((a - b).iter_cidrs()))
print(aggregate, len(every), difference, len(left))
"#;

fn main() {
    let mut random = fastrand::Rng::with_seed(1);
    let mut nets: Vec<IpNet> = (0..PREFIXES).map(|_| prefix(&mut random)).collect();
    random.shuffle(&mut nets);
    let (ours, theirs) = nets.split_at(PREFIXES / 2);

    let prefixes = |set: &AddressSet| set.prefixes().collect::<Vec<_>>();
    let (aggregate, every) = timed(|| prefixes(&nets.iter().copied().collect()));
    let (a, b): (AddressSet, AddressSet) = (ours.iter().copied().collect(), theirs.iter().copied().collect());
    let (difference, left) = timed(|| prefixes(&a.difference(&b)));
    println!(
        "{PREFIXES} prefixes: aggregated {aggregate:.3} s ({}), difference {difference:.3} s ({})",
        every.len(),
        left.len()
    );

    let python = std::env::var("TESTS_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let mut child =
        Command::new(python).args(["-c", REFERENCE]).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    let text: Vec<String> = nets.iter().map(|net| format!("{net}\n")).collect();
    child.stdin.take().unwrap().write_all(text.concat().as_bytes()).unwrap();
    let output = String::from_utf8(child.wait_with_output().unwrap().stdout).unwrap();
    let said: Vec<f64> = output.split_whitespace().map(|word| word.parse().unwrap()).collect();
    println!("netaddr: aggregated {:.3} s ({}), difference {:.3} s ({})", said[0], said[1], said[2], said[3]);
    assert_eq!([said[1], said[3]], [every.len() as f64, left.len() as f64], "the two do not agree");
    println!("ratios, netaddr to ours: aggregate {:.0}, difference {:.0}", said[0] / aggregate, said[2] / difference);
}
