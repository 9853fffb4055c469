#!/usr/bin/env bash
# Adds a probe in one step: its entry in lab.yaml, its account at the broker, and the ACL that keeps it to its own topic.
#
#   sudo deploy/add-probe.sh maple-top --at maple/top \
#       --channel temperature=bedding_temperature,unit=Cel,model=ds18b20
#   sudo deploy/add-probe.sh juniper-top     for one that stands in lab.yaml already
#
#   --topic TOPIC       what it publishes to; left out: worms/ and its place
#   --new-password      another password for a probe that has one
#   --dry-run, --prefix DIR, --root DIR      as for install.sh
#
# Every other option goes to 'traywarden probes assign', which explains them. The password is shown once. Safe to run again.
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
# shellcheck source=SCRIPTDIR/venv.sh
. "$root/deploy/venv.sh"
# shellcheck source=SCRIPTDIR/lib.sh
. "$root/deploy/lib.sh"
# shellcheck source=SCRIPTDIR/broker.sh
. "$root/deploy/broker.sh"

# The topic that lab.yaml has for the probe, nothing where it is not there. Fails where lab.yaml cannot be used.
topic_there() {
    python_of "$version" 'if True:
        import sys
        from pathlib import Path
        from collector.config.home import Home
        from collector.domain.problems import Refused
        try:
            probes = Home(Path(sys.argv[1])).load_lab().probes
        except Refused as refused:
            print(*refused.problems, sep="\n", file=sys.stderr)
            sys.exit(1)
        print(*(probe.topic for probe in probes if probe.id == sys.argv[2]))' "$(at "$home")" "$name"
}

into_lab() {
    program "$version" probes assign "$name" --at "$place" --topic "$topic" ${options[@]+"${options[@]}"}
    give_home
}

# The ACL with this probe's section as it should be, and all others as they are.
acl_with() {
    acl_without "$name"
    printf '\nuser %s\ntopic write %s\n' "$name" "$topic"
}

give_password() {
    local password
    password=$(new_password)
    set_password "$name" "$password"
    printf 'user      %s\npassword  %s\n' "$name" "$password"
    printf '(shown this once; --new-password makes another)\n'
}

read_options "$@"
place="" topic="" again=no options=() name=${rest[0]-}
[[ $name =~ ^[a-z0-9]+(-[a-z0-9]+)*$ ]] || die "add-probe.sh: name the probe first, like maple-top: lower-case letters, digits and '-'"
[ "$name" != collector ] || die "add-probe.sh: 'collector' is the collector's own account; choose another name"
rest=("${rest[@]:1}")
while [ ${#rest[@]} -gt 0 ]; do
    case ${rest[0]} in
        --at) place=${rest[1]-} && rest=("${rest[@]:2}") ;;
        --topic) topic=${rest[1]-} && rest=("${rest[@]:2}") ;;
        --new-password) again=yes && rest=("${rest[@]:1}") ;;
        *) options+=("${rest[0]}") && rest=("${rest[@]:1}") ;;
    esac
done
need_root
need_broker
version=$(version_in_use)
[ -n "$version" ] || die "add-probe.sh: nothing is installed in $prefix; run deploy/install.sh first"
[ -e "$(at "$broker/acl")" ] || die "add-probe.sh: the broker is not set up; run deploy/secure-broker.sh first"

there=$(topic_there) || die "add-probe.sh: lab.yaml cannot be used (see above); nothing was changed"
if [ -z "$there" ]; then
    [ -n "$place" ] || die "add-probe.sh: lab.yaml has no probe '$name'; say where it is, such as --at maple/top"
    topic=${topic:-worms/$place}
elif [ -n "$topic" ] && [ "$topic" != "$there" ]; then
    die "add-probe.sh: '$name' publishes to '$there' by lab.yaml; change it there, then run: add-probe.sh $name"
else
    topic=$there
fi
# A '+' would let it write in the name of others.
[[ $topic =~ ^[A-Za-z0-9][A-Za-z0-9/._-]*$ ]] || die "add-probe.sh: the topic '$topic' cannot be kept to one probe; write one like worms/maple/top"

[ -n "$there" ] || change "write the probe '$name' into $home/lab.yaml" into_lab >/dev/null
acl_now=$(awk -v name="$name" '/^(user|pattern) / { own = ($0 == "user " name) } own && NF' "$(at "$broker/acl")")
if [ "$acl_now" != "$(printf 'user %s\ntopic write %s' "$name" "$topic")" ]; then
    part=$(mktemp)
    trap 'rm -f "$part"' EXIT
    acl_with >"$part"
    file "$part" "$broker/acl" 0640
fi
if ! has_account "$name" || [ "$again" = yes ]; then change "make the account '$name'" give_password; fi
if [ "$changes" -gt 0 ] && [ "$dry" = no ]; then
    for_the_broker
    ! managed || systemctl kill --signal=HUP mosquitto
fi
[ "$changes" -gt 0 ] || say "nothing to change: '$name' has its place, its account and its topic"
printf 'topic     %s\nport      8883 (TLS), trusting %s\n' "$topic" "$broker/ca.pem"
