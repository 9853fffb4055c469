#!/usr/bin/env bash
# Writes a secret of the installed lab, which only root and the services can read.
#
#   sudo deploy/set-secret.sh MAIL__PASSWORD              asks for it; it is not shown
#   sudo deploy/set-secret.sh --random BOARD__LINK_SECRET one nobody has to know
#   echo ... | sudo deploy/set-secret.sh CHAT__URLS       from another program
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
# shellcheck source=SCRIPTDIR/venv.sh
. "$root/deploy/venv.sh"
# shellcheck source=SCRIPTDIR/lib.sh
. "$root/deploy/lib.sh"

read_options "$@"
random=no
[ "${rest[0]-}" != --random ] || { random=yes && rest=("${rest[@]:1}"); }
[ ${#rest[@]} -eq 1 ] || die "set-secret.sh: name one secret, such as MAIL__PASSWORD"
need_root
name=${rest[0]#TRAYWARDEN_}
[[ $name =~ ^[A-Z]+__[A-Z_]+$ ]] || die "set-secret.sh: '$name' is not a setting; write it like MAIL__PASSWORD"
folder=$(at "$config/secrets")
[ -d "$folder" ] || die "set-secret.sh: $folder is not there; run deploy/install.sh first"

if [ "$random" = yes ]; then
    secret=$(od -An -N24 -tx1 /dev/urandom | tr -d ' \n')
elif [ -t 0 ]; then
    read -rsp "$name: " secret
    echo >&2
else
    IFS= read -r secret || true
fi
[ -n "$secret" ] || die "set-secret.sh: nothing was given; $name stays as it was"
(umask 077 && printf '%s\n' "$secret" >"$folder/.$name.part")
mv "$folder/.$name.part" "$folder/$name"
say "written $config/secrets/$name; restart the services that use it: sudo systemctl restart traywarden traywarden-board"
