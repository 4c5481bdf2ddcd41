#!/bin/sh
# Installs Gatehand as a service on Debian and its derivatives. Says what it does before it does it, may be run again
# at any time, and can be undone. It never overwrites a config, a password or a log.
set -eu

usage() {
    cat <<'TEXT'
usage: deploy/install.sh [--yes] [--dry-run] [--wheels FOLDER] [--no-broker]
       deploy/install.sh --undo [--purge] [--yes] [--dry-run]

  --yes             do not ask
  --dry-run         say what would be done, and do nothing
  --wheels FOLDER   take the Python packages from this folder instead of from the network
  --no-broker       leave Mosquitto alone: the broker is somewhere else
  --undo            remove the service and the program; keep config, passwords and log
  --purge           with --undo: remove config, passwords and log as well
TEXT
}

here=$(cd "$(dirname "$0")/.." && pwd)
# Another root before every path, for whoever wants to see what is installed where without installing it.
root=${INSTALL_ROOT:-}
program=$root/opt/gatehand
new=$program.new
before=$program.before
etc=$root/etc/gatehand
state=$root/var/lib/gatehand
unit=$root/etc/systemd/system/gatehand.service
broker=$root/etc/mosquitto
command=$root/usr/local/bin/gatehand
ask=yes dry='' wheels='' with_broker=yes undo='' purge=''

while [ $# -gt 0 ]; do
    case $1 in
        --yes) ask='' ;;
        --dry-run) dry=yes ;;
        --wheels) [ $# -ge 2 ] || { usage >&2; exit 2; }; wheels=$(cd "$2" && pwd); shift ;;
        --no-broker) with_broker='' ;;
        --undo) undo=yes ;;
        --purge) purge=yes ;;
        --help|-h) usage; exit 0 ;;
        *) echo "install.sh: there is no option $1" >&2; usage >&2; exit 2 ;;
    esac
    shift
done
[ -z "$purge" ] || [ -n "$undo" ] || { echo "install.sh: --purge goes with --undo" >&2; exit 2; }

say() { printf '%s\n' "$*"; }
step() { say "  - $*"; }
do_it() { if [ -n "$dry" ]; then say "    would run: $*"; else "$@"; fi; }
running_systemd() { [ -d "$root/run/systemd/system" ]; }

confirm() {
    [ -n "$ask" ] && [ -z "$dry" ] || return 0
    printf 'Go on? [y/N] '
    read -r answer || answer=n
    case $answer in y|Y|yes) ;; *) say 'Nothing was changed.'; exit 1 ;; esac
}

need_root() {
    [ -n "$dry" ] || [ "$(id -u)" = 0 ] || { echo "install.sh: run it as root, such as with sudo" >&2; exit 1; }
}

undo() {
    say 'This will:'
    step 'stop and disable the service gatehand, and remove its unit'
    step "remove the program in $program, the command gatehand, and its broker settings (not Mosquitto itself)"
    if [ -n "$purge" ]; then
        step "remove the config and passwords in $etc, the log in $state, and the user gatehand"
    else
        step "keep the config and passwords in $etc and the log in $state (--purge removes them too)"
    fi
    confirm
    if running_systemd; then
        do_it systemctl disable --now gatehand.service || true
    else
        do_it systemctl disable gatehand.service || true
    fi
    do_it rm -f "$unit" "$command" "$broker/conf.d/gatehand.conf"
    # Mosquitto would not start with these alone: gatehand.conf says that each listener has logins of its own.
    do_it rm -f "$broker/conf.d/gatehand_tls.conf" "$broker/conf.d/gatehand_plain.conf"
    do_it rm -rf "$program" "$new" "$before"
    if [ -n "$purge" ]; then
        do_it rm -rf "$etc" "$state"
        do_it rm -f "$broker/gatehand.passwd" "$broker/gatehand.acl"
        do_it rm -f "$broker/gatehand_plain.passwd" "$broker/gatehand_plain.acl"
        if id gatehand >/dev/null 2>&1; then do_it userdel gatehand; fi
    fi
    if running_systemd; then
        do_it systemctl daemon-reload
        if [ -d "$broker" ]; then do_it systemctl try-restart mosquitto.service; fi
    fi
    say 'Undone.'
}

