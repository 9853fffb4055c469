#!/bin/sh
# The installed lab's command line: as its user, on its home folder, with its settings and secrets. Run it with sudo.
set -eu

run() { TRAYWARDEN_HOME=${TRAYWARDEN_HOME:-/var/lib/traywarden} /opt/traywarden/in-use/traywarden "$@"; }

if [ "$(id -un)" = traywarden ]; then
    run "$@"
    exit
fi
if [ "$(id -u)" -ne 0 ]; then
    echo "traywarden: the lab's files belong to the user traywarden; run this with sudo" >&2
    exit 1
fi
[ ! -r /etc/traywarden/settings ] || while IFS= read -r line || [ -n "$line" ]; do
    case $line in TRAYWARDEN_*=*) export "${line?}" ;; esac
done </etc/traywarden/settings

# Root reads the secrets; the command, which is not root, gets copies in memory that go when it ends.
secrets=$(mktemp -d /run/traywarden-command.XXXXXX)
trap 'rm -rf "$secrets"' EXIT
for file in /etc/traywarden/secrets/*; do
    [ ! -f "$file" ] || install -o traywarden -m 400 "$file" "$secrets/TRAYWARDEN_${file##*/}"
done
chown traywarden "$secrets"
export TRAYWARDEN_SECRETS_DIR="$secrets" HOME=/var/lib/traywarden
export TRAYWARDEN_HOME="${TRAYWARDEN_HOME:-$HOME}"
code=0
setpriv --reuid traywarden --regid traywarden --init-groups --no-new-privs -- /opt/traywarden/in-use/traywarden "$@" || code=$?
exit "$code"
