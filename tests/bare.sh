#!/usr/bin/env bash
# The README's two commands, as they stand there, on a bare Debian: the base system, a C compiler, the toolchain, no more.
#
#   tests/bare.sh       as root, or by sudo
#
# The system is a directory of its own under target/bare, entered by pivot_root in namespaces of its own. Of this
# machine it has the toolchain (read-only), a copy of the registry's cache, the network with what leads through it
# (resolver, proxy, certificates, apt's sources), and a copy of the tree. All of it ends with this script, also when that
# is killed; the fetched base system stays.
set -euo pipefail
suite=bookworm
case "${1-}" in
    "" | prepare | within) ;;
    *) echo "usage: tests/bare.sh" >&2; exit 64 ;;
esac
cd "$(dirname "$0")/.."
say() { printf '\n== bare: %s\n' "$*"; }
fail() { echo "tests/bare.sh: $*" >&2; exit 1; }

# ---- In the bare system, with nothing around it.
if [ "${1-}" = within ]; then
    mapfile -t commands < <(sed -n '/^On a fresh machine with cargo/,/^`/ s/^    //p' README.md)
    [ "${#commands[@]}" -eq 2 ] || fail "the README has ${#commands[@]} commands for a fresh machine"
    for command in "${commands[@]}"; do
        say "$command"
        bash -c "$command" </dev/null
        echo "== bare: passed after $((SECONDS / 60)) min $((SECONDS % 60)) s"
    done
    exit
fi

# ---- In the namespaces: the system is laid out, and entered.
if [ "${1-}" = prepare ]; then
    root=$2 sysroot=$3 base=$PWD/target/bare/$suite.tar.gz
    # What this machine's own apt takes Debian from, if it is the same release.
    mapfile -t sources < <(apt-get indextargets --format '$(REPO_URI) $(RELEASE) $(COMPONENT)' 'Created-By: Packages' 2>/dev/null |
        awk -v suite="$suite" '$2 ~ "^" suite "(-updates|-security)?$" && $3 == "main" { print "deb", $1, $2, $3 }' | sort -u)
    mirror=$(printf '%s\n' "${sources[@]}" | awk -v suite="$suite" '$3 == suite { print $2; exit }')
    if [ -z "$mirror" ]; then
        mirror=http://deb.debian.org/debian
        sources=("deb $mirror $suite main" "deb $mirror $suite-updates main" "deb $mirror-security $suite-security main")
    fi
    if ! [ -e "$base" ]; then
        say "the base system, from $mirror"
        debootstrap --variant=minbase --include=gcc,libc6-dev "$suite" "$root" "$mirror" >"$root.log" 2>&1 || fail "debootstrap: $(tail -n 5 "$root.log")"
        # Complete, or not there. Its device nodes are not ours to keep.
        tar -C "$root" --one-file-system --exclude=./dev/* --exclude=./var/cache/apt/archives/*.deb -c . | gzip -1 >"$base.new"
        mv "$base.new" "$base"
        umount -R "$root/proc" "$root/sys" 2>/dev/null || true
        rm -rf --one-file-system "$root"
        mkdir "$root"
    fi
    tar -C "$root" -xzf "$base"
    mount --bind "$root" "$root"

    # The kernel's: nodes of devices are bound, never made.
    mount -t proc proc "$root/proc"
    mount -t sysfs sysfs "$root/sys"
    mount -t tmpfs -o mode=755 tmpfs "$root/dev"
    mount -t tmpfs -o mode=755 tmpfs "$root/run"
    mkdir "$root/dev/pts" "$root/dev/shm" "$root/dev/net" "$root/run/lock"
    for node in null zero full random urandom tty net/tun; do
        [ -e "/dev/$node" ] || continue
        touch "$root/dev/$node"
        mount --bind "/dev/$node" "$root/dev/$node"
    done
    mount -t devpts -o newinstance,ptmxmode=0666,mode=620,gid=5 devpts "$root/dev/pts"
    mount -t tmpfs -o mode=1777 tmpfs "$root/dev/shm"
    ln -s pts/ptmx "$root/dev/ptmx"
    ln -s /proc/self/fd "$root/dev/fd"
    for stream in 0:stdin 1:stdout 2:stderr; do ln -s "fd/${stream%%:*}" "$root/dev/${stream##*:}"; done

    # The way to the registries.
    cat /etc/resolv.conf >"$root/etc/resolv.conf"
    cat /etc/hosts >"$root/etc/hosts"
    printf '%s\n' "${sources[@]}" >"$root/etc/apt/sources.list"
    for settings in /etc/apt/apt.conf /etc/apt/apt.conf.d/*; do
        if grep -qs '^ *Acquire' "$settings"; then cp "$settings" "$root/etc/apt/apt.conf.d/90machine-${settings##*/}"; fi
    done
    if [ -e /etc/apt/auth.conf.d ]; then cp -r /etc/apt/auth.conf.d "$root/etc/apt/"; fi
    certificates=${SSL_CERT_FILE:-/etc/ssl/certs/ca-certificates.crt}
    if [ -e "$certificates" ]; then install -D --mode=644 "$certificates" "$root$certificates"; fi
    if [ -e /usr/local/share/ca-certificates ]; then cp -rL /usr/local/share/ca-certificates "$root/usr/local/share/"; fi

    # The toolchain, and what cargo has fetched before.
    mkdir -p "$root$sysroot" "$root/root/.cargo/registry" "$root/srv/checkout"
    mount --bind "$sysroot" "$root$sysroot"
    mount -o remount,bind,ro "$root$sysroot"
    cargo_home=${CARGO_HOME:-$HOME/.cargo}
    for part in registry/cache registry/index config.toml; do
        if [ -e "$cargo_home/$part" ]; then cp -r "$cargo_home/$part" "$root/root/.cargo/$part"; fi
    done
    # In a directory of which no binary speaks by itself: tests/packaging.sh looks for it there.
    tar --exclude=./target --exclude=./.git -c . | tar -C "$root/srv/checkout" --no-same-owner -x

    # Nothing of this shell's surroundings but what leads to the registries.
    settings=(HOME=/root "PATH=$sysroot/bin:/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin")
    for name in $(compgen -e); do
        case $name in
            CI | http_proxy | https_proxy | all_proxy | no_proxy | HTTP_PROXY | HTTPS_PROXY | ALL_PROXY | NO_PROXY | SSL_CERT_FILE | CURL_CA_BUNDLE | \
                CARGO_HTTP_* | CARGO_NET_* | CARGO_REGISTR* | CARGO_SOURCE_*) settings+=("$name=${!name}") ;;
        esac
    done
    cd "$root"
    mkdir -p .old
    pivot_root . .old
    cd /
    umount --lazy .old
    rmdir .old
    # As the first process of its own: what is left over there ends with it.
    exec env --ignore-environment "${settings[@]}" bash /srv/checkout/tests/bare.sh within
