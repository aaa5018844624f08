#!/usr/bin/env bash
# The Debian package in a Debian of its own: installed, upgraded over an edited configuration, removed, purged.
#
#   tests/packaging/clean_root.sh PACKAGE CACHE     as root; the bare system is kept in the directory CACHE
set -euo pipefail
if [ "${3-}" != inside ]; then
    # Mounts and processes end with it.
    exec timeout 500 unshare --mount --pid --fork --kill-child --mount-proc "$0" "$(realpath "$1")" "$(realpath "$2")" inside
fi
package=$1 cache=$2
fail() { echo "tests/packaging/clean_root.sh: $*" >&2; exit 1; }
export LC_ALL=C DEBIAN_FRONTEND=noninteractive
dir=$(mktemp -d)
trap 'umount "$dir/root/proc" 2>/dev/null || true; rm -rf "$dir"' EXIT
root=$dir/root

# The release of this system: its libraries are those that the binary was linked against.
suite=$(. /etc/os-release && echo "$VERSION_CODENAME")
bare=$cache/bare-$suite.tar.gz
if [ ! -e "$bare" ]; then
    echo "fetching a bare $suite"
    debootstrap --variant=minbase --include=systemd,procps "$suite" "$root" >"$dir/log" 2>&1 || fail "debootstrap: $(tail -n 5 "$dir/log")"
    # Complete, or not there.
    tar -C "$root" --one-file-system --exclude=./var/cache/apt/archives/*.deb -c . | gzip -1 >"$bare.new"
    mv "$bare.new" "$bare"
    rm -rf "$root"
fi
mkdir "$root"
tar -C "$root" -xzf "$bare"
mount -t proc proc "$root/proc"
there() { chroot "$root" "$@"; }
quietly() { "$@" >"$dir/log" 2>&1 </dev/null || fail "$*: $(cat "$dir/log")"; }
# What the package manager keeps of its own does not count.
files() { find "$root" -xdev \( -path "$root/var/lib/dpkg" -o -path "$root/var/log" -o -path "$root/var/cache" -o -path "$root/proc" -o -path "$root/run" -o -path "$root/new" \) -prune -o -printf '/%P\n' | sort; }
mkdir "$root/new"
files >"$dir/before"

# ---- Installed: complete, enabled, and not started before there is a configuration.
unit=/usr/lib/systemd/system/fingerpost.service
cp "$package" "$root/new/fingerpost.deb"
quietly there dpkg --install /new/fingerpost.deb
quietly there dpkg --verify fingerpost
[ ! -s "$dir/log" ] || fail "not as packaged: $(cat "$dir/log")"
there fingerpost --version
for file in usr/share/man/man1/fingerpost.1.gz usr/share/man/man5/fingerpost.toml.5.gz \
    usr/share/doc/fingerpost/{README.md,copyright,examples/fingerpost.toml} usr/share/bash-completion/completions/fingerpost \
    usr/share/zsh/vendor-completions/_fingerpost usr/share/fish/vendor_completions.d/fingerpost.fish; do
    [ -s "$root/$file" ] || fail "$file is missing"
done
[ "$(there systemctl is-enabled fingerpost.service)" = enabled ] || fail "the service is not enabled"
[ "$(there systemctl is-enabled fingerpost-echo.socket || true)" = disabled ] || fail "it would open a port unasked"
quietly there systemd-analyze verify "$unit" /usr/lib/systemd/system/fingerpost-echo.{service,socket}
[ ! -s "$dir/log" ] || fail "systemd-analyze verify: $(cat "$dir/log")"
condition=$(grep ^ConditionPathExists= "$root$unit")
if there systemd-analyze condition "$condition" >/dev/null 2>&1; then fail "it would be started without a configuration"; fi

# ---- Configured, as an owner does it.
etc=$root/etc/fingerpost
(umask 077 && echo aGVyb24gbWlsbCwgZ2F1Z2U6IDMyIGJ5dGVzIGxvbmc= >"$etc/gauge.key")
sed 's/^#every = "5m"/every = "7m"/' "$root/usr/share/doc/fingerpost/examples/fingerpost.toml" >"$etc/fingerpost.toml"
quietly there fingerpost config check
quietly there systemd-analyze condition "$condition"
there fingerpost config show | grep -q '7m' || fail "the edited key is not in force"
for description in record rrset; do echo '# ours' >>"$etc/providers/$description.toml"; done
# What the service leaves behind (systemd.exec(5), DynamicUser=).
mkdir -p "$root/var/lib/private/fingerpost"
echo kept >"$root/var/lib/private/fingerpost/audit.jsonl"
ln -s private/fingerpost "$root/var/lib/fingerpost"
mine() { (cd "$etc" && sha256sum fingerpost.toml gauge.key providers/record.toml providers/rrset.toml "$root/var/lib/fingerpost/audit.jsonl"); }
mine >"$dir/mine"

# ---- Upgraded: a newer version, in which two of the descriptions have changed, as unattended upgrades do it.
dpkg-deb --raw-extract "$package" "$dir/newer"
sed -i 's/^Version: .*/&+newer/' "$dir/newer/DEBIAN/control"
for description in record powerdns; do echo '# newer' >>"$dir/newer/etc/fingerpost/providers/$description.toml"; done
(cd "$dir/newer" && find . -type f -not -path './DEBIAN/*' -printf '%P\0' | xargs -0 md5sum >DEBIAN/md5sums)
quietly dpkg-deb --root-owner-group --build "$dir/newer" "$root/new/newer.deb"
quietly there dpkg --force-confdef --force-confold --install /new/newer.deb
mine | cmp - "$dir/mine" || fail "the upgrade has changed what its owner wrote: $(mine | diff - "$dir/mine")"
grep -q '^# newer' "$etc/providers/powerdns.toml" || fail "what nobody edited is not upgraded"
[ "$(there systemctl is-enabled fingerpost.service)" = enabled ] || fail "the upgrade has disabled the service"
# And what an owner has switched off stays off.
quietly there systemctl disable fingerpost.service
quietly there dpkg --force-confdef --force-confold --install /new/newer.deb
[ "$(there systemctl is-enabled fingerpost.service || true)" = disabled ] || fail "the upgrade has enabled the service again"

# ---- Removed: configuration, state and log stay.
quietly there dpkg --remove fingerpost
[ ! -e "$root/usr/bin/fingerpost" ] || fail "the program is still there"
mine | cmp - "$dir/mine" || fail "its removal has changed what its owner wrote"

# ---- Purged: nothing stays but what its owner wrote.
quietly there dpkg --purge fingerpost
files >"$dir/after"
left=$(diff "$dir/before" "$dir/after" | sed -n 's/^[<>] /&/p' || true)
wanted='> /etc/fingerpost
> /etc/fingerpost/fingerpost.toml
> /etc/fingerpost/gauge.key'
[ "$left" = "$wanted" ] || fail "after the purge, otherwise than before: $left"
echo "the package: installed, upgraded, removed and purged in a clean $suite"
