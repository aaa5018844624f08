#!/usr/bin/env bash
# Every test of the project. On Debian it installs the real servers that the tests hold fingerpost against.
#
#   tests/all.sh          everything, with the long proofs in their short form
#   tests/all.sh --long   the same, with the long proofs at full length
set -euo pipefail
cd "$(dirname "$0")/.."

case "${1-}" in
    "") ;;
    --long) export TESTS_LONG=1 ;;
    *) echo "usage: tests/all.sh [--long]" >&2; exit 64 ;;
esac

say() { printf '\n== %s\n' "$*"; }

# Debian keeps servers in directories that an ordinary user's PATH lacks.
export PATH="$PATH:/usr/local/sbin:/usr/sbin:/sbin"

# Each peer: the command that shows it is there, and the Debian package that brings it.
peers="named:bind9 named-checkzone:bind9-utils named-journalprint:bind9-utils dig:bind9-dnsutils nsupdate:bind9-dnsutils knotd:knot pdns_server:pdns-server sqlite3:sqlite3
    nginx:nginx-light openssl:openssl strace:strace faketime:faketime python3:python3
    systemd-analyze:systemd systemd-socket-activate:systemd unshare:util-linux setpriv:util-linux flock:util-linux cc:gcc
    miniupnpd:miniupnpd-nftables turnserver:coturn nft:nftables ip:iproute2
    nsd:nsd nsd-checkzone:nsd jq:jq curl:curl nsenter:util-linux
    chromium:chromium chromedriver:chromium-driver promtool:prometheus
    mandoc:mandoc groff:groff-base zsh:zsh fish:fish lintian:lintian debootstrap:debootstrap readelf:binutils
    update-ca-certificates:ca-certificates setfacl:acl setfattr:attr"
python_with_all() {
    for python in python3 /usr/bin/python3; do
        if "$python" -c 'import dns.zone, dns.update, jsonschema, netaddr, prometheus_client' 2>/dev/null; then command -v "$python"; return; fi
    done
    return 1
}

say "peers"
packages=()
for peer in $peers; do
    command -v "${peer%%:*}" >/dev/null || packages+=("${peer##*:}")
done
python_with_all >/dev/null || packages+=(python3-dnspython python3-jsonschema python3-netaddr python3-prometheus-client)
# No command shows this one.
pdns_tables=/usr/share/pdns-backend-sqlite3/schema/schema.sqlite3.sql
[ -e "$pdns_tables" ] || packages+=(pdns-backend-sqlite3)
if [ "${#packages[@]}" -gt 0 ]; then
    echo "to be installed: ${packages[*]}"
    as_root=()
    [ "$(id -u)" -eq 0 ] || as_root=(sudo)
    if ! command -v apt-get >/dev/null || { [ "$(id -u)" -ne 0 ] && ! sudo -n true 2>/dev/null; }; then
        echo "tests/all.sh: install these Debian packages, or what corresponds to them, and call it again: ${packages[*]}" >&2
        exit 69
    fi
    # The tests start their servers themselves: the packages' own services stay down (policy-rc.d is Debian's way).
    policy=/usr/sbin/policy-rc.d
    if [ ! -e "$policy" ]; then
        printf '#!/bin/sh\nexit 101\n' | "${as_root[@]}" tee "$policy" >/dev/null
        "${as_root[@]}" chmod 755 "$policy"
        trap '"${as_root[@]}" rm -f "$policy"' EXIT
    fi
    "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get update -qq
    "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${packages[@]}"
fi
for peer in $peers; do
    command -v "${peer%%:*}" >/dev/null || { echo "tests/all.sh: ${peer%%:*} is still missing" >&2; exit 69; }
done
[ -e "$pdns_tables" ] || { echo "tests/all.sh: $pdns_tables is still missing" >&2; exit 69; }
# The tests call this Python.
TESTS_PYTHON=$(python_with_all) || { echo "tests/all.sh: no python3 with dnspython, jsonschema, netaddr and prometheus_client" >&2; exit 69; }
export TESTS_PYTHON
# What looks at the page as a reader with a screen reader would, from the registry of npm, by its checksum.
axe=target/tools/axe-core-4.10.3
if [ ! -e "$axe/axe.min.js" ]; then
    mkdir -p "$axe"
    curl --silent --show-error --fail --retry 3 --output "$axe/axe.tgz" https://registry.npmjs.org/axe-core/-/axe-core-4.10.3.tgz
    echo "5e6edba515e70d25f6604d9815f064d859c5d1ea7ab661bbc4f87c88779ef0c21cae0abbeb636471ef39e9d62d2582e4b88a1866f19f4ecfcf6d986275e4dc12  $axe/axe.tgz" | sha512sum --check --quiet
    tar -xzf "$axe/axe.tgz" -C "$axe" --strip-components=1 package/axe.min.js
fi
export TESTS_AXE=$PWD/$axe/axe.min.js

say "formatting"
cargo fmt --check

say "lints"
cargo clippy --locked --workspace --all-targets -- -D warnings

say "documentation"
RUSTDOCFLAGS="-D warnings" cargo doc --locked --workspace --no-deps --document-private-items

say "tests, those with real peers included"
cargo test --locked --workspace --no-fail-fast -- --include-ignored

say "the rehearsal, as it is built for use"
binary=$(packaging/build.sh)
"$binary" rehearse

say "what idling costs, as it is built for use"
TESTS_BINARY=$binary cargo test --locked --test idle -- --include-ignored --nocapture

say "what a healthy zone waits beside silent ones, as it is built for use"
TESTS_BINARY=$binary cargo test --locked --test dead -- --include-ignored --nocapture

say "who is answered in a crowd, by the program as it is built for use"
TESTS_BINARY=$binary cargo test --locked --test lab crowd:: -- --include-ignored --nocapture --test-threads=1

say "packaging"
tests/packaging.sh "$binary"

echo
echo "all.sh: everything passed"
