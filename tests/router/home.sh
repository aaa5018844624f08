#!/bin/sh
# The smallest home with a router that answers: this namespace is the LAN's only host and the outside at once, a second
# one is the router with miniupnpd. Called as pid 1 of fresh namespaces (as root or an ordinary user):
#
#   unshare -Urnmpuf --kill-child --mount-proc tests/router/home.sh DIRECTORY NATPMP UPNP COMMAND...
#
# NATPMP and UPNP are yes or no: what the router has turned on. COMMAND runs here when the router is up; `wan ADDRESS`
# written to DIRECTORY/wan gives the router that WAN address. When COMMAND ends, the kernel ends everything.
set -eu
dir=$1 natpmp=$2 upnp=$3
shift 3
PATH=$PATH:/usr/sbin:/sbin

mount -t tmpfs tmpfs /run
# miniupnpd may write to the console.
mount --bind /dev/null /dev/console 2>/dev/null || true
ip link set lo up

mkfifo "$dir/wan" "$dir/ready"
unshare -n sh -eu -c 'echo up >"$0/ready"; exec sleep infinity' "$dir" &
router=$!
read -r _ <"$dir/ready"
in_router() { nsenter -t "$router" -n "$@"; }

ip link add lan type veth peer name lan netns "$router"
ip link add out type veth peer name wan netns "$router"
ip addr add 192.168.77.9/24 dev lan
# The STUN server needs two addresses.
ip addr add 203.0.113.1/24 dev out
ip addr add 203.0.113.2/24 dev out
ip link set lan up
ip link set out up
in_router ip link set lo up
in_router ip addr add 192.168.77.1/24 dev lan
in_router ip addr add 203.0.113.7/24 dev wan
in_router ip link set lan up
in_router ip link set wan up
in_router ip route add default via 203.0.113.1
ip route add default via 192.168.77.1

in_router nft -f - <<EOF
table inet filter {
    chain forward { type filter hook forward priority 0; jump miniupnpd; }
    chain input { type filter hook input priority 0; jump miniupnpd; }
    chain miniupnpd { }
    chain prerouting { type nat hook prerouting priority -100; jump prerouting_miniupnpd; }
    chain postrouting { type nat hook postrouting priority 100; jump postrouting_miniupnpd; }
    chain prerouting_miniupnpd { }
    chain postrouting_miniupnpd { }
}
EOF

cat >"$dir/miniupnpd.conf" <<EOF
ext_ifname=wan
listening_ip=lan
http_port=0
enable_natpmp=$natpmp
enable_upnp=$upnp
ext_perform_stun=yes
ext_stun_host=203.0.113.1
ext_stun_port=3478
upnp_table_name=filter
upnp_nat_table_name=filter
upnp_forward_chain=miniupnpd
upnp_nat_chain=prerouting_miniupnpd
upnp_nat_postrouting_chain=postrouting_miniupnpd
lease_file=$dir/leases
system_uptime=yes
uuid=4a4e8f3c-7d1e-4a2f-9f5b-2f8d2f0c7a11
allow 0-65535 192.168.77.0/24 0-65535
EOF
turnserver -n --stun-only --no-auth --no-cli --no-tls --no-dtls -L 203.0.113.1 -L 203.0.113.2 -p 3478 \
    --pidfile "$dir/turn.pid" --log-file "$dir/turn.log" --simple-log >/dev/null 2>&1 &
in_router miniupnpd -f "$dir/miniupnpd.conf" -P "$dir/miniupnpd.pid"

exec 3<>"$dir/wan"
(
    while read -r address <&3; do
        in_router ip addr flush dev wan
        in_router ip addr add "$address/24" dev wan
        in_router ip route replace default via 203.0.113.1
    done
) &
"$@"
