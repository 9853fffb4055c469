#!/usr/bin/env bash
# Remakes the pinned, hashed requirement files from pyproject.toml, and from tools.in the one of the tools used for it, which
# are installed as they were pinned the last time.
#
#   deploy/lock.sh              newest versions that pyproject.toml allows
#   deploy/lock.sh --keep       keep the pins that still fit, add or drop only what changed
#
# It takes the oldest Python there is, so that no pin needs a newer one. Hashes come from the package registry alone:
# folders of wheels set up on one machine would give hashes that nobody else has, so they are switched off. At its end the
# new pins are installed into .venv-test and looked over by deploy/audit.sh --offline: a lock that lacks what one of its
# packages needs, on any Python we support, is refused there.
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
. "$root/deploy/venv.sh"

upgrade=--upgrade
case "${1:-}" in
    "") ;;
    --keep) upgrade=--no-upgrade ;;
    *) die "deploy/lock.sh: '$1' is not an option; only --keep is" ;;
esac

cd "$root"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
python=$(oldest_python)
new_venv "$python" "$work/venv"
install_lock "$work/venv" "$root/deploy/tools.txt"

unset PIP_FIND_LINKS PIP_EXTRA_INDEX_URL PIP_CONSTRAINT
export PIP_CONFIG_FILE=/dev/null

# lock FILE SOURCE [OPTION]...
lock() {
    local file=$1 source=$2
    shift 2
    say "deploy/$file"
    "$work/venv/bin/pip-compile" --quiet "$upgrade" --generate-hashes --strip-extras --no-header --no-annotate \
        --no-emit-index-url --no-emit-find-links --no-emit-trusted-host \
        "$@" --output-file "deploy/$file" "$source" </dev/null
    keep_markers "deploy/$file"
}

# keep_markers FILE - what pyproject.toml asks for on some machines only is installed on those only.
keep_markers() {
    "$work/venv/bin/python" - "$1" <<'PYTHON'
import pathlib, re, sys, tomllib

lock = pathlib.Path(sys.argv[1])
text = lock.read_text()
for lines in tomllib.loads(pathlib.Path("pyproject.toml").read_text())["project"]["optional-dependencies"].values():
    for asked, marker in (line.split(";") for line in lines if ";" in line):
        name = re.match(r"[\w.-]+", asked).group()
        text = re.sub(rf"(?m)^({re.escape(name)}==[^ ;]+) \\$", rf"\1 ; {marker.strip()} \\", text)
lock.write_text(text)
PYTHON
}

lock requirements-test.txt pyproject.toml --extra demo --extra board --extra uplink --extra test
# The smaller sets are held to the versions that the tests run with.
tested=$work/tested.txt
grep -oE '^[A-Za-z0-9._-]+==[^ ]+' deploy/requirements-test.txt >"$tested"
lock requirements-demo.txt pyproject.toml --constraint "$tested" --extra demo --extra uplink
lock requirements.txt pyproject.toml --constraint "$tested" --extra board --extra uplink
# With pip itself, which both are built on.
lock tools.txt deploy/tools.in --constraint "$tested" --allow-unsafe
sed -i '/^#/d' deploy/tools.txt

new_venv "$python" "$work/tools"
install_lock "$work/tools" "$root/deploy/tools.txt"
"$work/tools/bin/python" "$root/deploy/audit.py" needs "$root/deploy/tools.txt"
"$root/deploy/audit.sh" --offline
