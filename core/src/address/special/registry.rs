//! The IANA special-purpose address registries as constants, and the two multicast blocks beside them.
//!
//! Written from memory of the registries with their entries through 2025 (RFC 6890 and RFC 8190 set them up; the RFC
//! of each entry stands beside it); CPython's `ipaddress` is the outside check.

use std::net::{Ipv4Addr, Ipv6Addr};

use ipnet::{IpNet, Ipv4Net, Ipv6Net};

use super::{Embedded, Special};

const fn v4(octets: [u8; 4], len: u8) -> IpNet {
    let [a, b, c, d] = octets;
    IpNet::V4(Ipv4Net::new_assert(Ipv4Addr::new(a, b, c, d), len))
}

/// The block whose upper 64 bits are `upper` and whose lower ones are `lower`.
const fn v6(upper: u64, lower: u64, len: u8) -> IpNet {
    IpNet::V6(Ipv6Net::new_assert(Ipv6Addr::from_bits(((upper as u128) << 64) | lower as u128), len))
}

const fn row(block: IpNet, name: &'static str, rfc: &'static str, global: Option<bool>) -> Special {
    Special { block, name, rfc, global, is: "", because: "", embedded: Embedded::Nothing }
}

impl Special {
    /// The row with a sentence of its own: "BLOCK is `is`, RFC: `because`".
    const fn said(self, is: &'static str, because: &'static str) -> Self {
        Self { is, because, ..self }
    }

    const fn with(self, embedded: Embedded) -> Self {
        Self { embedded, ..self }
    }
}

const YES: Option<bool> = Some(true);
const NO: Option<bool> = Some(false);
const N_A: Option<bool> = None;

const UNREACHABLE: &str = "nothing from outside can reach you";
const INSIDE: &str = "the router's inside, where nothing from outside can reach you";
const EXAMPLE: &str = "an address for examples, and nobody's";
const ANYCAST: &str = "whoever is nearest answers there, and that is not your home";
const AS112: &str = "name servers run by many share it, and no home does";

/// The IPv4 registry: <https://www.iana.org/assignments/iana-ipv4-special-registry>.
pub(super) static IPV4: [Special; 26] = [
    row(v4([0, 0, 0, 0], 8), "\"This network\"", "RFC 791, 3.2", NO),
    row(v4([0, 0, 0, 0], 32), "\"This host on this network\"", "RFC 1122, 3.2.1.3", NO)
        .said("the unspecified address", "it names no host at all"),
    row(v4([10, 0, 0, 0], 8), "Private-Use", "RFC 1918", NO).said("private", INSIDE),
    row(v4([100, 64, 0, 0], 10), "Shared Address Space", "RFC 6598", NO).said("carrier NAT", UNREACHABLE),
    row(v4([127, 0, 0, 0], 8), "Loopback", "RFC 1122, 3.2.1.3", NO).said("loopback", "a machine speaking to itself"),
    row(v4([169, 254, 0, 0], 16), "Link Local", "RFC 3927", NO)
        .said("link-local", "what an interface gives itself when no DHCP server answers; it ends at the first router"),
    row(v4([172, 16, 0, 0], 12), "Private-Use", "RFC 1918", NO).said("private", INSIDE),
    row(v4([192, 0, 0, 0], 24), "IETF Protocol Assignments", "RFC 6890, 2.1", NO),
    row(v4([192, 0, 0, 0], 29), "IPv4 Service Continuity Prefix", "RFC 7335", NO)
        .said("the inside of the provider's IPv4-over-IPv6 service", UNREACHABLE),
    row(v4([192, 0, 0, 8], 32), "IPv4 dummy address", "RFC 7600", NO),
    row(v4([192, 0, 0, 9], 32), "Port Control Protocol Anycast", "RFC 7723", YES).said("PCP anycast", ANYCAST),
    row(v4([192, 0, 0, 10], 32), "Traversal Using Relays around NAT Anycast", "RFC 8155", YES)
        .said("TURN anycast", ANYCAST),
    row(v4([192, 0, 0, 170], 32), "NAT64/DNS64 Discovery", "RFC 8880", NO),
    row(v4([192, 0, 0, 171], 32), "NAT64/DNS64 Discovery", "RFC 8880", NO),
    row(v4([192, 0, 2, 0], 24), "Documentation (TEST-NET-1)", "RFC 5737", NO).said("documentation", EXAMPLE),
    row(v4([192, 31, 196, 0], 24), "AS112-v4", "RFC 7535", YES).said("AS112", AS112),
    row(v4([192, 52, 193, 0], 24), "AMT", "RFC 7450", YES).said("AMT relay anycast", ANYCAST),
    row(v4([192, 88, 99, 0], 24), "Deprecated (6to4 Relay Anycast)", "RFC 7526", N_A)
        .said("6to4 relay anycast", ANYCAST),
    row(v4([192, 88, 99, 2], 32), "6a44-relay anycast address", "RFC 6751", NO).said("6a44 relay anycast", ANYCAST),
    row(v4([192, 168, 0, 0], 16), "Private-Use", "RFC 1918", NO).said("private", INSIDE),
    row(v4([192, 175, 48, 0], 24), "Direct Delegation AS112 Service", "RFC 7534", YES).said("AS112", AS112),
    row(v4([198, 18, 0, 0], 15), "Benchmarking", "RFC 2544", NO)
        .said("benchmarking", "a test network's, never seen on the Internet"),
    row(v4([198, 51, 100, 0], 24), "Documentation (TEST-NET-2)", "RFC 5737", NO).said("documentation", EXAMPLE),
    row(v4([203, 0, 113, 0], 24), "Documentation (TEST-NET-3)", "RFC 5737", NO).said("documentation", EXAMPLE),
    row(v4([240, 0, 0, 0], 4), "Reserved", "RFC 1112, 4", NO).said("reserved", "no host has an address there"),
    row(v4([255, 255, 255, 255], 32), "Limited Broadcast", "RFC 919, 7", NO)
        .said("broadcast", "it names every host of a link, not one"),
];

