#!/usr/bin/env bash
# Sets up this machine's Mosquitto for the lab: passwords, TLS for the probes, and an ACL. Safe to run again.
#
#   sudo deploy/secure-broker.sh --listen 192.0.2.10 --name lab.local
#
#   --listen ADDRESS    this machine's address in the lab's network; left out, what it was, at first 127.0.0.1
#   --name NAME         a further name by which probes reach it; may be said several times
#   --dry-run, --prefix DIR, --root DIR    as for install.sh, which must have run before
#
# It writes /etc/mosquitto/conf.d/traywarden.conf, keeps certificates, passwords and ACL in /etc/mosquitto/traywarden,
# and gives the collector its account. Run again now and then, it renews the certificate.
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
# shellcheck source=SCRIPTDIR/venv.sh
. "$root/deploy/venv.sh"
# shellcheck source=SCRIPTDIR/lib.sh
. "$root/deploy/lib.sh"
# shellcheck source=SCRIPTDIR/broker.sh
. "$root/deploy/broker.sh"

# setting NAME VALUE - into the settings, where the name has no value yet.
setting() {
    local path
    path=$(at "$config/settings")
    grep -q "^$1=" "$path" 2>/dev/null || change "set $1 in $config/settings" append "$path" "$1=$2"
}

append() { printf '%s\n' "$2" >>"$1"; }

configuration() {
    sed "s/^listener 8883 ADDRESS/listener 8883 $listen/" "$root/deploy/mosquitto/secure.conf"
    sed '1,/^allow_anonymous/d' "$root/deploy/mosquitto.conf"
}

collector_account() {
    local secret
    secret=$(at "$config/secrets/MQTT__PASSWORD")
    if has_account collector && [ -e "$secret" ]; then return; fi
    change "make the collector's account" account_with_secret "$secret"
}

# Before the collector had a listener of its own, its account stood among the probes'.
collector_apart() {
    local all own
    all=$(at "$broker/passwords") own=$(at "$broker/passwords-collector")
    [ -e "$own" ] || grep '^collector:' "$all" >"$own" || true
    sed -i '/^collector:/d' "$all"
}

account_with_secret() {
    local password
    password=$(new_password)
    set_password collector "$password"
    (umask 077 && printf '%s\n' "$password" >"$1.part")
    mv "$1.part" "$1"
}

read_options "$@"
names=() listen=""
while [ ${#rest[@]} -gt 0 ]; do
    case ${rest[0]} in
        --listen) listen=${rest[1]-} ;;
        --name) names+=("${rest[1]-}") ;;
        *) no_more_options "${rest[@]}" ;;
    esac
    [ -n "${rest[1]-}" ] || die "secure-broker.sh: ${rest[0]} needs a value"
    rest=("${rest[@]:2}")
done
need_root
need_broker
[ -d "$(at "$config/secrets")" ] || die "secure-broker.sh: $config is not there; run deploy/install.sh first"
listen=${listen:-$(sed -n 's/^listener 8883 //p' "$(at "$broker_conf")" 2>/dev/null || true)}
listen=${listen:-127.0.0.1}
[[ $listen =~ ^[0-9A-Fa-f.:]+$ ]] || die "secure-broker.sh: '$listen' is not an address, such as 192.0.2.10"

[ -d "$(at "$broker")" ] || change "make the folder $broker" mkdir -p "$(at "$broker")"
if [ "$dry" = yes ]; then
    say "would make certificates, accounts and $broker_conf where they are missing"
    exit
fi
chmod 0750 "$(at "$broker")"
wanted=(localhost 127.0.0.1 "$listen" ${names[@]+"${names[@]}"})
# What it was reached by before stays, so that a renewal needs no names.
[ ! -e "$(at "$broker/names")" ] || mapfile -t -O ${#wanted[@]} wanted <"$(at "$broker/names")"
mapfile -t wanted < <(printf '%s\n' "${wanted[@]}" | awk '!seen[$0]++')
bash "$root/deploy/make-certificates.sh" "$(at "$broker")" "${wanted[@]}"
[ -e "$(at "$broker/passwords")" ] || (umask 027 && : >"$(at "$broker/passwords")")
if grep -q '^collector:' "$(at "$broker/passwords")"; then change "move the collector's account" collector_apart; fi
collector_account
[ -e "$(at "$broker/acl")" ] || file "$root/deploy/mosquitto/acl" "$broker/acl" 0640
setting TRAYWARDEN_MQTT__USERNAME collector
# Not to be guessed: whoever comes with the collector's client id takes its place, and its waiting messages.
setting TRAYWARDEN_MQTT__CLIENT_ID "collector-$(od -An -N12 -tx1 /dev/urandom | tr -d ' \n')"
part=$(mktemp)
trap 'rm -f "$part"' EXIT
configuration >"$part"
file "$part" "$broker_conf" 0644
for_the_broker
if managed && [ "$changes" -gt 0 ]; then
    systemctl restart mosquitto
    ! systemctl is-active --quiet traywarden || systemctl restart traywarden
elif managed; then
    systemctl kill --signal=HUP mosquitto
fi
say "the broker listens for probes on $listen, port 8883, by TLS; each probe needs $broker/ca.pem and an account: deploy/add-probe.sh"
