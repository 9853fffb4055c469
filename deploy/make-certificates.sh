#!/usr/bin/env bash
# Makes the lab's own certificate authority and the broker's certificate, and renews the latter when it is near its end.
#
#   sudo deploy/make-certificates.sh FOLDER NAME...    names and addresses by which probes reach the broker
#   sudo deploy/make-certificates.sh FOLDER            renew, with the names it has
#
#   --within DAYS    renew when fewer days are left (180)
#
# FOLDER/ca.pem goes onto each probe, ca.key never leaves this machine. The authority lasts 20 years, a certificate 5.
# Run again it changes nothing, unless the names are others or the end is near.
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
    openssl verify -CAfile "$folder/ca.pem" "$work/server.pem" >/dev/null || die "$folder/ca.key does not belong to ca.pem"
    # The key keeps its owner, whom the broker needs.
    if [ -e "$folder/server.key" ]; then
        chown --reference="$folder/server.key" "$work/server.key"
        chmod --reference="$folder/server.key" "$work/server.key"
    fi
    mv "$work/server.key" "$folder/server.key"
    mv "$work/server.pem" "$folder/server.pem"
    say "made the certificate $folder/server.pem for $names, good until $(openssl x509 -in "$folder/server.pem" -noout -enddate | cut -d= -f2)"
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
[ -e "$folder/ca.key" ] || die "$folder/ca.key is not there; only whoever has it can renew"
openssl x509 -in "$folder/ca.pem" -noout -checkend $((days * 86400)) >/dev/null ||
    say "the authority itself ends within $days days: take ca.pem and ca.key away, run this again, put the new ca.pem onto each probe"
if [ "$*" != "${there[*]-}" ] || [ ! -e "$folder/server.pem" ] ||
    ! openssl verify -CAfile "$folder/ca.pem" "$folder/server.pem" >/dev/null 2>&1 ||
    ! openssl x509 -in "$folder/server.pem" -noout -checkend $((days * 86400)) >/dev/null; then
    make_server "$1"
    printf '%s\n' "$@" >"$folder/names"
else
    say "nothing to do: the certificate is good until $(openssl x509 -in "$folder/server.pem" -noout -enddate | cut -d= -f2)"
fi
