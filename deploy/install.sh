#!/usr/bin/env bash
# Installs Traywarden as services on this machine. Safe to run again: what is there already stays as it is.
#
#   sudo deploy/install.sh             program, user, folders, virtual environment, units, a first lab.yaml
#   sudo deploy/install.sh --start     the same, then start the services now and at every boot
#
#   --dry-run      only say what would change
#   --prefix DIR   program there instead of in /opt/traywarden
#   --wheels DIR   packages from this folder instead of the network
#   --root DIR     install into the tree of another system at DIR; no service is touched
#
# The lab's files are in /var/lib/traywarden, settings and secrets in /etc/traywarden. deploy/INSTALL.md is the way through.
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
# shellcheck source=SCRIPTDIR/venv.sh
. "$root/deploy/venv.sh"
# shellcheck source=SCRIPTDIR/lib.sh
. "$root/deploy/lib.sh"

make_user() {
    local name
    if [ -z "$tree" ]; then
        useradd --system --user-group --home-dir "$home" --no-create-home --shell /usr/sbin/nologin "$user"
        return
    fi
    mkdir -p "$tree/etc"
    for name in passwd group shadow gshadow; do [ -e "$tree/etc/$name" ] || install -m 644 /dev/null "$tree/etc/$name"; done
    useradd --prefix "$tree" --system --user-group --home-dir "$home" --no-create-home --shell /usr/sbin/nologin "$user"
}

ready_user() {
    [ -z "$(ids)" ] || return 0
    if is_root; then
        change "make the system user $user" make_user
    else
        say "not root: no user is made, and all files in $tree are yours"
    fi
}

ready_folders() {
    folder "$home" 0750 service
    folder "$backups" 0750 service
    folder "$config" 0755 root
    folder "$config/secrets" 0700 root
    [ -e "$(at "$config/settings")" ] || file "$root/deploy/systemd/settings" "$config/settings" 0644
    [ -e "$(at "$config/backup")" ] || file "$root/deploy/systemd/backup" "$config/backup" 0644
}

first_lab() {
    [ ! -e "$(at "$home/lab.yaml")" ] || return 0
    change "write a first $home/lab.yaml and rules/" program "$1" init >/dev/null
    give_home
}

start_now() {
    local unit
    managed || die "install.sh: no systemd runs here, so nothing can be started"
    for unit in traywarden.service traywarden-backup.timer; do
        systemctl is-active --quiet "$unit" || change "start $unit, now and at every boot" systemctl enable --now "$unit"
    done
    unit=traywarden-board.service
    if [ -e "$config/secrets/BOARD__LINK_SECRET" ]; then
        systemctl is-active --quiet "$unit" ||
            change "start $unit, now and at every boot" systemctl enable --now "$unit"
    else
        say "the board is left out: it needs the secret BOARD__LINK_SECRET"
    fi
}

read_options "$@"
start=no
[ "${rest[*]-}" != --start ] || { start=yes && rest=(); }
no_more_options ${rest[@]+"${rest[@]}"}
need_root

there=$(version_in_use)
if [ -n "$there" ] && [ "$there" != "$(version_id)" ]; then
    die "install.sh: version $there is installed and this is another one ($(version_id)); use deploy/upgrade.sh"
fi
if has_old_names; then die "install.sh: $prefix was laid out by an older installer; use deploy/upgrade.sh, which takes it over"; fi
ready_user
ready_version
ready_folders
ready_units "$version"
link "$prefix/in-use" "versions/$version"
first_lab "$version"
if managed && [ "$changes" -gt 0 ] && [ "$dry" = no ]; then systemctl daemon-reload; fi
[ "$start" = no ] || start_now

[ "$changes" -gt 0 ] || say "nothing to change: version $version is installed"
[ "$start" = yes ] || [ -n "$tree" ] || say "Next: deploy/INSTALL.md, 'The lab'. Services are not started before: sudo deploy/install.sh --start"
