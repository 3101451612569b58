#!/bin/sh
# A new version of the unit is read; a service that runs goes on with the new
# program. A new installation starts nothing: it has no site file yet.
set -e
[ -d /run/systemd/system ] || exit 0
systemctl daemon-reload
systemctl try-restart gapward.service
