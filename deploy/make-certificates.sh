#!/usr/bin/env bash
# Makes the lab's own certificate authority and the broker's certificate, and renews the latter when it is near its end.
#
#   sudo deploy/make-certificates.sh FOLDER NAME...    names and addresses by which probes reach the broker
#   sudo deploy/make-certificates.sh FOLDER            renew, with the names it has
#
#   --within DAYS    renew when fewer days are left (180)
#
# FOLDER/ca.pem goes onto each probe, ca.key never leaves this machine. The authority lasts 20 years, a certificate 5.
# Run again it changes nothing, unless the names are others, the end is near, or a file is missing or belongs to another:
# the broker's key and certificate are then made anew; an authority is never replaced, since each probe trusts it.
set -euo pipefail

say() { printf '%s\n' "$*" >&2; }
die() {
    say "make-certificates.sh: $*"
    exit 1
}

# What OpenSSL is to put into a certificate, as a file: part.conf.
describe() {
    {
        printf '[req]\ndistinguished_name=name\nprompt=no\n[name]\nCN=%s\n[ca]\nbasicConstraints=critical,CA:TRUE,pathlen:0\n' "$1"
        printf 'keyUsage=critical,keyCertSign,cRLSign\nsubjectKeyIdentifier=hash\n[server]\nbasicConstraints=critical,CA:FALSE\n'
        printf 'keyUsage=critical,digitalSignature\nextendedKeyUsage=serverAuth\nsubjectKeyIdentifier=hash\n'
        printf 'authorityKeyIdentifier=keyid\nsubjectAltName=%s\n' "${2:-DNS:none}"
    } >"$work/part.conf"
}

new_key() { (umask 077 && openssl ecparam -name prime256v1 -genkey -noout -out "$1"); }

make_authority() {
    [ ! -e "$folder/ca.key" ] || die "$folder/ca.key is there without ca.pem; put ca.pem back, or take ca.key away"
    describe "Traywarden lab authority $(openssl rand -hex 4)"
    new_key "$work/ca.key"
    openssl req -x509 -new -key "$work/ca.key" -sha256 -days 7305 -config "$work/part.conf" -extensions ca -out "$work/ca.pem"
    mv "$work/ca.key" "$folder/ca.key"
    mv "$work/ca.pem" "$folder/ca.pem"
    say "made the authority $folder/ca.pem"
}

make_server() {
    describe "$1" "$names"
    new_key "$work/server.key"
    openssl req -new -key "$work/server.key" -config "$work/part.conf" -out "$work/server.csr"
    openssl x509 -req -in "$work/server.csr" -CA "$folder/ca.pem" -CAkey "$folder/ca.key" -sha256 -days 1826 \
        -set_serial "0x$(openssl rand -hex 16)" -extfile "$work/part.conf" -extensions server -out "$work/server.pem" 2>/dev/null
    # The key keeps its owner, whom the broker needs.
    if [ -e "$folder/server.key" ]; then
        chown --reference="$folder/server.key" "$work/server.key"
        chmod --reference="$folder/server.key" "$work/server.key"
    fi
    mv "$work/server.key" "$folder/server.key"
    mv "$work/server.pem" "$folder/server.pem"
    say "made the certificate $folder/server.pem for $names, good until $(openssl x509 -in "$folder/server.pem" -noout -enddate | cut -d= -f2)"
}

# belongs KEY CERTIFICATE - whether both have the same public key; false where either cannot be read.
belongs() {
    local of_key of_certificate
    of_key=$(openssl pkey -in "$1" -pubout 2>/dev/null </dev/null) &&
        of_certificate=$(openssl x509 -in "$2" -noout -pubkey 2>/dev/null) && [ "$of_key" = "$of_certificate" ]
}

# lasts CERTIFICATE DAYS - whether it is good for so long from now on.
lasts() { openssl x509 -in "$1" -noout -checkend $(($2 * 86400)) >/dev/null 2>&1; }

