# What secure-broker.sh, add-probe.sh and remove-probe.sh share; sourced after lib.sh, never run.

# shellcheck shell=bash disable=SC2034,SC2154
broker=/etc/mosquitto/traywarden broker_conf=/etc/mosquitto/conf.d/traywarden.conf

need_broker() {
    local program
    PATH=$PATH:/usr/sbin
    for program in mosquitto mosquitto_passwd openssl; do
        command -v "$program" >/dev/null || die "$(basename "$0"): $program is missing; install it with: apt-get install mosquitto openssl"
    done
}

new_password() { openssl rand -hex 16; }

# accounts_of NAME - where its account stands: the collector's listener knows nobody else.
accounts_of() { if [ "$1" = collector ]; then at "$broker/passwords-collector"; else at "$broker/passwords"; fi; }

has_account() { grep -q "^$1:" "$(accounts_of "$1")" 2>/dev/null; }

# set_password NAME PASSWORD - never on a command line, where others could read it.
set_password() {
    local part passwords
    passwords=$(accounts_of "$1")
    part=$(mktemp "$passwords.XXXXXX")
    printf '%s:%s\n' "$1" "$2" >"$part"
    mosquitto_passwd -U "$part"
    if [ -e "$passwords" ]; then grep -v "^$1:" "$passwords" >>"$part" || true; fi
    mv "$part" "$passwords"
}

take_account() {
    local part passwords
    passwords=$(accounts_of "$1")
    part=$(mktemp "$passwords.XXXXXX")
    grep -v "^$1:" "$passwords" >"$part" || true
    mv "$part" "$passwords"
}

# acl_without NAME - the ACL without this account's section, all others as they are, without empty lines at its end.
acl_without() {
    awk -v name="$1" '/^(user|pattern) / { skip = ($0 == "user " name) } !skip' "$(at "$broker/acl")" |
        sed -e :a -e '/^\n*$/{$d;N;ba' -e '}'
}

# Root owns the files; the broker, which gives up root before it reads them again, reads by its group.
for_the_broker() {
    local name group
    group=$(awk -F: '$1 == "mosquitto" { print $3 }' "$(at /etc/group)" 2>/dev/null || true)
    for name in passwords passwords-collector acl server.key; do
        chmod 0640 "$(at "$broker/$name")"
        if is_root && [ -n "$group" ]; then chown "0:$group" "$(at "$broker/$name")"; fi
    done
    chmod 0644 "$(at "$broker/ca.pem")" "$(at "$broker/server.pem")" "$(at "$broker/names")"
    if is_root && [ -n "$group" ]; then chown "0:$group" "$(at "$broker")"; fi
}
