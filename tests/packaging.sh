#!/usr/bin/env bash
# Checks what is made and installed beside the binary: tests/packaging.sh PATH_OF_BINARY
# It builds the static binary and the Debian package, and uses them as root in directories and namespaces of its own.
# With TESTS_LONG=1 all is built a second time, from nothing, and has to be the same bytes.
set -euo pipefail
cd "$(dirname "$0")/.."
binary=$(realpath "$1")
dir=$(mktemp -d)
as_root=()
if [ "$(id -u)" -ne 0 ]; then
    sudo -n true 2>/dev/null || { echo "tests/packaging.sh: it needs root, or sudo without a password" >&2; exit 69; }
    as_root=(sudo -n env "PATH=$PATH")
fi
trap '"${as_root[@]}" rm -rf "$dir"' EXIT
fail() { echo "tests/packaging.sh: $*" >&2; exit 1; }
# What is fetched once is kept there.
target=$(cargo metadata --locked --offline --no-deps --format-version 1 | jq --raw-output .target_directory)
kept=$target/packaging
mkdir -p "$kept"

# ---- The units, as they are but for the binary's place, which need not be installed here.
mkdir "$dir/units"
for unit in systemd/*; do
    sed "s|^ExecStart=/usr/bin/fingerpost |ExecStart=$binary |; s|^Documentation=.*|Documentation=https://heronmill.example/|" \
        "$unit" >"$dir/units/${unit##*/}"
done
told=$(systemd-analyze verify "$dir/units"/* 2>&1) || fail "systemd-analyze verify: $told"
[ -z "$told" ] || fail "systemd-analyze verify is not clean: $told"
echo "systemd-analyze verify: clean"

# What a unit may measure, in tenths.
judge() { systemd-analyze security --offline=true --threshold="$2" --no-pager "$1" | tail -n 1; }
judge systemd/fingerpost.service 12
judge systemd/fingerpost-echo.service 4
# And with what its comment says is needed for --knock-back.
sed 's/^PrivateNetwork=.*/PrivateNetwork=no/; s/^RestrictAddressFamilies=.*/& AF_INET AF_INET6/' \
    systemd/fingerpost-echo.service >"$dir/units/fingerpost-echo.service"
judge "$dir/units/fingerpost-echo.service" 12

# ---- The man pages, by two who read them; the completions, in their shells. tests/generated.rs keeps them current.
for page in packaging/man/*; do
    mandoc -T lint -W error "$page" || fail "mandoc finds errors in $page"
    told=$(preconv -e utf-8 "$page" | groff -man -Tutf8 -ww -z 2>&1)
    [ -z "$told" ] || fail "groff on $page: $told"
done
echo "man pages: $(ls packaging/man | wc -l), without an error"
cd packaging/completions
# Each shell is asked what comes after "fingerpost audit sh".
[ "$(bash -c 'source ./fingerpost.bash; COMP_WORDS=(fingerpost audit sh) COMP_CWORD=2; _fingerpost fingerpost sh audit; echo "${COMPREPLY[@]}"')" = show ] ||
    fail "bash does not complete"
[ "$(fish --no-config -c 'source fingerpost.fish; complete -C "fingerpost audit sh"' | cut -f 1)" = show ] || fail "fish does not complete"
# zsh completes for a terminal only: the function is found for the command, and is one.
[ "$(zsh -f -c 'fpath=($PWD $fpath); autoload -Uz compinit; compinit -u -D; autoload +X _fingerpost && print $_comps[fingerpost]')" = _fingerpost ] ||
    fail "zsh does not find its completion"
cd ../..
echo "completions: for bash, fish and zsh"

# ---- The static binary, and the container. The short form has it built quickly, and larger.
[ -n "${TESTS_LONG-}" ] || export CARGO_PROFILE_RELEASE_LTO=off CARGO_PROFILE_RELEASE_CODEGEN_UNITS=16
tests/packaging/static.sh "$(packaging/build.sh static)"
packaging/container/root.sh "$dir/context"
"${as_root[@]}" tests/packaging/container.sh "$dir/context"
unset CARGO_PROFILE_RELEASE_LTO CARGO_PROFILE_RELEASE_CODEGEN_UNITS

# ---- The Debian package.
export PATH="$kept/tools/bin:$PATH"
cargo deb --version >/dev/null 2>&1 || cargo install --quiet --locked --root "$kept/tools" cargo-deb
mkdir "$dir/one" "$dir/other"
package=$(packaging/deb.sh "$dir/one")
cmp "$binary" "$target/release/fingerpost" || fail "the package holds another binary"
grep -q "^ *Permission is hereby granted" <(dpkg-deb --fsys-tarfile "$package" | tar -xO ./usr/share/doc/fingerpost/copyright) ||
    fail "the license is not in the package"
lintian --allow-root --fail-on error --suppress-tags initial-upload-closes-no-bugs "$package" || fail "lintian finds errors"
echo "lintian: no errors"
"${as_root[@]}" tests/packaging/clean_root.sh "$package" "$kept"

# ---- Made again: the same bytes. In the short form the package is; in the long form all is built again from nothing, where
# the source lies elsewhere.
elsewhere="$dir/a place/with a longer name"
mkdir -p "$elsewhere"
tar --exclude=./target --exclude=./.git -c . | tar -C "$elsewhere" -x
cp "$target/release/fingerpost" "$dir/fingerpost"
if [ -n "${TESTS_LONG-}" ]; then
    static=$(packaging/build.sh static)
    cp "$static" "$dir/static"
    export CARGO_TARGET_DIR=$elsewhere/target
    cmp "$dir/static" "$("$elsewhere/packaging/build.sh" static)" || fail "two static builds differ"
    again=$("$elsewhere/packaging/deb.sh" "$dir/other")
    cmp "$dir/fingerpost" "$CARGO_TARGET_DIR/release/fingerpost" || fail "two builds differ"
else
    again=$(packaging/deb.sh "$dir/other")
fi
cmp "$package" "$again" || fail "two packages differ"
for path in "$PWD" "$elsewhere" "$target" "$HOME"; do
    # From a home that is the root directory, nothing can be told.
    if [ "$path" != / ] && grep --quiet --text --fixed-strings "$path/" "$dir/fingerpost"; then fail "the binary tells of $path"; fi
done
echo "made twice, the same bytes: $(sha256sum "$package" | cut -c 1-16)… ${package##*/}"
