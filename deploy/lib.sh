# What the scripts that install, upgrade and remove share; sourced after venv.sh, never run.
#
#   PREFIX/versions/ID/program     the program as it was when that version was made
#   PREFIX/versions/ID/traywarden  runs it
#   PREFIX/venvs/HASH              what it needs from others; versions with the same pins share one
#   PREFIX/in-use, before          the version in use, the one to go back to

# shellcheck shell=bash disable=SC2034,SC2154  # some names are for, or from, the scripts that source this
prefix=/opt/traywarden home=/var/lib/traywarden backups=/var/backups/traywarden config=/etc/traywarden
units=/etc/systemd/system command=/usr/local/bin/traywarden user=traywarden
services=(traywarden.service traywarden-board.service)
tree="" wheels="" dry=no changes=0

# Where a path of the installed system is now.
at() { printf '%s%s' "$tree" "$1"; }

# change WHAT COMMAND... - says what changes and does it; with --dry-run says it only.
change() {
    local what=$1
    shift
    changes=$((changes + 1))
    if [ "$dry" = yes ]; then
        say "would $what"
    else
        say "$what"
        "$@"
    fi
}

is_root() { [ "$(id -u)" -eq 0 ]; }

# Services can be spoken to: systemd runs here, and what we change is this system, not a tree of another.
managed() { [ -z "$tree" ] && [ -d /run/systemd/system ]; }

need_root() {
    is_root || [ -n "$tree" ] || die "$(basename "$0"): must run as root (sudo), or with --root DIR into a tree of your own"
}