fi

# ---- On this machine.
if [ "$(id -u)" -ne 0 ]; then
    sudo -n true 2>/dev/null || { echo "tests/bare.sh: it needs root, or sudo without a password; tests/all.sh does without" >&2; exit 69; }
    # The toolchain and its cache are those of whoever calls.
    exec sudo -n env "PATH=$PATH" "HOME=$HOME" "$PWD/tests/bare.sh"
fi
export PATH="$PATH:/usr/local/sbin:/usr/sbin:/sbin"
if ! command -v debootstrap >/dev/null; then
    command -v apt-get >/dev/null || { echo "tests/bare.sh: install debootstrap, and call it again" >&2; exit 69; }
    apt-get update -qq
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends debootstrap
fi
sysroot=$(rustc --print sysroot)
mkdir -p target/bare
exec 9>target/bare/lock
flock --nonblock 9 || fail "another one is at work in this tree"
# What one that was killed has left: nothing is mounted there any more.
rm -rf --one-file-system target/bare/root.*
root=$PWD/target/bare/root.$$
mkdir --mode=755 "$root"
# Its processes and mounts end with it, and with this one (prctl(2), PR_SET_PDEATHSIG).
setpriv --pdeathsig KILL unshare --mount --pid --ipc --uts --fork --kill-child --mount-proc \
    "$PWD/tests/bare.sh" prepare "$root" "$sysroot" </dev/null 9>&- &
child=$!
trap 'kill -KILL "$child" 2>/dev/null || true; wait "$child" 2>/dev/null || true; rm -rf --one-file-system "$root" "$root.log"' EXIT
trap 'exit 129' HUP
trap 'exit 130' INT
trap 'exit 143' TERM
wait "$child"
echo
echo "bare.sh: the README's two commands passed on a bare Debian 12, in $((SECONDS / 60)) min $((SECONDS % 60)) s"
