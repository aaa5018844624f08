use std::fs;
use std::net::Ipv4Addr;

use super::*;

/// Source: the kernel's own text of the same table, `/proc/net/route` (hexadecimal in the machine's order).
#[test]
fn the_kernel_says_the_same_in_its_file() {
    let text = fs::read_to_string("/proc/net/route").unwrap();
    let hex = |text: &str| u32::from_str_radix(text, 16).unwrap();
    let lines = text.lines().skip(1).map(|line| line.split_whitespace().collect::<Vec<_>>());
    // Flags: up (1) and gateway (2).
    let defaults = lines.filter(|f| hex(f[1]) == 0 && hex(f[7]) == 0 && hex(f[3]) & 3 == 3);
    let best = defaults.min_by_key(|fields| fields[6].parse::<u32>().unwrap());
    let expected = best.map(|fields| (Ipv4Addr::from(hex(fields[2]).to_ne_bytes()), index_of(fields[0]).unwrap()));
    assert_eq!(default_gateway(None).unwrap(), expected);
    default_gateway_v6(None).unwrap();
    assert!(index_of("no-such-line").is_err());
}
