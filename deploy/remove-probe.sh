#!/usr/bin/env bash
# Takes a probe's account at the broker away: whoever has its password is out, connected or not.
#
#   sudo deploy/remove-probe.sh maple-top
#
#   --dry-run, --prefix DIR, --root DIR      as for install.sh
#
# For a probe that was lost, taken out ('traywarden probes remove') or given another name ('traywarden probes move').
# lab.yaml is not changed, and no reading is lost. Safe to run again.
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
# shellcheck source=SCRIPTDIR/venv.sh
. "$root/deploy/venv.sh"
# shellcheck source=SCRIPTDIR/lib.sh
. "$root/deploy/lib.sh"
# shellcheck source=SCRIPTDIR/broker.sh
. "$root/deploy/broker.sh"

read_options "$@"
name=${rest[0]-}
[[ $name =~ ^[a-z0-9]+(-[a-z0-9]+)*$ ]] || die "remove-probe.sh: name the probe, like maple-top: lower-case letters, digits and '-'"
[ "$name" != collector ] || die "remove-probe.sh: 'collector' is the collector's own account; without it nothing is heard"
no_more_options "${rest[@]:1}"
need_root
need_broker
[ -e "$(at "$broker/acl")" ] || die "remove-probe.sh: the broker is not set up; run deploy/secure-broker.sh first"

part=$(mktemp)
trap 'rm -f "$part"' EXIT
acl_without "$name" >"$part"
file "$part" "$broker/acl" 0640
if has_account "$name"; then change "take the account '$name' away" take_account "$name"; fi
if [ "$changes" -gt 0 ] && [ "$dry" = no ]; then
    for_the_broker
    ! managed || systemctl kill --signal=HUP mosquitto
fi
[ "$changes" -gt 0 ] || say "nothing to change: the broker knows no '$name'"
