#!/usr/bin/env bash
# One backup while the collector runs: a folder with the journal, lab.yaml and the rules. Secrets are never in it.
#
#   BACKUPS=/media/stick/traywarden KEEP=4 deploy/backup.sh     BACKUPS/20260302T034000Z, the newest 4 of these kept
#   deploy/backup.sh --name before-moving                       BACKUPS/before-moving, which is kept for good
#
# The home folder is $TRAYWARDEN_HOME, the program $TRAYWARDEN (default: of the version this file belongs to).
set -euo pipefail

here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
die() {
    printf '%s\n' "backup.sh: $*" >&2
    exit 1
}

backups=${BACKUPS:-/var/backups/traywarden} keep=${KEEP:-4} home=${TRAYWARDEN_HOME:-/var/lib/traywarden}
program=${TRAYWARDEN:-$here/../../traywarden}
name=$(date -u +%Y%m%dT%H%M%SZ)
case "$#:${1-}" in
    0:) ;;
    2:--name) name=$2 ;;
    *) die "'${1-}' is not an option; only --name NAME is" ;;
esac
[[ $keep =~ ^[1-9][0-9]*$ ]] || die "KEEP is '$keep'; write how many backups to keep, such as 4"
[ -x "$program" ] || die "$program is not there; name the program in TRAYWARDEN"
# Made by whoever sets the folder up: a stick that is not plugged in must not fill the card it would be mounted on.
[ -d "$backups" ] || die "$backups: no such folder"
[ ! -e "$backups/$name" ] || die "$backups/$name is there already"

umask 027
part=$(mktemp -d "$backups/.part-XXXXXX")
trap 'rm -rf "$part"' EXIT
if [ -e "$home/traywarden.db" ]; then "$program" backup "$part/traywarden.db" --home "$home"; fi
for item in lab.yaml rules calendars; do [ ! -e "$home/$item" ] || cp -r "$home/$item" "$part/"; done
chmod 750 "$part"
sync -f "$part"
mv -T "$part" "$backups/$name"
echo "backup $backups/$name"

# In that folder: find fails where it cannot come back to one that is closed to us, such as the caller's home.
mapfile -t all < <(cd "$backups" && find . -mindepth 1 -maxdepth 1 -type d -name '20[0-9][0-9]*T*Z' -printf '%f\n' | LC_ALL=C sort -r)
for old in "${all[@]:keep}"; do
    rm -rf "${backups:?}/$old"
    echo "removed $backups/$old"
done
