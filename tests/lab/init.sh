#!/bin/sh
# The first process of a lab, in fresh network, mount, process and host-name namespaces, and nobody's parent outside
# them. When it ends, the kernel ends every process in here, and with them go the namespaces and all that was mounted.
#
#   unshare [-Ur] -n -m -p -u -f --kill-child --mount-proc tests/lab/init.sh COMMAND [ARGUMENT…]
set -eu

# Hosts are namespaces named in /run/netns, and every file that a test makes is in memory.
mount -t tmpfs -o mode=755 lab /run
mkdir /run/netns /run/tmp
export TMPDIR=/run/tmp

# Without a log to write to, miniupnpd writes to the console; that of the machine is not ours.
if [ -e /dev/console ]; then mount --bind /dev/null /dev/console; fi

ip link set lo up
"$@" && exit 0 || exit $?
