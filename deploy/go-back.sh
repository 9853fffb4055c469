#!/usr/bin/env bash
# Goes back to the version that was in use before the last upgrade, and takes the journal along.
#
#   sudo /opt/traywarden/in-use/program/deploy/go-back.sh
#
#   --prefix DIR, --root DIR    as for install.sh
#
# The journal is brought back to the form the older version knows, with every reading; what that form cannot hold is
# named, and the journal as it was stays beside it. Where a form has no way back, the backup made by upgrade.sh is put in
# place instead; what came in since is then only in the journal that stays beside it.
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
# shellcheck source=SCRIPTDIR/venv.sh
. "$root/deploy/venv.sh"
# shellcheck source=SCRIPTDIR/lib.sh
. "$root/deploy/lib.sh"

# The journal in a form that the version $old reads; false where that cannot be.
journal_back() {
    local to there saved
    [ -e "$(at "$home/traywarden.db")" ] || return 0
    to=$(form_of "$old") && there=$(form_there "$now") || return 1
    [ "$there" -gt "$to" ] || return 0
    if program "$now" downgrade --to "$to"; then return 0; fi
    saved=$(at "$backups/before-$now/traywarden.db")
    [ -e "$saved" ] || { say "there is no backup $saved either" && return 1; }
    say "putting the backup from before the upgrade in place"
    program "$old" restore "$saved"
}

read_options "$@"
no_more_options ${rest[@]+"${rest[@]}"}
need_root
now=$(version_in_use)
old=$(target_of before || true)
if [ -z "$now" ] || [ -z "$old" ] || [ "$now" = "$old" ] || [ ! -d "$(at "$prefix/versions/$old")" ]; then
    die "go-back.sh: there is no earlier version in $prefix to go back to"
fi
# From an upgrade that failed half way: what ran before it.
read -ra running <<<"${RUNNING-$(running_services | tr '\n' ' ')}"
stop_services
if ! journal_back; then
    start_services ${running[@]+"${running[@]}"} || true
    die "go-back.sh: the journal could not be brought back; $now stays in use"
fi
give_home
link "$prefix/in-use" "versions/$old"
rm -f "$(at "$prefix/before")"
old_names "$old"
ready_units "$old"
start_services ${running[@]+"${running[@]}"} || die "go-back.sh: version $old did not get ready; see: journalctl -u traywarden"
say "back from $now to $old"
