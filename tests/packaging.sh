#!/usr/bin/env bash
# Checks what is installed beside the binary: tests/packaging.sh PATH_OF_BINARY
set -euo pipefail
cd "$(dirname "$0")/.."
binary=$(realpath "$1")
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT

# The unit as it is but for the binary's place, which need not be installed here.
unit=$dir/fingerpost.service
sed "s|^ExecStart=/usr/bin/fingerpost |ExecStart=$binary |; s|^Documentation=.*|Documentation=https://heronmill.example/|" \
    systemd/fingerpost.service >"$unit"
told=$(systemd-analyze verify "$unit" 2>&1) || { echo "systemd-analyze verify: $told" >&2; exit 1; }
[ -z "$told" ] || { echo "systemd-analyze verify is not clean: $told" >&2; exit 1; }
echo "systemd-analyze verify: clean"

# The threshold is in tenths: 1.2.
systemd-analyze security --offline=true --threshold=12 --no-pager systemd/fingerpost.service | tail -n 1
