#!/usr/bin/env bash
# Shows that the newest backup can be restored: into a scratch folder beside the backups, which is removed again.
#
#   sudo -u traywarden /opt/traywarden/in-use/program/deploy/restore-drill.sh
#   BACKUPS=/media/stick/traywarden deploy/restore-drill.sh [BACKUP]     that folder's newest one, or the one named
#
# It restores with the program's own command, counts the readings on both sides, and reads lab.yaml and the rules.
set -euo pipefail

here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
die() {
    printf '%s\n' "restore-drill.sh: $*" >&2
    exit 1
}

# count FILE - the readings in a journal, counted by SQLite alone.
count() {
    "$python" -c 'import sqlite3, sys; print(sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True)
    .execute("SELECT count(*) FROM readings").fetchone()[0])' "$1"
}

backups=${BACKUPS:-/var/backups/traywarden} program=${TRAYWARDEN:-$here/../../traywarden}
python=$(command -v python3) || die "python3 is not there"
[ -x "$program" ] || die "$program is not there; name the program in TRAYWARDEN"
# In that folder: find fails where it cannot come back to one that is closed to us, such as the caller's home.
last() { (cd "$backups" && find . -mindepth 1 -maxdepth 1 -type d -name '20[0-9][0-9]*T*Z' -printf '%f\n') | LC_ALL=C sort | tail -n 1; }
newest=${1:-$(last)}
[ -n "${1-}" ] || [ -z "$newest" ] || newest=$backups/$newest
[ -n "$newest" ] || die "$backups holds no backup"
[ -e "$newest/traywarden.db" ] || die "$newest holds no journal"

scratch=$(mktemp -d "$(dirname "$newest")/.drill-XXXXXX")
trap 'rm -rf "$scratch"' EXIT
for item in lab.yaml rules calendars; do [ ! -e "$newest/$item" ] || cp -r "$newest/$item" "$scratch/"; done
"$program" restore "$newest/traywarden.db" --home "$scratch" >/dev/null || die "$newest cannot be restored"
wanted=$(count "$newest/traywarden.db") found=$(count "$scratch/traywarden.db")
[ "$found" = "$wanted" ] || die "$newest holds $wanted readings and $found came back"
"$program" rules check --home "$scratch" >/dev/null || die "the rules in $newest cannot be used"
echo "restored $newest into a scratch folder: $found readings, rules good"
