#!/usr/bin/env bash
# What the container recipe makes, without a container engine: tests/packaging/container.sh CONTEXT, as root, where CONTEXT
# is what packaging/container/root.sh laid out. The recipe's few instructions are carried out in a directory, and what it
# would start is started there, on a root that cannot be written.
set -euo pipefail
cd "$(dirname "$0")/../.."
if [ "${2-}" != inside ]; then
    exec timeout 120 unshare --net --mount --pid --fork --kill-child --mount-proc "$0" "$(realpath "$1")" inside
fi
fail() { echo "tests/packaging/container.sh: $*" >&2; exit 1; }
context=$1
dir=$(mktemp -d)
image=$dir/image
# What it started ends first: it stands on what is unmounted.
trap 'kill $(jobs -p) 2>/dev/null || true; wait; umount --lazy --recursive "$image" || true; rm -rf "$dir"' EXIT
mkdir "$image"

# Words of a JSON array, one a line.
words() { jq --raw-output '.[]' <<<"$1"; }
user='' health='' entry='' command='' volume=''
while read -r instruction rest; do
    case $instruction in
        '' | '#'*) ;;
        FROM) [ "$rest" = scratch ] || fail "it begins with $rest" ;;
        COPY)
            owner=0:0
            case $rest in --chown=*) owner=${rest%% *} owner=${owner#*=} rest=${rest#* } ;; esac
            mkdir -p "$image${rest#* }"
            cp -r --preserve=mode "$context/${rest%% *}." "$image${rest#* }"
            chown -R "$owner" "$image${rest#* }"
            ;;
        USER) user=$rest ;;
        VOLUME) volume=$rest ;;
        STOPSIGNAL) signal=$rest ;;
        HEALTHCHECK) health=$(words "${rest#*CMD }") ;;
        ENTRYPOINT) entry=$(words "$rest") ;;
        CMD) command=$(words "$rest") ;;
        *) fail "an instruction that this test does not know: $instruction" ;;
    esac
done < <(sed ':more; /\\$/ { N; s/\\\n//; b more }' packaging/container/Containerfile)

# All that is in there.
found=$(cd "$image" && find . -type f -printf '%P %m %U\n' -o -type l -printf '%P is a link\n' | LC_ALL=C sort)
wanted='etc/ssl/certs/ca-certificates.crt 644 0
usr/bin/fingerpost 755 0
usr/share/doc/fingerpost/LICENSE 644 0'
[ "$found" = "$wanted" ] || fail "it holds something else: $found"
[ -z "$(find "$image" -perm /6000)" ] || fail "something runs as somebody else"
case $user in 0* | root* | '') fail "it runs as root" ;; esac
[ "$(stat --format %u:%g "$image$volume")" = "$user" ] || fail "$volume is not its user's"

# A root that cannot be written, but for the volume; a configuration from outside.
mount --bind "$image" "$image"
mkdir "$dir/state" "$dir/etc"
cp -a "$image$volume/." "$dir/state"
cat >"$dir/state/heronmill.zone" <<'END'
$ORIGIN heronmill.example.
@ 60 IN SOA ns1 keeper 1 3600 600 86400 60
@ 60 IN NS ns1
ns1 60 IN A 203.0.113.5
gauge 120 IN A 203.0.113.9
END
chown -R "$user" "$dir/state"
cat >"$dir/etc/fingerpost.toml" <<'END'
[watch]
settle_every = "100ms"
accept_special = ["203.0.113.0/24"]
[[witness]]
name = "north"
operator = "north-collective"
kind = "http"
url = "http://203.0.113.77:8080/"
[[witness]]
name = "ferry"
operator = "ferryman"
kind = "http"
url = "http://203.0.113.77:8080/"
[[witness]]
name = "quay"
operator = "quayside"
kind = "http"
url = "http://203.0.113.77:8080/"
[provider.home]
kind = "zonefile"
zone = "heronmill.example"
file = "/var/lib/fingerpost/heronmill.zone"
[[record]]
name = "gauge.heronmill.example"
types = ["A"]
provider = "home"
ttl = "2m"
END
mount --bind "$dir/state" "$image$volume"
mount --bind "$dir/etc" "$image/etc/fingerpost"
mount -o remount,bind,ro "$image/etc/fingerpost"
mount -o remount,bind,ro "$image"
if touch "$image/usr/new" 2>/dev/null; then fail "its root can be written"; fi
ip link set lo up
ip address add 203.0.113.77/32 dev lo

# As an engine does: this user, no capabilities, nothing inherited.
mapfile -t entry <<<"$entry"
mapfile -t command <<<"$command"
mapfile -t health <<<"$health"
within=(env --ignore-environment /usr/sbin/chroot --userspec="$user" "$image")
"${within[@]}" "${entry[@]}" config check >"$dir/check" 2>&1 || fail "config check: $(cat "$dir/check")"
"${within[@]}" "${entry[@]}" --quiet echo --http 203.0.113.77:8080 &
echo=$!
"${within[@]}" "${entry[@]}" "${command[@]}" >"$dir/log" 2>&1 &
daemon=$!
# It writes the record, and is well then; without it nothing is.
until grep -q '^gauge.* 203\.0\.113\.77$' "$dir/state/heronmill.zone" && "${within[@]}" "${health[@]}" >"$dir/health" 2>&1; do
    kill -0 "$daemon" "$echo" 2>/dev/null || fail "it has ended: $(cat "$dir/log")"
    sleep 0.05
done
kill -s "${signal#SIG}" "$daemon"
wait "$daemon" || fail "it ends with $?: $(cat "$dir/log")"
if "${within[@]}" "${health[@]}" >"$dir/health" 2>&1; then fail "it has ended, and is called well: $(cat "$dir/health")"; fi
[ "$(find "$image$volume" -type f ! -uid "${user%%:*}")" = '' ] || fail "somebody else wrote its state"
kill "$echo"
echo "the container's root: nothing but fingerpost, and enough for it"
