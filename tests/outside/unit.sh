#!/usr/bin/env bash
# The service's unit, seen by systemd's own tools: it is understood without a complaint, and its
# exposure is at most 1.3 of 10. Needs the program `systemd-analyze` and no running systemd.
set -euo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
unit=$root/systemd/stillstand.service

copy=$(mktemp -d)
trap 'rm -rf "$copy"' EXIT
# `verify` wants the program to be installed: in a copy, another one stands for it.
sed 's|^ExecStart=/usr/bin/stillstand |ExecStart=/bin/true |' "$unit" >"$copy/stillstand.service"

said=$(systemd-analyze verify --man=no "$copy/stillstand.service" 2>&1) || true
if [ -n "$said" ]; then
    printf 'systemd-analyze verify complains:\n%s\n' "$said" >&2
    exit 1
fi
systemd-analyze security --no-pager --offline=yes --threshold=13 "$copy/stillstand.service" | tail -n 1

# The check can fail: a misspelt key is complained of, an open unit is over the threshold.
sed 's|^WatchdogSec=|WatchdogSecs=|' "$copy/stillstand.service" >"$copy/wrong.service"
if [ -z "$(systemd-analyze verify --man=no "$copy/wrong.service" 2>&1)" ]; then
    echo 'a misspelt key was not noticed' >&2
    exit 1
fi
printf '[Service]\nExecStart=/bin/true\n' >"$copy/open.service"
if systemd-analyze security --no-pager --offline=yes --threshold=13 "$copy/open.service" >/dev/null 2>&1; then
    echo 'an open unit was let through' >&2
    exit 1
fi
echo 'the unit is understood and closed enough'
