#!/usr/bin/env bash
# Puts the version of this checkout in place of the installed one, and goes back by itself if it does not get ready.
#
#   sudo deploy/upgrade.sh        from a checkout of the new version
#
#   --dry-run, --prefix DIR, --wheels DIR, --root DIR    as for install.sh
#
# First the new version is made and must be able to read lab.yaml and the rules; the old one runs meanwhile. Then a
# backup, then the switch. The collector brings the journal into its new form when it starts. To return: go-back.sh.
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
# shellcheck source=SCRIPTDIR/venv.sh
. "$root/deploy/venv.sh"
# shellcheck source=SCRIPTDIR/lib.sh
. "$root/deploy/lib.sh"

can_read_lab() {
    python_of "$1" 'if True:
        import sys
        from pathlib import Path
        from collector.config.home import Home
        from collector.domain.problems import Refused
        home, bad = Home(Path(sys.argv[1])), False
        for read in (home.load_lab, home.load_rule_set):
            try:
                read()
            except Refused as refused:
                bad = True
                print(*refused.problems, sep="\n", file=sys.stderr)
        sys.exit(bad)' "$(at "$home")"
}

# By the new version's script, from where it was just put, and the old version's program.
back_up() {
    as_service env BACKUPS="$(at "$backups")" TRAYWARDEN_HOME="$(at "$home")" \
        TRAYWARDEN="$(at "$prefix/versions/$1/traywarden")" \
        bash "$(at "$prefix/versions/$2/program/deploy/backup.sh")" --name "before-$2" >/dev/null
}

# Only what is in use and what can be gone back to stays on the disk, with the backup made in between.
tidy() {
    local path keep
    keep=" $version $old $(basename "$(readlink "$(at "$prefix/versions/$version/venv")")") $(basename "$(readlink "$(at "$prefix/versions/$old/venv")")") "
    for path in "$(at "$prefix")"/versions/* "$(at "$prefix")"/venvs/*; do
        [[ $keep == *" $(basename "$path") "* ]] || rm -rf "$path"
    done
    for path in "$(at "$backups")"/before-*; do
        [ "$path" = "$(at "$backups/before-$version")" ] || rm -rf "$path"
    done
}

switch() {
    mapfile -t running < <(running_services)
    stop_services
    link "$prefix/before" "versions/$old"
    link "$prefix/in-use" "versions/$version"
    ready_units "$version"
    program "$version" init >/dev/null # refreshes the schemas; lab.yaml and rules stay
    give_home
    start_services ${running[@]+"${running[@]}"}
}

read_options "$@"
no_more_options ${rest[@]+"${rest[@]}"}
need_root
old=$(version_in_use)
[ -n "$old" ] || die "upgrade.sh: nothing is installed in $prefix; use deploy/install.sh"
if [ "$old" = "$(version_id)" ]; then
    say "nothing to do: version $old is installed already"
    exit
fi
if has_old_names; then
    change "take over what is installed: releases, current, previous become versions, in-use, before" take_over
fi
ready_version
if [ "$dry" = yes ]; then
    say "would back up, switch from $old to $version and start again what runs now"
    exit
fi
can_read_lab "$version" || die "upgrade.sh: the new version cannot use the lab's files (see above); $old stays in use"
rm -rf "$(at "$backups/before-$version")"
back_up "$old" "$version" || die "upgrade.sh: no backup could be made; $old stays in use"
say "backup made: $backups/before-$version"
if ! switch; then
    say "version $version did not get ready (see: journalctl -u traywarden); going back to $old"
    RUNNING="${running[*]-}" bash "$root/deploy/go-back.sh" --prefix "$prefix" ${tree:+--root "$tree"} || true
    exit 1
fi
old_names "$version"
tidy
say "upgraded from $old to $version; to go back: $prefix/in-use/program/deploy/go-back.sh"
