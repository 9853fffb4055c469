#!/usr/bin/env bash
# Checks everything, as CI does.
#
#   deploy/test.sh                      style, types, imports, tests, coverage; all of them run, whatever fails
#   deploy/test.sh tests/store -k disk  only these tests; the arguments go to pytest as they are
#
# The first run makes .venv-test in this checkout and installs the programs that some tests need with apt, where it may.
# Without them those tests are skipped, loudly; with CI=true they fail.
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
. "$root/deploy/venv.sh"
cd "$root"

venv="$root/.venv-test"
bin="$venv/bin"
pure='collector/domain/*,collector/alarms/*,collector/husbandry/*,collector/brew/*,collector/telling/*,collector/letters/*'

# Prints the packages whose program is not here.
missing_packages() {
    local pair
    for pair in mosquitto:mosquitto mosquitto_pub:mosquitto-clients chromium:chromium victoria-metrics:victoria-metrics \
        systemd-analyze:systemd shellcheck:shellcheck openssl:openssl; do
        PATH="$PATH:/usr/sbin" command -v "${pair%%:*}" >/dev/null || printf '%s\n' "${pair#*:}"
    done
}

ready_programs() {
    local missing
    missing=$(missing_packages)
    [ -n "$missing" ] || return 0
    # shellcheck disable=SC2086  # one package a word
    apt_install $missing || true
    missing=$(missing_packages | tr '\n' ' ')
    [ -z "$missing" ] || say "MISSING on this machine: ${missing% }; the tests that need them are skipped (in CI they fail)"
}

failed=0
report=""

# stage TITLE COMMAND... - runs it, remembers how it went and how long it took.
stage() {
    local title=$1 began=$SECONDS outcome=good
    shift
    printf '\n=== %s\n' "$title"
    "$@" || {
        outcome=FAILED
        failed=1
    }
    report+=$(printf '%-28s %-7s %4d s' "$title" "$outcome" $((SECONDS - began)))$'\n'
}

# One more at once than there are cores, four at most: many tests wait for a real server, and a core would wait with them.
# The tests of one file stay together, since they share servers.
run_tests() {
    local workers
    workers=$(($(nproc) + 1))
    [ "$workers" -le 4 ] || workers=4
    # The order is ours (tests/conftest.py): files with slow tests begin.
    "$bin/coverage" run -m pytest -n "$workers" --dist loadfile --no-loadscope-reorder --durations=10 </dev/null |
        tee "$work/pytest.log"
}

add_up() { "$bin/coverage" combine --quiet && "$bin/coverage" report --fail-under=90; }

ready_programs
ready_venv "$venv" "$root/deploy/requirements-test.txt"

# Settings of whoever runs this must not reach the tests.
for name in $(compgen -v TRAYWARDEN_ || true); do unset "$name"; done

if [ $# -gt 0 ]; then
    exec "$bin/python" -m pytest "$@"
fi

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
export COVERAGE_FILE="$work/coverage"

stage "ruff check" "$bin/ruff" check
stage "ruff format" "$bin/ruff" format --check
stage "mypy" "$bin/mypy"
stage "import contracts" "$bin/lint-imports"
stage "tests" run_tests
stage "coverage, all 90 %" add_up
stage "coverage, pure rooms 100 %" "$bin/coverage" report --fail-under=100 --include="$pure"

printf '\n=== Result after %d s\n%s' "$SECONDS" "$report"
grep -E '^tests: [0-9]+ passed' "$work/pytest.log" || echo "tests: 0 passed, 1 failed"
exit "$failed"
