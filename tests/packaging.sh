#!/usr/bin/env bash
# Checks what is installed beside the binary: tests/packaging.sh PATH_OF_BINARY
set -euo pipefail
cd "$(dirname "$0")/.."
binary=$(realpath "$1")
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT

# The units as they are but for the binary's place, which need not be installed here.
for unit in systemd/*; do
    sed "s|^ExecStart=/usr/bin/fingerpost |ExecStart=$binary |; s|^Documentation=.*|Documentation=https://heronmill.example/|" \
        "$unit" >"$dir/${unit##*/}"
done
told=$(systemd-analyze verify "$dir"/* 2>&1) || { echo "systemd-analyze verify: $told" >&2; exit 1; }
[ -z "$told" ] || { echo "systemd-analyze verify is not clean: $told" >&2; exit 1; }
echo "systemd-analyze verify: clean"

# What a unit may measure, in tenths.
judge() { systemd-analyze security --offline=true --threshold="$2" --no-pager "$1" | tail -n 1; }
judge systemd/fingerpost.service 12
judge systemd/fingerpost-echo.service 4
# And with what its comment says is needed for --probe-back.
sed 's/^PrivateNetwork=.*/PrivateNetwork=no/; s/^RestrictAddressFamilies=.*/& AF_INET AF_INET6/' \
    systemd/fingerpost-echo.service >"$dir/fingerpost-echo.service"
judge "$dir/fingerpost-echo.service" 12
