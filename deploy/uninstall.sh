#!/usr/bin/env bash
# Takes the program and its services off this machine. Readings, lab.yaml, settings, secrets and backups stay.
#
#   sudo deploy/uninstall.sh
#   sudo deploy/uninstall.sh --purge --purge    all of those too, and the user; said twice since nothing brings them back
#
#   --dry-run, --prefix DIR, --root DIR         as for install.sh
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
# shellcheck source=SCRIPTDIR/venv.sh
. "$root/deploy/venv.sh"
# shellcheck source=SCRIPTDIR/lib.sh
. "$root/deploy/lib.sh"

# gone PATH... - each with all in it.
gone() {
    local path
    for path in "$@"; do
        path=$(at "$path")
        if [ -e "$path" ] || [ -L "$path" ]; then change "remove ${path#"$tree"}" rm -rf "$path"; fi
    done
}

end_services() {
    managed || return 0
    change "stop the services" systemctl disable --now --quiet "${services[@]}" traywarden-{backup,again}.timer traywarden-new-session.path || true
}

remove_user() {
    [ -n "$(ids)" ] || return 0
    if [ -z "$tree" ]; then
        change "remove the user $user" userdel "$user"
    elif is_root; then
        change "remove the user $user" userdel --prefix "$tree" "$user"
    fi
}

read_options "$@"
purge=0
for option in ${rest[@]+"${rest[@]}"}; do
    [ "$option" = --purge ] || no_more_options "$option"
    purge=$((purge + 1))
done
need_root
[ "$purge" -ne 1 ] || die "uninstall.sh: --purge also removes every reading and backup; say it twice if that is meant"

[ ! -e "$(at "$units/traywarden.service")" ] || end_services
gone "$units"/traywarden{,-board,-backup,-new-session}.service "$units"/traywarden-{again,backup}.timer "$units"/traywarden-new-session.path "$command"
gone "$prefix"/{in-use,before,versions,venvs,current,previous,releases}
[ "$dry" = yes ] || rmdir "$(at "$prefix")" 2>/dev/null || true
if [ "$purge" -ge 2 ]; then
    gone "$home" "$backups" "$config"
    remove_user
else
    say "kept: $home, $backups, $config"
fi
if managed && [ "$dry" = no ]; then systemctl daemon-reload; fi