install_packages() {
    packages='python3 python3-venv'
    [ -z "$with_broker" ] || packages="$packages mosquitto mosquitto-clients"
    missing=''
    for package in $packages; do
        dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing="$missing $package"
    done
    [ -n "$missing" ] || return 0
    do_it apt-get update -qq
    # shellcheck disable=SC2086
    do_it env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing
}

check_python() {
    [ -n "$dry" ] && return 0
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
        echo "install.sh: $(python3 --version) is too old; Gatehand needs Python 3.11 (Debian 12 or newer)" >&2
        exit 1
    }
}

# The new program is built beside the one that works, and must take the config before anything is replaced.
build_program() {
    do_it rm -rf "$new"
    [ -n "$dry" ] || trap 'rm -rf "$new"' EXIT
    do_it python3 -m venv "$new"
    if [ -n "$wheels" ]; then
        do_it "$new/bin/python" -m pip install --quiet --no-index --find-links "$wheels" 'gatehand[edit,watch]'
    else
        do_it "$new/bin/python" -m pip install --quiet "${here}[edit,watch]"
    fi
}

check_config() {
    if [ -n "$dry" ]; then say "    would check $etc/config.toml with the new program, and go no further if it has errors"; return 0; fi
    "$new/bin/python" -m gatehand check --config "$etc/config.toml" > "$new/said" 2>&1 || refused
    [ -n "$with_broker" ] || return 0
    "$new/bin/python" -m gatehand access --config "$etc/config.toml" > "$new/gatehand.acl" 2> "$new/said" || refused
}

refused() {
    cat "$new/said" >&2
    kept=''
    [ ! -e "$program" ] || kept='; the program and the service are as they were'
    echo "install.sh: the new release does not take $etc/config.toml$kept. Correct it, then run this again." >&2
    exit 1
}

# What goes wrong from here on puts back what was there: a shop is not left without its collector.
replace_program() {
    if [ -z "$dry" ]; then
        rm -rf "$before"
        mkdir "$before"
        keep "$unit"
        keep "$broker/gatehand.acl"
        keep "$broker/conf.d/gatehand.conf"
        trap put_back EXIT
        if [ -e "$program" ]; then mv "$program" "$before/program"; fi
        mv "$new" "$program"
        # A virtual environment names its own place in its scripts.
        grep -rlI "$new" "$program/bin" "$program/pyvenv.cfg" | xargs -r sed -i "s|$new|$program|g"
    else
        say "    would put $new in the place of $program"
    fi
    do_it ln -sf "$program/bin/gatehand" "$command"
}

keep() { if [ -e "$1" ]; then cp -p "$1" "$before/$(basename "$1")"; fi; }

put_back() {
    code=$?
    trap - EXIT
    [ "$code" != 0 ] || return 0
    # Nothing to go back to at the first installation.
    [ -e "$before/program" ] || exit "$code"
    echo 'install.sh: that failed; putting back what was there' >&2
    rm -rf "$program"
    mv "$before/program" "$program"
    for file in "$unit" "$broker/gatehand.acl" "$broker/conf.d/gatehand.conf"; do
        if [ -e "$before/$(basename "$file")" ]; then cp -p "$before/$(basename "$file")" "$file"; fi
    done
    rm -rf "$before"
    if running_systemd; then
        systemctl daemon-reload || true
        if [ -n "$with_broker" ]; then systemctl restart mosquitto.service || true; fi
        systemctl restart gatehand.service || true
    fi
    exit "$code"
}

# A secret is made in place, so that it is never in a world-readable file or a command line.
write_password() {
    if [ -e "$etc/mqtt-password" ]; then return 0; fi
    if [ -n "$dry" ]; then say "    would write a new password to $etc/mqtt-password"; return 0; fi
    (umask 077 && head -c 24 /dev/urandom | base64 | tr -d '\n=+/' > "$etc/mqtt-password")
}

