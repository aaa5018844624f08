#!/usr/bin/env bash
# Makes the Debian package: packaging/deb.sh DIRECTORY_FOR_IT. Prints its path. The same source gives the same bytes.
# It needs cargo-deb: `cargo install --locked cargo-deb`.
set -euo pipefail
[ "$#" -eq 1 ] || { echo "usage: packaging/deb.sh DIRECTORY_FOR_IT" >&2; exit 64; }
to=$(realpath "$1")
cd "$(dirname "$0")/.."
packaging/build.sh >/dev/null

# The times within are the release's, as its changelog has it (reproducible-builds.org, SOURCE_DATE_EPOCH).
SOURCE_DATE_EPOCH=$(date -d "$(sed -n 's/^ -- .*>  //p' packaging/debian/changelog | head -n 1)" +%s)
export SOURCE_DATE_EPOCH
# Modes of what is packaged are given; those of the directories on the way are this shell's.
umask 022
cargo deb --no-build --locked --quiet --output "$to"
