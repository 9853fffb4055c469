#!/usr/bin/env bash
# Runs the demo: a broker, simulated probes, the collector and a mail catcher on this machine, nothing else needed.
#
#   deploy/demo.sh                     until Ctrl-C
#   deploy/demo.sh --stop-after 60s    any option of `traywarden demo`
#
# The first run makes .venv-demo in this checkout; delete that folder and nothing is left behind.
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
. "$root/deploy/venv.sh"

ready_venv "$root/.venv-demo" "$root/deploy/requirements-demo.txt"
exec "$root/.venv-demo/bin/python" -m collector.cli.main demo "$@"
