#!/usr/bin/env bash
# Checks what you are working on, in seconds.
#
#   deploy/dev.sh                   style, types, import contracts, sizes, words; only what changed is read again
#   deploy/dev.sh alarms            the tests of one room, without those marked slow, with fewer drawn examples
#   deploy/dev.sh store -k disk     whatever follows the room goes to pytest as it is
#   deploy/dev.sh alarms -m slow    only the slow ones
#   deploy/dev.sh --rooms           which rooms there are
#
# No broker and no browser is installed: tests that need a program which is not here are skipped, and say so. Where
# deploy/test.sh has run its environment is used, else a smaller one is made. All of it, as CI runs it: deploy/test.sh
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
. "$root/deploy/venv.sh"
cd "$root"

# Reference libraries for tests/outside and what only these need: two fifths of all that the tests install.
outside='geographiclib geojson gsw h5netcdf ioos-qc pandas psychrolib pyparsing ruamel-yaml scipy shapely xarray'

rooms() { (cd tests && printf '%s\n' */ | sed 's|/$||' | grep -v -e '^services$' -e '^bench$' -e '^worlds$' -e '^__'); }

# The whole environment where it is there or needed, else one without the packages of other rooms.
ready_tools() {
    local lock="$root/deploy/requirements-test.txt" whole="$root/.venv-test" part
    if [ "$room" = outside ] || [ "$(cat "$whole/made-from" 2>/dev/null)" = "$(stamp "$(any_python)" "$lock")" ]; then
        ready_venv "$whole" "$lock"
        bin="$whole/bin"
        return
    fi
    part=$(mktemp)
    awk -v left_out="$outside" 'BEGIN { split(left_out, names); for (i in names) out[names[i] "=="] }
        /^[a-z0-9]/ { skipped = substr($1, 1, index($1, "==") + 1) in out } !skipped' "$lock" >"$part"
    ready_venv "$root/.venv-dev" "$part"
    rm "$part"
    bin="$root/.venv-dev/bin"
}

# All of them, whatever fails; each keeps what it found before and looks again at what changed.
check_files() {
    local failed=0 contracts
    "$bin/ruff" check || failed=1
    "$bin/ruff" format --check --quiet || failed=1
    "$bin/mypy" || failed=1
    contracts=$("$bin/lint-imports" 2>&1) || {
        printf '%s\n' "$contracts"
        failed=1
    }
    "$bin/python" -m pytest -p no:cov -p no:xdist tests/test_project.py || failed=1
    return "$failed"
}

# A room of few tests is quicker without helpers, which take a second to start.
test_room() {
    local room=$1 workers=0
    shift
    [ "$(find "tests/$room" -name 'test_*.py' | wc -l)" -lt 6 ] || workers=$(nproc)
    [ "$workers" -le 4 ] || workers=4
    export HYPOTHESIS_PROFILE="${HYPOTHESIS_PROFILE:-quick}"
    exec "$bin/python" -m pytest -p no:cov -n "$workers" --dist worksteal -m "not slow" "tests/$room" "$@"
}

case ${1-} in
    -h | --help)
        sed -n '2,/^[^#]/s/^# \{0,1\}//p' "$0"
        exit 0
        ;;
    --rooms)
        rooms
        exit 0
        ;;
    '' | --changed) room="" ;;
    *)
        room=$1
        rooms | grep -qxF -e "$room" || die "there is no room '$room'; there are: $(rooms | tr '\n' ' ')"
        ;;
esac

ready_tools
for name in $(compgen -v TRAYWARDEN_ || true); do unset "$name"; done

if [ -n "$room" ]; then
    shift
    test_room "$room" "$@"
fi
check_files
