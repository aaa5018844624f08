"""Answers set arithmetic by CPython's ipaddress and by netaddr: a JSON list of two lists of prefixes a line in, the
results a line out. Sets are written as their fewest prefixes."""

import ipaddress
import json
import sys

import netaddr


def collapsed(prefixes):
    nets = [ipaddress.ip_network(prefix, strict=False) for prefix in prefixes]
    families = [[net for net in nets if net.version == version] for version in (4, 6)]
    return [str(net) for family in families for net in ipaddress.collapse_addresses(family)]


def listed(ipset):
    return [str(net) for net in ipset.iter_cidrs()]


# All of it first: whoever asks reads the answers afterwards.
for line in sys.stdin.readlines():
    ours, theirs = json.loads(line)
    # IPSet keeps host bits that are set, and then counts what is not there.
    a, b = (netaddr.IPSet(netaddr.IPNetwork(net).cidr for net in nets) for nets in (ours, theirs))
    results = {
        "collapsed": collapsed(ours),
        "aggregate": listed(a),
        "union": listed(a | b),
        "difference": listed(a - b),
        "intersection": listed(a & b),
        "count": str(a.size),
    }
    print(json.dumps(results))
