#!/usr/bin/env bash
# Lays out what the container holds: packaging/container/root.sh DIRECTORY, a new one. Containerfile says what follows.
set -euo pipefail
[ "$#" -eq 1 ] || { echo "usage: packaging/container/root.sh DIRECTORY" >&2; exit 64; }
[ ! -e "$1" ] || { echo "packaging/container/root.sh: $1 is there already; name a new directory" >&2; exit 73; }
# Those who vouch for the HTTPS of witnesses and providers, as this machine knows them.
authorities=/etc/ssl/certs/ca-certificates.crt
[ -r "$authorities" ] || { echo "packaging/container/root.sh: $authorities is missing; install ca-certificates" >&2; exit 69; }
mkdir -p "$1"
to=$(realpath "$1")
cd "$(dirname "$0")/../.."
binary=$(packaging/build.sh static)

install -D --mode 755 "$binary" "$to/root/usr/bin/fingerpost"
install -D --mode 644 "$authorities" "$to/root/etc/ssl/certs/ca-certificates.crt"
install -D --mode 644 LICENSE "$to/root/usr/share/doc/fingerpost/LICENSE"
install --directory --mode 755 "$to/root/etc/fingerpost"
install --directory --mode 700 "$to/state"
