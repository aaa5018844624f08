#!/usr/bin/env bash
# Builds fingerpost for use, so that whoever builds the same source with the same compiler gets the same bytes, wherever
# the source lies. Prints the path of the binary.
#
#   packaging/build.sh            against this system's libraries, as the .deb has it: target/release/fingerpost
#   packaging/build.sh static     with all it needs inside, for any Linux with this processor
set -euo pipefail
cd "$(dirname "$0")/.."

host=$(rustc -vV | sed -n 's/^host: //p')
target_dir=$(cargo metadata --locked --offline --no-deps --format-version 1 2>/dev/null | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
[ -n "$target_dir" ] || { echo "packaging/build.sh: cargo metadata does not tell the target directory" >&2; exit 70; }

# Paths of this machine would stand in the messages of panics: those of the crates, and of what their builds wrote. The
# compiler is given those of our own source relative to where it lies.
flags=("--remap-path-prefix=${CARGO_HOME:-$HOME/.cargo}=/cargo" "--remap-path-prefix=$target_dir=/target")
case "${1-}" in
    "") arguments=() binary=$target_dir/release/fingerpost ;;
    # For the target alone: what runs in the compiler (procedural macros) cannot be static.
    static) flags+=(-Ctarget-feature=+crt-static) arguments=(--target "$host") binary=$target_dir/$host/release/fingerpost ;;
    *) echo "usage: packaging/build.sh [static]" >&2; exit 64 ;;
esac

# Separated by 0x1f, since a path may hold a space.
CARGO_ENCODED_RUSTFLAGS=$(IFS=$'\x1f'; printf '%s' "${flags[*]}")
export CARGO_ENCODED_RUSTFLAGS
cargo build --locked --release "${arguments[@]}" >&2
printf '%s\n' "$binary"