write_config() {
    do_it install -d -m 0750 "$etc"
    do_it chgrp gatehand "$etc"
    write_password
    if [ -e "$etc/config.toml" ]; then return 0; fi
    if [ -n "$dry" ]; then say "    would write the example config to $etc/config.toml"; return 0; fi
    sed -e 's|^# username = "gatehand"  |username = "gatehand"    |' \
        -e "s|^# password_file = \"broker.password\"  |password_file = \"$etc/mqtt-password\"  |" \
        -e "s|^# folder = \"log\"  |folder = \"$state/log\"  |" \
        "$here/config.example.toml" > "$etc/config.toml"
    chmod 0640 "$etc/config.toml"
    chgrp gatehand "$etc/config.toml"
}

install_broker() {
    [ -n "$with_broker" ] || return 0
    if [ -n "$dry" ]; then say "    would write conf.d/gatehand.conf, gatehand.passwd and gatehand.acl to $broker"; return 0; fi
    # An earlier release had the encrypted listener in this very file, to be switched on there.
    if grep -qs '^listener 8883' "$broker/conf.d/gatehand.conf"; then
        cp -p "$broker/conf.d/gatehand.conf" "$broker/conf.d/gatehand.conf.old"
        say "    Your listener on 8883 is in $broker/conf.d/gatehand.conf.old now; put it into conf.d/gatehand_tls.conf,"
        say "    as deploy/mosquitto/gatehand_tls.conf has it."
    fi
    install -m 0644 "$here/deploy/mosquitto/gatehand.conf" "$broker/conf.d/gatehand.conf"
    if [ ! -e "$broker/gatehand.passwd" ]; then
        (umask 077 && printf 'gatehand:%s\n' "$(cat "$etc/mqtt-password")" > "$broker/gatehand.passwd")
        mosquitto_passwd -U "$broker/gatehand.passwd"
    fi
    cp "$program/gatehand.acl" "$broker/gatehand.acl.new"
    mv "$broker/gatehand.acl.new" "$broker/gatehand.acl"
    chown mosquitto: "$broker/gatehand.passwd" "$broker/gatehand.acl"
    chmod 0600 "$broker/gatehand.passwd" "$broker/gatehand.acl"
}

install_service() {
    do_it install -m 0644 "$here/deploy/gatehand.service" "$unit"
    if running_systemd; then
        do_it systemctl daemon-reload
        if [ -n "$with_broker" ]; then do_it systemctl restart mosquitto.service; fi
        do_it systemctl enable gatehand.service
        do_it systemctl restart gatehand.service
    else
        do_it systemctl enable gatehand.service
    fi
}

install_all() {
    say 'This will:'
    step 'install the Debian packages python3-venv and (unless --no-broker) mosquitto, where they are missing'
    step "check the config, where there is one, and change nothing of what works if it has errors"
    step "put the program into $program and the command gatehand into /usr/local/bin"
    step "make the system user gatehand, the config $etc/config.toml and a password, where they are missing"
    [ -z "$with_broker" ] || step "give Mosquitto a listener on this computer alone, passwords and an access list (in $broker)"
    step "install and enable the service gatehand, which keeps its log in $state/log"
    say 'Gatehand is not a safety device. Mains wiring and relays that carry motors are a licensed electrician'\''s work.'
    confirm
    install_packages
    check_python
    if ! id gatehand >/dev/null 2>&1; then
        do_it useradd --system --user-group --home-dir "$state" --no-create-home --shell /usr/sbin/nologin gatehand
    fi
    do_it install -d -m 0750 -o gatehand -g gatehand "$state"
    write_config
    build_program
    check_config
    replace_program
    install_broker
    install_service
    if [ -z "$dry" ]; then trap - EXIT; rm -rf "$before"; fi
    if [ -n "$dry" ]; then say 'Nothing was changed. After the installation:'; else say 'Installed. Next:'; fi
    step "edit $etc/config.toml, then: gatehand check --config $etc/config.toml"
    step 'then: systemctl reload gatehand, and: journalctl -u gatehand'
    step 'may a person read the log: adduser NAME gatehand'
}

need_root
if [ -n "$undo" ]; then undo; else install_all; fi