/// The IPv6 registry: <https://www.iana.org/assignments/iana-ipv6-special-registry>.
pub(super) static IPV6: [Special; 25] = [
    row(v6(0, 1, 128), "Loopback Address", "RFC 4291, 2.5.3", NO).said("loopback", "a machine speaking to itself"),
    row(v6(0, 0, 128), "Unspecified Address", "RFC 4291, 2.5.2", NO)
        .said("the unspecified address", "it names no host at all"),
    row(v6(0, 0xffff_0000_0000, 96), "IPv4-mapped Address", "RFC 4291, 2.5.5.2", NO)
        .said("IPv4-mapped", "an IPv4 address written as IPv6")
        .with(Embedded::Low),
    row(v6(0x64_ff9b_0000_0000, 0, 96), "IPv4-IPv6 Translat.", "RFC 6052", YES)
        .said("NAT64", "an IPv4 address as the clients of a translator see it")
        .with(Embedded::Low),
    row(v6(0x64_ff9b_0001_0000, 0, 48), "IPv4-IPv6 Translat.", "RFC 8215", NO)
        .said("local NAT64", "an IPv4 address as the clients of a translator see it"),
    row(v6(0x100_0000_0000_0000, 0, 64), "Discard-Only Address Block", "RFC 6666", NO)
        .said("discard-only", "whatever is sent there is dropped"),
    row(v6(0x100_0000_0000_0001, 0, 64), "Dummy IPv6 Prefix", "RFC 9780", NO),
    row(v6(0x2001_0000_0000_0000, 0, 23), "IETF Protocol Assignments", "RFC 2928", NO),
    row(v6(0x2001_0000_0000_0000, 0, 32), "TEREDO", "RFC 4380", N_A)
        .said("Teredo", "a tunnel from behind an IPv4 NAT")
        .with(Embedded::LowInverted),
    row(v6(0x2001_0001_0000_0000, 1, 128), "Port Control Protocol Anycast", "RFC 7723", YES)
        .said("PCP anycast", ANYCAST),
    row(v6(0x2001_0001_0000_0000, 2, 128), "Traversal Using Relays around NAT Anycast", "RFC 8155", YES)
        .said("TURN anycast", ANYCAST),
    row(v6(0x2001_0001_0000_0000, 3, 128), "DNS-SD Service Registration Protocol Anycast", "RFC 9665", YES)
        .said("SRP anycast", ANYCAST),
    row(v6(0x2001_0002_0000_0000, 0, 48), "Benchmarking", "RFC 5180", NO)
        .said("benchmarking", "a test network's, never seen on the Internet"),
    row(v6(0x2001_0003_0000_0000, 0, 32), "AMT", "RFC 7450", YES).said("AMT relay anycast", ANYCAST),
    row(v6(0x2001_0004_0112_0000, 0, 48), "AS112-v6", "RFC 7535", YES).said("AS112", AS112),
    row(v6(0x2001_0010_0000_0000, 0, 28), "Deprecated (previously ORCHID)", "RFC 4843", N_A)
        .said("ORCHID", "it names a key, not a place in the network"),
    row(v6(0x2001_0020_0000_0000, 0, 28), "ORCHIDv2", "RFC 7343", YES)
        .said("ORCHIDv2", "it names a key, not a place in the network"),
    row(v6(0x2001_0030_0000_0000, 0, 28), "Drone Remote ID Protocol Entity Tags (DETs) Prefix", "RFC 9374", YES)
        .said("a drone's identity tag", "it names an aircraft, not a place in the network"),
    row(v6(0x2001_0db8_0000_0000, 0, 32), "Documentation", "RFC 3849", NO).said("documentation", EXAMPLE),
    row(v6(0x2002_0000_0000_0000, 0, 16), "6to4", "RFC 3056", N_A)
        .said("6to4", "a retired tunnel (RFC 7526) over an IPv4 address")
        .with(Embedded::High),
    row(v6(0x2620_004f_8000_0000, 0, 48), "Direct Delegation AS112 Service", "RFC 7534", YES).said("AS112", AS112),
    row(v6(0x3fff_0000_0000_0000, 0, 20), "Documentation", "RFC 9637", NO).said("documentation", EXAMPLE),
    row(v6(0x5f00_0000_0000_0000, 0, 16), "Segment Routing (SRv6) SIDs", "RFC 9602", NO)
        .said("segment routing", "it names a step inside a provider's network"),
    row(v6(0xfc00_0000_0000_0000, 0, 7), "Unique-Local", "RFC 4193", NO).said("unique local", INSIDE),
    row(v6(0xfe80_0000_0000_0000, 0, 10), "Link-Local Unicast", "RFC 4291, 2.5.6", NO)
        .said("link-local", "it ends at the first router"),
];

/// What is no unicast address at all, and in no special-purpose registry.
pub(super) static NOT_UNICAST: [Special; 2] = [
    row(v4([224, 0, 0, 0], 4), "Multicast", "RFC 5771", NO).said("multicast", "it names a group, not a host"),
    row(v6(0xff00_0000_0000_0000, 0, 8), "Multicast", "RFC 4291, 2.7", NO)
        .said("multicast", "it names a group, not a host"),
];

/// The only IPv6 space from which unicast addresses are handed out (RFC 4291, section 2.4; RFC 3587, section 3;
/// <https://www.iana.org/assignments/ipv6-address-space>).
pub(super) const HANDED_OUT: IpNet = v6(0x2000_0000_0000_0000, 0, 3);
