#!/usr/bin/env bash
# Makes `traywarden` ready on this machine, in .venv-lab of this checkout, with exactly the packages of deploy/requirements.txt.
#
#   deploy/ready.sh              then: .venv-lab/bin/traywarden --help
#
# Nothing is installed outside this folder; delete .venv-lab and nothing is left behind. A lab that is to run unattended takes
# deploy/INSTALL.md instead.
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
. "$root/deploy/venv.sh"

ready_venv "$root/.venv-lab" "$root/deploy/requirements.txt"
say "ready: $root/.venv-lab/bin/traywarden"
