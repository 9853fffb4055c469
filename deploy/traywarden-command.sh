#!/bin/sh
# The installed lab's command line: as its user, on its home folder, with its settings and secrets. Run it with sudo.
set -eu

program=/opt/traywarden/in-use/traywarden
home=/var/lib/traywarden

if [ "$(id -un)" = traywarden ]; then
    TRAYWARDEN_HOME=${TRAYWARDEN_HOME:-$home} exec "$program" "$@"
fi
if [ "$(id -u)" -ne 0 ]; then
    echo "traywarden: the lab's files belong to the user traywarden; run this with sudo" >&2
    exit 1
fi
[ ! -r /etc/traywarden/settings ] || while IFS= read -r line || [ -n "$line" ]; do
    case $line in TRAYWARDEN_*=*) export "${line?}" ;; esac
done </etc/traywarden/settings

# Root reads the secrets, and the command, which is not root, gets them in its environment: there is no copy of a file
# that could stay behind, however it ends. As for the services, a setting goes before a secret of its name.
for file in /etc/traywarden/secrets/*; do
    name=TRAYWARDEN_${file##*/}
    case $name in *[!A-Za-z0-9_]*)
        [ ! -f "$file" ] || echo "traywarden: $file is no setting by its name; take it away" >&2
        continue
        ;;
    esac
    if [ -f "$file" ] && ! printenv "$name" >/dev/null; then export "$name=$(cat "$file")"; fi
done
export HOME="$home" TRAYWARDEN_HOME="${TRAYWARDEN_HOME:-$home}"
exec setpriv --reuid traywarden --regid traywarden --init-groups --no-new-privs -- "$program" "$@"
