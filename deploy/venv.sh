# What the scripts that make environments share; sourced, never run. Needs $root, the checkout.
# shellcheck shell=bash disable=SC2154

say() { printf '%s\n' "$*" >&2; }

die() {
    say "$*"
    exit 1
}

# Prints the first of the named Pythons that is there and new enough.
first_python() {
    local name
    for name in "$@"; do
        if "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
            printf '%s\n' "$name"
            return
        fi
    done
    die "Python 3.11 or newer was not found (tried $*). Install it, for example with: apt-get install python3 python3-venv"
}

any_python() { first_python python3.13 python3.12 python3.11 python3; }

oldest_python() { first_python python3.11 python3.12 python3.13 python3; }

# apt_install PACKAGE... - false where this machine has no apt, or where we may not use it.
apt_install() {
    local as=()
    command -v apt-get >/dev/null || return 1
    if [ "$(id -u)" -ne 0 ]; then
        sudo -n true >/dev/null 2>&1 || return 1
        as=(sudo -n)
    fi
    say "Installing with apt: $*"
    "${as[@]}" apt-get update -qq </dev/null >&2 || say "apt-get update failed; trying with the lists as they are"
    "${as[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$@" </dev/null >&2
}

new_venv() {
    local python=$1 venv=$2
    if ! "$python" -c 'import ensurepip' >/dev/null 2>&1; then
        apt_install python3-venv || true
        "$python" -c 'import ensurepip' >/dev/null 2>&1 ||
            die "$python cannot make a virtual environment. Install the missing part with: apt-get install python3-venv"
    fi
    rm -rf "$venv"
    "$python" -m venv "$venv"
    printf '*\n' >"$venv/.gitignore"
}

# What a finished virtual environment was made from: another Python, other pins or another folder make another stamp.
stamp() {
    "$1" - "$2" "$root" <<'PYTHON'
import hashlib, pathlib, sys

requirements, root = sys.argv[1:]
pins = pathlib.Path(requirements).read_bytes()
print(hashlib.sha256(f"{sys.version} {root} ".encode() + pins).hexdigest())
PYTHON
}

# Puts this checkout on the environment's path and its programs in the environment's bin, as installing it would.
link_checkout() {
    "$1/bin/python" - "$root" <<'PYTHON'
import pathlib, sys, sysconfig, tomllib

root = pathlib.Path(sys.argv[1])
pathlib.Path(sysconfig.get_path("purelib"), "traywarden-checkout.pth").write_text(f"{root}\n")
for name, target in tomllib.loads((root / "pyproject.toml").read_text())["project"]["scripts"].items():
    module, function = target.split(":")
    program = pathlib.Path(sysconfig.get_path("scripts"), name)
    run = f"import sys; from {module} import {function}; sys.exit({function}())"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -c "{run}" "$@"\n')
    program.chmod(0o755)
PYTHON
}

# install_lock VENV LOCK [OPTION]... - exactly what the lock names, checked to be all it needs. Nothing is resolved: pip
# would look for newer versions of whatever a package asks for, and refuse them for want of a hash. Quiet twice: errors
# are shown, remarks on how this machine's pip is set up are not.
install_lock() {
    local venv=$1 lock=$2 lacking
    shift 2
    "$venv/bin/python" -m pip install -qq --disable-pip-version-check --no-deps --require-hashes "$@" \
        --requirement "$lock" </dev/null >&2 ||
        die "Installing the pinned packages failed (see above); run the same command again to retry."
    lacking=$("$venv/bin/python" -m pip --disable-pip-version-check check </dev/null) ||
        die "$lock does not hold all that its packages need; remake it with deploy/lock.sh"$'\n'"$lacking"
}

fill_venv() {
    local python=$1 venv=$2 requirements=$3
    say "Making $venv with $("$python" --version); this takes about a minute, the first time only."
    new_venv "$python" "$venv"
    install_lock "$venv" "$requirements"
}

# ready_venv FOLDER REQUIREMENTS - a virtual environment with exactly these pins, made only when it is not there yet.
ready_venv() {
    local venv=$1 requirements=$2 python wanted
    python=$(any_python)
    wanted=$(stamp "$python" "$requirements")
    if [ "$(cat "$venv/made-from" 2>/dev/null)" != "$wanted" ] || ! "$venv/bin/python" -c '' 2>/dev/null; then
        fill_venv "$python" "$venv" "$requirements"
        printf '%s\n' "$wanted" >"$venv/made-from"
    fi
    link_checkout "$venv"
}