# is_for NAME - whether the broker's certificate is.
is_for() {
    local kind=-checkhost
    [[ $(alternative "$1") == DNS:* ]] || kind=-checkip
    openssl x509 -in "$folder/server.pem" -noout "$kind" "$1" 2>/dev/null | grep -q ' does match '
}

check_authority() {
    local anew="take both away, run this again, and put the new ca.pem onto each probe"
    openssl x509 -in "$folder/ca.pem" -noout 2>/dev/null ||
        die "$folder/ca.pem is no certificate; put the right one back from a probe, or: $anew"
    [ -e "$folder/ca.key" ] || die "$folder/ca.key is not there; put it back, since only whoever has it can renew, or: $anew"
    belongs "$folder/ca.key" "$folder/ca.pem" ||
        die "$folder/ca.key does not belong to ca.pem; put the right one back, or: $anew"
    lasts "$folder/ca.pem" 0 || die "the authority $folder/ca.pem has ended, and no probe trusts it any more; $anew"
    lasts "$folder/ca.pem" "$days" || say "the authority itself ends within $days days; before that, $anew"
}

# What is wrong with the broker's certificate or key, in one line; nothing where all is well.
fault() {
    local name
    [ -e "$folder/server.pem" ] || { echo "$folder/server.pem is not there" && return; }
    [ -e "$folder/server.key" ] || { echo "$folder/server.key is not there" && return; }
    belongs "$folder/server.key" "$folder/server.pem" || { echo "$folder/server.key does not belong to server.pem" && return; }
    lasts "$folder/server.pem" "$days" || { echo "$folder/server.pem ends within $days days" && return; }
    openssl verify -CAfile "$folder/ca.pem" "$folder/server.pem" >/dev/null 2>&1 ||
        { echo "$folder/server.pem is not signed by $folder/ca.pem" && return; }
    for name in "$@"; do is_for "$name" || { echo "$folder/server.pem is not for $name" && return; }; done
    [ "$*" = "${there[*]-}" ] || echo "it was for other names"
}

# alternative NAME - as OpenSSL writes it.
alternative() {
    [[ $1 =~ ^[A-Za-z0-9.:-]+$ ]] || die "'$1' is no name or address"
    if [[ $1 =~ ^[0-9]+(\.[0-9]+){3}$ || $1 == *:* ]]; then printf 'IP:%s' "$1"; else printf 'DNS:%s' "$1"; fi
}

days=180
[ "${1-}" != --within ] || { days=${2-} && shift 2; }
[[ $days =~ ^[0-9]+$ ]] || die "--within takes a number of days"
folder=${1-}
[ -d "$folder" ] || die "'$folder' is not a folder; name the one for the certificates"
shift
command -v openssl >/dev/null || die "openssl is missing; install it with: apt-get install openssl"
[ "$(date +%Y)" -ge 2026 ] || die "the clock says $(date); set it first, or the certificates are for the past"

there=()
[ ! -e "$folder/names" ] || mapfile -t there <"$folder/names"
[ $# -gt 0 ] || set -- ${there[@]+"${there[@]}"}
[ $# -gt 0 ] || die "name the broker: its host name and its address in the lab's network"
names=""
for name in "$@"; do names+=${names:+,}$(alternative "$name"); done

work=$(mktemp -d "$folder/.part-XXXXXX")
trap 'rm -rf "$work"' EXIT
[ -e "$folder/ca.pem" ] || make_authority
check_authority
wrong=$(fault "$@")
if [ -n "$wrong" ]; then
    if [ -e "$folder/server.pem" ] || [ -e "$folder/server.key" ]; then say "$wrong: both are made anew"; fi
    make_server "$1"
    printf '%s\n' "$@" >"$folder/names"
else
    say "nothing to do: the certificate is good until $(openssl x509 -in "$folder/server.pem" -noout -enddate | cut -d= -f2)"
fi
