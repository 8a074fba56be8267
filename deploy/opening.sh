# shellcheck shell=sh
# Opens an installed service to others in the network, and says where they find it. For
# deploy/install, which sources this file.

has_owner() {
    own "$version" owner list 2>/dev/null | grep -q ': owner$'
}

has_certificate() {
    own "$version" certificate show >/dev/null 2>&1
}

# decide WORDS: where it listens from now on.
decide() {
    { grep -v '^STILLAIR_LISTEN=' "$options" || :; printf 'STILLAIR_LISTEN=%s\n' "$1"; } >"$options.new"
    chmod 0644 "$options.new"
    mv -f -- "$options.new" "$options"
}

# The password goes from the terminal to the program: on a command line everybody could read it.
make_owner() {
    while [ -z "$owner" ]; do
        printf 'The name that the owner signs in with: ' >&2
        read -r owner || return 1
    done
    for _ in 1 2 3; do
        own "$version" owner add "$owner" && return 0
        [ -t 0 ] || return 1
    done
    return 1
}

# To the network only with an owner and a certificate; who said where it listens has decided.
open_up() {
    if [ -z "$owner" ]; then
        if option --host || option --behind-proxy || ! [ -t 0 ]; then return 0; fi
        say 'Only this board itself can open it so far. Telephones need an owner with a password, and a certificate; both are made now if you want it.'
        if ! ask 'Open it to this network?'; then
            decide '--host 127.0.0.1'
            return 0
        fi
    fi
    if has_owner; then
        [ -z "$owner" ] ||
            say "It has an owner already, so none is made. For another, or a new password: sudo stillair owner add $owner"
    else
        make_owner || give_up 'There is no owner yet, so it is open to nobody else.'
    fi
    cp -p -- "$options" "$options.before"
    made=
    if ! option --behind-proxy && ! has_certificate; then
        made=$data/certificates
        own "$version" certificate make >/dev/null || give_up 'There is no certificate, so it is open to nobody else.'
    fi
    grep -q '^STILLAIR_OPTIONS=.*--\(host\|behind-proxy\)' "$options" || decide '--host 0.0.0.0'
    if [ -n "$made" ] || ! cmp -s -- "$options" "$options.before"; then
        before=$(helper health "$options.before")
        systemctl restart stillair || :
        if ! well; then
            # Better watched by this board alone than not at all.
            mv -f -- "$options.before" "$options"
            [ -z "$made" ] || rm -rf -- "$made"
            systemctl restart stillair || :
            give_up 'It does not become well with that, so it is as before: journalctl -u stillair says why.'
        fi
    fi
    rm -f -- "$options.before"
}

# The words at the end.
tell() {
    port=$(helper port "$options")
    say "Stillair $version runs. It starts with the board; its log: journalctl -u stillair"
    option --chamber || ls "$data"/chamber*.toml >/dev/null 2>&1 ||
        say "It watches a SIMULATED chamber: nothing it shows is real. Its page sets your own up step by step; $settings/chamber.toml.example tells how to do it by hand."
    if option --behind-proxy; then
        say 'It is opened through the proxy on this board.'
    elif option '--host[ =]0\.0\.0\.0' && has_owner; then
        scheme=http
        if has_certificate; then scheme=https; fi
        say 'Telephones and computers in the same network open one of these:'
        if systemctl --quiet is-active avahi-daemon; then
            say "  $scheme://$(hostname | cut -d. -f1).local:$port/"
        fi
        for address in $(hostname -I 2>/dev/null); do
            case $address in *:* | 169.254.*) ;; *) say "  $scheme://$address:$port/" ;; esac
        done
        if [ "$scheme" = https ]; then
            say 'They do not know its certificate yet, and warn of it. Add trust to the address, as in https://.../trust: that page says how a telephone learns it. Go on only where the fingerprint there is:'
            say "  $(own "$version" certificate show | tail -n 1)"
        else
            say 'What they say to it can be read along in the network: sudo stillair certificate make'
        fi
    elif option --host && ! option '--host[ =]127\.0\.0\.1'; then
        say "It listens where $options says."
    else
        say "Only this board itself can open it: http://127.0.0.1:$port/ or https, with a certificate."
        say 'For telephones in the same network: sudo /opt/stillair/install --owner NAME'
        say "Or, from your own computer: ssh -L $port:127.0.0.1:$port THIS-BOARD, then open http://127.0.0.1:$port/. The code for its first owner: journalctl -u stillair | grep 'The code' | tail -n 1"
    fi
}