# Common options; sets $rest to those that are left.
read_options() {
    rest=()
    while [ $# -gt 0 ]; do
        case $1 in
            --prefix | --root | --wheels)
                [ $# -gt 1 ] || die "$(basename "$0"): $1 needs a folder"
                ;;&
            --prefix) prefix=${2%/} && shift ;;
            --root) tree=${2%/} && shift ;;
            --wheels) wheels=$(realpath -e "$2") && shift ;;
            --dry-run) dry=yes ;;
            -h | --help)
                sed -n '2,/^[^#]/s/^# \{0,1\}//p' "$0"
                exit 0
                ;;
            *) rest+=("$1") ;;
        esac
        shift
    done
    case $prefix in /*[!/]*) ;; *) die "$(basename "$0"): --prefix must be a path such as /opt/traywarden" ;; esac
    case $prefix in *[!A-Za-z0-9/._-]*) die "$(basename "$0"): --prefix may hold letters, digits and / . _ - only" ;; esac
    [ -z "$tree" ] || tree=$(realpath -m "$tree")
    umask 022
}

no_more_options() { [ $# -eq 0 ] || die "$(basename "$0"): '$1' is not an option; see $(basename "$0") --help"; }

# UID:GID of the service's user in the tree; nothing where there is none, as in a tree that is not ours to change.
ids() { awk -F: -v name="$user" '$1 == name { print $3 ":" $4 }' "$(at /etc/passwd)" 2>/dev/null || true; }

# owned PATH OWNER - 'root' or 'service'. Without root everything stays whoever's it is.
owned() {
    local wanted=0:0
    is_root || return 0
    [ "$2" = root ] || wanted=$(ids)
    [ -z "$wanted" ] || [ "$(stat -c %u:%g "$1")" = "$wanted" ] || chown "$wanted" "$1"
}

# folder PATH MODE OWNER
folder() {
    local path
    path=$(at "$1")
    if [ ! -d "$path" ]; then
        change "make the folder $1" mkdir -p "$path"
    elif [ "$(stat -c %a "$path")" != "${2#0}" ]; then
        change "give the folder $1 mode $2" true
    fi
    [ "$dry" = yes ] || { chmod "$2" "$path" && owned "$path" "$3"; }
}

# file SOURCE TARGET MODE - the target holds what the source holds; replaced in one step.
file() {
    local target
    target=$(at "$2")
    if ! cmp -s "$1" "$target" || [ "$(stat -c %a "$target")" != "${3#0}" ]; then
        change "write $2" put_file "$1" "$target" "$3"
    fi
}

put_file() {
    mkdir -p "$(dirname "$2")"
    install -m "$3" "$1" "$2.part"
    mv "$2.part" "$2"
    owned "$2" root
}

# link NAME TARGET - a symbolic link, replaced in one step.
link() {
    [ "$(readlink "$(at "$1")" 2>/dev/null)" = "$2" ] || change "point $1 to $2" put_link "$(at "$1")" "$2"
}

put_link() {
    ln -sfn "$2" "$1.part"
    mv -T "$1.part" "$1"
}

# What a version is made of, from a checkout or from the program of another version.
parts=(collector sim_sensors rules deploy pyproject.toml README.md DEVELOPERS.md CHANGELOG.md LICENSE)

version_id() {
    local number sum
    number=$(sed -n 's/^version = "\(.*\)"$/\1/p' "$root/pyproject.toml")
    sum=$(cd "$root" && find "${parts[@]}" -type f ! -path '*/__pycache__/*' ! -name '*.pyc' -print0 | LC_ALL=C sort -z |
        xargs -0 sha256sum | sha256sum)
    printf '%s-%s\n' "$number" "${sum:0:12}"
}

venv_id() { { cat "$root/deploy/requirements.txt" && "$1" -c 'import sys; print(sys.version)'; } | sha256sum | cut -c1-12; }

fill_version() {
    local python=$1 version=$2 venv=$3
    rm -rf "$version.part"
    mkdir -p "$version.part/program"
    (cd "$root" && tar -c --exclude=__pycache__ --exclude='*.pyc' "${parts[@]}") | tar -x --no-same-owner -C "$version.part/program"
    chmod -R u=rwX,go=rX "$version.part"
    ln -s "../../venvs/$venv" "$version.part/venv"
    # Resolves 'in-use', so that a running program never mixes two versions; -P, so that it never takes modules from
    # the folder it is called in.
    cat >"$version.part/traywarden" <<'LAUNCHER'
#!/bin/sh
here=$(readlink -f "$0")
here=${here%/*}
PYTHONPATH=$here/program exec "$here/venv/bin/python" -P -m collector.cli.main "$@"
LAUNCHER
    chmod 755 "$version.part/traywarden"
    # The services may not write here, so it is done now.
    "$python" -m compileall -q -j 0 "$version.part/program/collector"
    mv "$version.part" "$version"
}

fill_service_venv() {
    local python=$1 venv=$2 from=()
    [ -z "$wheels" ] || from=(--no-index --find-links "$wheels")
    "$python" -c 'import ensurepip' >/dev/null 2>&1 ||
        die "$python cannot make a virtual environment. Install the missing part with: apt-get install python3-venv"
    rm -rf "$venv.part"
    "$python" -m venv "$venv.part"
    install_lock "$venv.part" "$root/deploy/requirements.txt" --no-cache-dir "${from[@]}"
    # Programs of other packages name the folder they were made in; nothing here calls them.
    find "$venv.part/bin" -type f ! -name 'activate*' -delete
    mv "$venv.part" "$venv"
}

# Sets $version to the id of what stands in $root, and sees that it is there, complete.
ready_version() {
    local python venv
    python=$(any_python)
    as_service env "$python" -c '' 2>/dev/null ||
        die "the services' user $user cannot run $(command -v "$python"), as where it lies in a home; put one first in PATH that all can run"
    venv=$(venv_id "$python")
    version=$(version_id)
    folder "$prefix" 0755 root
    folder "$prefix/versions" 0755 root
    folder "$prefix/venvs" 0755 root
    [ -d "$(at "$prefix/venvs/$venv")" ] ||
        change "make the virtual environment $prefix/venvs/$venv (takes a minute or ten)" fill_service_venv "$python" "$(at "$prefix/venvs/$venv")"
    if [ ! -d "$(at "$prefix/versions/$version")" ]; then
        change "make the version $version" fill_version "$python" "$(at "$prefix/versions/$version")" "$venv"
    fi
}

version_in_use() { target_of in-use || target_of current || true; }

# The version that a link of the prefix leads to; nothing where there is no such link.
target_of() {
    local target
    target=$(readlink "$(at "$prefix/$1")") && printf '%s\n' "${target##*/}"
}

# Installations made before had PREFIX/releases, current and previous for versions, in-use and before.
has_old_names() { [ -L "$(at "$prefix/current")" ] && [ ! -L "$(at "$prefix/in-use")" ]; }

