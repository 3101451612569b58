#!/bin/sh
# Removing stops the service; an upgrade, which comes by here too, doesn't. The
# data in /var/lib/gapward stay in either case.
set -e
[ "$1" = remove ] && [ -d /run/systemd/system ] || exit 0
systemctl disable --now gapward.service
