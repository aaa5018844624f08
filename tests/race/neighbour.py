"""Another client of the zone: signed updates by dnspython, one after the other, until stdin ends.

Members come into and go out of mill's A RRset, beside ours; other RRsets at mill and elsewhere change too.
Arguments: port, key name, secret in base64, seed. Prints, as JSON, what stands of this client's at the end.
"""

import json
import random
import select
import sys

import dns.query
import dns.rcode
import dns.rdatatype
import dns.tsigkeyring
import dns.update

port, key, secret, seed = int(sys.argv[1]), sys.argv[2], sys.argv[3], int(sys.argv[4])
keyring = dns.tsigkeyring.from_text({key: secret})
rng = random.Random(seed)
pools = {
    # Few, so that our member is often alone: then its TTL is set right by replacing the RRset as a whole.
    ("mill", "A"): [f"198.51.100.{host}" for host in range(1, 4)],
    ("mill", "AAAA"): [f"2001:db8::{host:x}" for host in range(1, 30)],
    ("gauge", "AAAA"): [f"2001:db8:1::{host:x}" for host in range(1, 5)],
    ("cam", "A"): [f"198.51.100.{host}" for host in range(100, 110)],
}
stands = {rrset: set() for rrset in pools}
updates = 0
while not select.select([sys.stdin], [], [], rng.uniform(0, 0.004))[0]:
    rrset = rng.choices(list(pools), [8, 2, 1, 1])[0]
    owner, rdtype = rrset
    update = dns.update.UpdateMessage(
        "heronmill.example", keyring=keyring, keyname=key, keyalgorithm="hmac-sha512"
    )
    after = set(stands[rrset])
    for address in rng.sample(pools[rrset], rng.randint(1, 2)):
        if address in after:
            update.delete(owner, rdtype, address)
            after.remove(address)
        else:
            update.add(owner, 200, rdtype, address)
            after.add(address)
    answer = dns.query.tcp(update, "127.0.0.1", port=port, timeout=10)
    assert answer.rcode() == dns.rcode.NOERROR, answer
    stands[rrset] = after
    updates += 1
print(json.dumps({"updates": updates, "stands": {f"{o} {t}": sorted(s) for (o, t), s in stands.items()}}))