# The old names still lead to the same files, for what was started by them; again after a power cut half way, too.
take_over() {
    local now before
    now=$(target_of current) before=$(target_of previous || true)
    [ -d "$(at "$prefix/versions")" ] || mv "$(at "$prefix/releases")" "$(at "$prefix/versions")"
    put_link "$(at "$prefix/releases")" versions
    [ -z "$before" ] || put_link "$(at "$prefix/before")" "versions/$before"
    put_link "$(at "$prefix/in-use")" "versions/$now"
}

# old_names VERSION - there for a version whose own scripts know no others, gone otherwise.
old_names() {
    rm -f "$(at "$prefix/previous")"
    if [ -e "$(at "$prefix/versions/$1/program/deploy/rollback.sh")" ]; then
        put_link "$(at "$prefix/releases")" versions
        put_link "$(at "$prefix/current")" "releases/$1"
    else
        rm -f "$(at "$prefix/current")" "$(at "$prefix/releases")"
    fi
}

# Units and the command, from a version's own files, with the paths of this installation.
ready_units() {
    local from work unit
    from=$(at "$prefix/versions/$1/program/deploy")
    [ -d "$from" ] || from=$root/deploy # --dry-run
    work=$(mktemp -d)
    for unit in "$from"/systemd/traywarden*; do
        render "$unit" >"$work/unit"
        file "$work/unit" "$units/$(basename "$unit")" 0644
    done
    render "$from/traywarden-command.sh" >"$work/command"
    file "$work/command" "$command" 0755
    rm -rf "$work"
}

render() { sed "s|/opt/traywarden/current/|/opt/traywarden/in-use/|g; s|/opt/traywarden|$prefix|g" "$1"; }

# as_service COMMAND... - as the service's user; into a tree, as whoever we are, since its folders may be closed to others.
# Nothing of $root is to be named in it: a checkout often lies in a home that is closed to all but its owner. For the
# same reason it runs in a folder that is open to all.
as_service() (
    cd /
    ids=$(ids)
    if is_root && [ -z "$tree" ] && [ -n "$ids" ]; then
        setpriv --reuid "${ids%:*}" --regid "${ids#*:}" --clear-groups --no-new-privs -- "$@"
    else
        "$@"
    fi
)

# In a tree, what was just written there becomes the service's.
give_home() {
    local ids
    ids=$(ids)
    if is_root && [ -n "$tree" ] && [ -n "$ids" ]; then chown -hR "$ids" "$(at "$home")"; fi
}

# program VERSION ARGUMENT... - that version's traywarden on this home.
program() {
    local which=$1
    shift
    as_service env -i PATH="$PATH" LANG=C.UTF-8 "$(at "$prefix/versions/$which/traywarden")" "$@" --home "$(at "$home")"
}

# python_of VERSION CODE [ARGUMENT...] - a few lines of Python that may import that version.
python_of() {
    local its_folder
    its_folder=$(at "$prefix/versions/$1")
    shift
    as_service env -i PATH="$PATH" LANG=C.UTF-8 PYTHONPATH="$its_folder/program" "$its_folder/venv/bin/python" -P -c "$@"
}

# The form of the journal that a version knows, and the one the journal is in.
form_of() { python_of "$1" 'from collector.store.migrations import STEPS; print(len(STEPS))'; }

form_there() {
    python_of "$1" 'if True:
        import sqlite3, sys
        from collector.store.migrations import version
        print(version(sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True)))' "$(at "$home/traywarden.db")"
}

# Those of our services that run, or would if they could.
running_services() {
    managed || return 0
    systemctl list-units --plain --no-legend --all --state=active,activating,failed "${services[@]}" | cut -d' ' -f1
}

stop_services() {
    managed || return 0
    systemctl stop traywarden-again.timer "${services[@]}" 2>/dev/null || true
}

# start_services UNIT... - the collector first, which brings the journal into its form; false where one gets not ready.
start_services() {
    local unit
    managed || return 0
    systemctl daemon-reload
    systemctl reset-failed "${services[@]}" 2>/dev/null || true
    for unit in "${services[@]}"; do
        [[ " $* " != *" $unit "* ]] || systemctl start "$unit" || return 1
    done
}
