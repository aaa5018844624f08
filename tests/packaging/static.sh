#!/usr/bin/env bash
# The static binary alone in a directory that has become its whole world: tests/packaging/static.sh BINARY
# BIND and three witnesses are on the loopback of a network of their own, and end with it.
set -euo pipefail
if [ "${2-}" != inside ]; then
    as_root=()
    [ "$(id -u)" -eq 0 ] || as_root=(--map-root-user)
    exec timeout 120 unshare "${as_root[@]}" --net --mount --pid --fork --kill-child --mount-proc "$0" "$(realpath "$1")" inside
fi
fail() { echo "tests/packaging/static.sh: $*" >&2; exit 1; }
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
root=$dir/root

[ -n "$(readelf --sections "$1")" ] || fail "$1 is no program"
[ -z "$(readelf --dynamic "$1" | grep NEEDED)" ] || fail "it needs libraries: $(readelf --dynamic "$1" | grep NEEDED)"
install -D "$1" "$root/fingerpost"
there() { chroot "$root" /fingerpost "$@"; }

# The rehearsal needs room for temporary files, and nothing else.
mkdir "$root/tmp"
ip link set lo up
there rehearse >"$dir/rehearsal" || fail "the rehearsal: $(cat "$dir/rehearsal")"
tail -n 1 "$dir/rehearsal"

# Names as they come by DNS and by /etc/hosts; nsswitch.conf names further ways, which belong to another C library.
ip address add 203.0.113.77/32 dev lo
mkdir "$root/etc" "$root/state"
echo 'nameserver 127.0.0.1' >"$root/etc/resolv.conf"
echo '203.0.113.77 quayside.example' >"$root/etc/hosts"
echo 'hosts: mymachines resolve [!UNAVAIL=return] mdns4_minimal files dns' >"$root/etc/nsswitch.conf"
cat >"$dir/named.conf" <<END
options { directory "$dir"; pid-file none; listen-on { 127.0.0.1; }; listen-on-v6 { none; }; recursion no; dnssec-validation no; };
controls { };
key gauge-key { algorithm hmac-sha256; secret "aGVyb24gbWlsbCwgZ2F1Z2U6IDMyIGJ5dGVzIGxvbmc="; };
zone "example" { type primary; file "example.zone"; };
zone "heronmill.example" { type primary; file "mill.zone"; update-policy { grant gauge-key name gauge.heronmill.example A; }; };
END
cat >"$dir/example.zone" <<'END'
@ 60 SOA ns1.heronmill.example. keeper.heronmill.example. 1 3600 600 86400 60
@ 60 NS ns1.heronmill.example.
heronmill 60 NS ns1.heronmill
ns1.heronmill 60 A 127.0.0.1
north 60 A 203.0.113.77
ferryman 60 A 203.0.113.77
END
cat >"$dir/mill.zone" <<'END'
@ 60 SOA ns1 keeper 1 3600 600 86400 60
@ 60 NS ns1
ns1 60 A 127.0.0.1
gauge 120 A 203.0.113.9
END
named -g -c "$dir/named.conf" >"$dir/named.log" 2>&1 &
there --quiet echo --http 203.0.113.77:8080 2>"$dir/echo.log" &
{
    echo 'state_dir = "/state"'
    echo '[watch]'
    echo 'accept_special = ["203.0.113.0/24"]'
    for operator in north ferryman quayside; do
        printf '[[witness]]\nname = "%s"\noperator = "%s"\nkind = "http"\n' "$operator" "$operator"
        printf 'url = "http://%s.example:8080/"\nfamilies = ["ipv4"]\n' "$operator"
    done
    echo '[provider.home]'
    printf 'kind = "rfc2136"\nzone = "heronmill.example"\nserver = "ns1.heronmill.example:53"\n'
    echo 'key = { name = "gauge-key", algorithm = "hmac-sha256", secret = { file = "/gauge.key" } }'
    printf '[[record]]\nname = "gauge.heronmill.example"\ntypes = ["A"]\nprovider = "home"\nttl = "2m"\n'
} >"$root/fingerpost.toml"
(umask 077 && echo aGVyb24gbWlsbCwgZ2F1Z2U6IDMyIGJ5dGVzIGxvbmc= >"$root/gauge.key")

served() { dig +short +time=1 +tries=1 @127.0.0.1 gauge.heronmill.example A 2>/dev/null || true; }
until [ "$(served)" = 203.0.113.9 ] && (: </dev/tcp/203.0.113.77/8080) 2>/dev/null; do
    [ -n "$(jobs -rp)" ] || fail "nothing serves: $(cat "$dir/named.log" "$dir/echo.log")"
    sleep 0.05
done

there --config /fingerpost.toml config check >"$dir/check" 2>&1 || fail "config check: $(cat "$dir/check")"
strace -f -o "$dir/trace" -e trace=execve,openat,connect chroot "$root" /fingerpost --config /fingerpost.toml preview >"$dir/preview"
grep -q 'gauge.heronmill.example  A  *203.0.113.9 → 203.0.113.77  *would replace' "$dir/preview" || fail "preview says otherwise"
grep -q 'agreed by 3 of 3 operators' "$dir/preview" || fail "not all names were resolved"
# What chroot itself loads does not count: it is a program of this system.
sed '1,/execve("\/fingerpost"/d' "$dir/trace" >"$dir/own"
grep -q '/etc/resolv.conf' "$dir/own" || fail "the trace does not show how names were resolved: $(cat "$dir/trace")"
if grep -E '\.so|nscd' "$dir/own"; then fail "it loads what belongs to this system"; fi
there --config /fingerpost.toml --quiet sync >"$dir/sync" 2>&1 || fail "sync: $(cat "$dir/sync")"
[ "$(served)" = 203.0.113.77 ] || fail "sync has written $(served)"
echo "the static binary works in an empty root"
