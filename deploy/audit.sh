#!/usr/bin/env bash
# Looks over the packages that Traywarden is built on.
#
#   deploy/audit.sh              everything below
#   deploy/audit.sh --offline    only what needs no network
#
#   pins        every package pinned to one version with sha256, the same in all files      offline
#   needs       whatever a pinned package needs is pinned too, on every Python we support   offline
#   licences    installed as pinned, licence named and allowed, not given up by its makers  offline
#   tools       the same of what this script and deploy/lock.sh run                         needs the index
#   index       no pinned version withdrawn from the package index                          needs the index
#   known holes pip-audit against the published advisories                                  needs the advisories
#
# It judges .venv-test, which it makes where it is missing, or the environment of the Python named in PYTHON.
# Run it before each release, before each upgrade of pins (deploy/lock.sh), and once a month while a lab is in use.
# Exit 0: all good. 1: something to look at, a line for each. 3: nothing found, but a part could not be checked.
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
# shellcheck source=SCRIPTDIR/venv.sh
. "$root/deploy/venv.sh"

offline=no
case "${1:-}" in
    "") ;;
    --offline) offline=yes ;;
    *) die "deploy/audit.sh: '$1' is not an option; only --offline is" ;;
esac

ours=("$root"/deploy/requirements*.txt) tools=$root/deploy/tools.txt
files=("${ours[@]}" "$tools")
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
found=no
missed=no

# part NAME COMMAND... - shows its findings below its name; 1 is a finding, anything else could not be checked.
part() {
    local name=$1 code=0
    shift
    "$@" >"$work/said" 2>"$work/errors" || code=$?
    case $code in
        0) printf '%-12s good\n' "$name" ;;
        1)
            printf '%-12s LOOK AT THIS\n' "$name"
            sed 's/^/    /' "$work/said"
            found=yes
            ;;
        *)
            printf '%-12s NOT CHECKED: %s\n' "$name" "$(tail -n 1 "$work/errors" | cut -c 1-200)"
            missed=yes
            ;;
    esac
}

# In a shell of its own: where they cannot be installed, the rest is looked at all the same.
ready_tools() { [ -e "$work/tools/ready" ] || (new_venv "$python" "$work/tools" && install_lock "$work/tools" "$tools" && : >"$work/tools/ready"); }

tools() {
    ready_tools || return 2
    "$work/tools/bin/python" "$root/deploy/audit.py" needs "$tools" && "$work/tools/bin/python" "$root/deploy/audit.py" licences "$tools"
}

index() {
    local file
    for file in "${files[@]}"; do
        "$python" -m pip install --quiet --disable-pip-version-check --dry-run --ignore-installed --no-deps \
            --require-hashes --report "$work/report.json" --requirement "$file" </dev/null >/dev/null || return 2
        "$python" "$root/deploy/audit.py" index "$work/report.json" || return
    done
}

# pip-audit ends with 1 for a hole and for a network that is down, and with 0 where it knew nothing of a package: only its
# report says what it has looked at.
holes() {
    local file
    ready_tools || return 2
    for file in "${files[@]}"; do
        rm -f "$work/holes.json"
        "$work/tools/bin/pip-audit" --progress-spinner off --disable-pip --require-hashes --requirement "$file" \
            --format json --output "$work/holes.json" </dev/null >/dev/null 2>"$work/why" || true
        [ -s "$work/holes.json" ] || {
            echo "pip-audit could not look: $(tail -n 1 "$work/why")" >&2
            return 2
        }
        "$python" "$root/deploy/audit.py" holes "$work/holes.json" || return
    done
}

python="${PYTHON:-$root/.venv-test/bin/python}"
[ -n "${PYTHON:-}" ] || ready_venv "$root/.venv-test" "$root/deploy/requirements-test.txt"

part pins "$python" "$root/deploy/audit.py" pins "${files[@]}"
part needs "$python" "$root/deploy/audit.py" needs "${ours[@]}"
part licences "$python" "$root/deploy/audit.py" licences "$root/deploy/requirements-test.txt"
if [ "$offline" = no ]; then
    part tools tools
    part index index
    part "known holes" holes
fi

[ "$found" = no ] || exit 1
[ "$missed" = no ] || exit 3
