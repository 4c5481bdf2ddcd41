#!/bin/sh
# Installs Gatehand as a service on Debian and its derivatives. Says what it does before it does it, may be run again
# at any time, and can be undone. It never overwrites a config, a password or a log.
set -eu

usage() {
    cat <<'TEXT'
usage: deploy/install.sh [--page] [--notify] [--yes] [--dry-run] [--wheels FOLDER] [--no-broker]
       deploy/install.sh --undo [--page] [--notify] [--purge] [--yes] [--dry-run]

  --page            also the service gatehand-page, the shop on a phone (deploy/page.md)
  --notify          also the service gatehand-notify, which tells you of alarms (deploy/notify.md)

  --yes             do not ask
  --dry-run         say what would be done, and do nothing
  --wheels FOLDER   take the Python packages from this folder instead of from the network
  --no-broker       leave Mosquitto alone: the broker is somewhere else
  --undo            remove the services and the program; keep config, passwords and log;
                    with --page or --notify only that service
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
# Services beside the daemon's: those asked for, and those that are installed already.
wanted='' installed=''

while [ $# -gt 0 ]; do
    case $1 in
        --yes) ask='' ;;
        --dry-run) dry=yes ;;
        --wheels) [ $# -ge 2 ] || { usage >&2; exit 2; }; wheels=$(cd "$2" && pwd); shift ;;
        --no-broker) with_broker='' ;;
        --page|--notify) wanted="$wanted ${1#--}" ;;
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

# A service beside the daemon's has a user and a folder that are named after it. Its groups and its login at the broker are
# those of its unit, and the file of the password is named after the login.
unit_of() { printf '%s' "$root/etc/systemd/system/gatehand-$1.service"; }
state_of() { printf '%s' "$root/var/lib/gatehand-$1"; }
password_of() { printf '%s' "$etc/$(login_of "$1")-password"; }
from_unit() { sed -n "s|$2|\\1|p" "$here/deploy/gatehand-$1.service" 2>/dev/null | head -n 1; }
login_of() { from_unit "$1" '^ExecStart=.* --username \([^ ]*\).*'; }
has_login() { grep -qs "^$1:" "$broker/gatehand.passwd"; }

for each in page notify; do
    # A folder without a unit: its service was taken away before, and its phones or words were kept.
    if [ -e "$(unit_of "$each")" ] || { [ -n "$purge" ] && [ -e "$(state_of "$each")" ]; }; then installed="$installed $each"; fi
done
# shellcheck disable=SC2086
once() { printf '%s\n' $1 | sort -u | tr '\n' ' '; }
wanted=$(once "$wanted")
beside=$(once "$wanted $installed")

confirm() {
    [ -n "$ask" ] && [ -z "$dry" ] || return 0
    printf 'Go on? [y/N] '
    read -r answer || answer=n
    case $answer in y|Y|yes) ;; *) say 'Nothing was changed.'; exit 1 ;; esac
}

need_root() {
    [ -n "$dry" ] || [ "$(id -u)" = 0 ] || { echo "install.sh: run it as root, such as with sudo" >&2; exit 1; }
}

# Services beside the daemon's are taken away alone, or with all the rest.
undo_beside() {
    for each in $1; do
        if running_systemd; then
            do_it systemctl disable --now "gatehand-$each.service" || true
        else
            do_it systemctl disable "gatehand-$each.service" || true
        fi
        do_it rm -f "$(unit_of "$each")"
        [ -n "$purge" ] || continue
        do_it rm -rf "$(state_of "$each")" "$(unit_of "$each").d"
        # A login of another name, such as viewer, may be somebody else's too.
        if [ "$(login_of "$each")" = "$each" ]; then
            do_it rm -f "$(password_of "$each")"
            if has_login "$each"; then do_it mosquitto_passwd -D "$broker/gatehand.passwd" "$each"; fi
        fi
        if id "gatehand-$each" >/dev/null 2>&1; then do_it userdel "gatehand-$each"; fi
    done
}

undo_some() {
    say 'This will:'
    for each in $wanted; do
        step "stop and disable the service gatehand-$each, and remove its unit"
        if [ -n "$purge" ]; then
            step "remove $(state_of "$each"), your changes to its unit, its user gatehand-$each, and its login if no other has that one"
        else
            step "keep $(state_of "$each"), its password and its user (--purge removes them too)"
        fi
    done
    step 'leave the daemon, its config and the rest as they are'
    confirm
    undo_beside "$wanted"
    if running_systemd; then
        do_it systemctl daemon-reload
        if [ -d "$broker" ]; then do_it systemctl try-reload-or-restart mosquitto.service; fi
    fi
    if [ -n "$dry" ]; then say 'Nothing was changed.'; else say 'Undone.'; fi
}

undo() {
    say 'This will:'
    step 'stop and disable the service gatehand, and remove its unit'
    for each in $installed; do step "the same with gatehand-$each"; done
    step "remove the program in $program, the command gatehand, and its broker settings (not Mosquitto itself)"
    if [ -n "$purge" ]; then
        step "remove the config and passwords in $etc, the log in $state, and the user gatehand"
        for each in $installed; do step "remove $(state_of "$each") and the user gatehand-$each"; done
    else
        step "keep the config and passwords in $etc and the log in $state (--purge removes them too)"
    fi
    confirm
    # The user gatehand goes last: its group has the others in it.
    undo_beside "$installed"
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
    if [ -n "$dry" ]; then say 'Nothing was changed.'; else say 'Undone.'; fi
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
    extras=edit,watch
    case " $beside " in *' page '*) extras=$extras,page ;; esac
    if [ -n "$wheels" ]; then
        do_it "$new/bin/python" -m pip install --quiet --no-index --find-links "$wheels" "gatehand[$extras]"
    else
        do_it "$new/bin/python" -m pip install --quiet "${here}[$extras]"
    fi
}

# A login that is there already has a password that nobody but its owner knows.
check_wanted() {
    for each in $wanted; do
        [ -e "$here/deploy/gatehand-$each.service" ] || { echo "install.sh: this release has no gatehand-$each" >&2; exit 2; }
    done
    [ -n "$with_broker" ] || return 0
    for each in $wanted; do
        if has_login "$(login_of "$each")" && [ ! -e "$(password_of "$each")" ]; then
            echo "install.sh: the broker has a login $(login_of "$each") already, and its password is not in $(password_of "$each")." >&2
            echo "Write it there (mode 0600), or take the login away: mosquitto_passwd -D $broker/gatehand.passwd $(login_of "$each")." >&2
            echo 'Then run this again. Nothing was changed.' >&2
            exit 1
        fi
    done
}

check_config() {
    if [ -n "$dry" ]; then say "    would check $etc/config.toml with the new program, and go no further if it has errors"; return 0; fi
    "$new/bin/python" -m gatehand check --config "$etc/config.toml" > "$new/said" 2>&1 || refused
    for each in $wanted; do
        if ! "$new/bin/python" -m gatehand access --config "$etc/config.toml" --only "$(login_of "$each")" > "$new/said" 2>&1; then
            cat "$new/said" >&2
            echo "install.sh: with $etc/config.toml there is no login for gatehand-$each. Add what deploy/$each.md names (for the" >&2
            echo 'page a line [page]), then run this again. The program and the services are as they were.' >&2
            exit 1
        fi
    done
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
        for each in $beside; do keep "$(unit_of "$each")"; done
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
    for file in "$unit" "$broker/gatehand.acl" "$broker/conf.d/gatehand.conf" "$(unit_of page)" "$(unit_of notify)"; do
        if [ -e "$before/$(basename "$file")" ]; then cp -p "$before/$(basename "$file")" "$file"; fi
    done
    rm -rf "$before"
    if running_systemd; then
        systemctl daemon-reload || true
        if [ -n "$with_broker" ]; then systemctl restart mosquitto.service || true; fi
        systemctl restart gatehand.service || true
        for each in $installed; do systemctl restart "gatehand-$each.service" || true; done
    fi
    exit "$code"
}

# A secret is made in place, so that it is never in a world-readable file or a command line.
write_password() {
    if [ -e "$1" ]; then return 0; fi
    if [ -n "$dry" ]; then say "    would write a new password to $1"; return 0; fi
    (umask 077 && head -c 24 /dev/urandom | base64 | tr -d '\n=+/' > "$1")
}

# A login for the broker, where it has none of that name: $1, with the password in $2.
add_login() {
    if has_login "$1"; then return 0; fi
    (umask 077 && printf '%s:%s\n' "$1" "$(cat "$2")" > "$broker/gatehand.passwd.login")
    mosquitto_passwd -U "$broker/gatehand.passwd.login"
    if [ -e "$broker/gatehand.passwd" ]; then
        (umask 077 && cat "$broker/gatehand.passwd" "$broker/gatehand.passwd.login" > "$broker/gatehand.passwd.new")
        rm "$broker/gatehand.passwd.login"
    else
        mv "$broker/gatehand.passwd.login" "$broker/gatehand.passwd.new"
    fi
    mv "$broker/gatehand.passwd.new" "$broker/gatehand.passwd"
}

write_config() {
    do_it install -d -m 0750 "$etc"
    do_it chgrp gatehand "$etc"
    write_password "$etc/mqtt-password"
    for each in $wanted; do write_password "$(password_of "$each")"; done
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
    if [ -n "$dry" ]; then
        say "    would write conf.d/gatehand.conf, gatehand.passwd and gatehand.acl to $broker"
        for each in $wanted; do
            if ! has_login "$(login_of "$each")"; then say "    would add the login $(login_of "$each") to $broker/gatehand.passwd"; fi
        done
        return 0
    fi
    # An earlier release had the encrypted listener in this very file, to be switched on there.
    if grep -qs '^listener 8883' "$broker/conf.d/gatehand.conf"; then
        cp -p "$broker/conf.d/gatehand.conf" "$broker/conf.d/gatehand.conf.old"
        say "    Your listener on 8883 is in $broker/conf.d/gatehand.conf.old now; put it into conf.d/gatehand_tls.conf,"
        say "    as deploy/mosquitto/gatehand_tls.conf has it."
    fi
    install -m 0644 "$here/deploy/mosquitto/gatehand.conf" "$broker/conf.d/gatehand.conf"
    if [ ! -e "$broker/gatehand.passwd" ]; then add_login gatehand "$etc/mqtt-password"; fi
    for each in $wanted; do add_login "$(login_of "$each")" "$(password_of "$each")"; done
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
    for each in $beside; do
        do_it install -m 0644 "$here/deploy/gatehand-$each.service" "$(unit_of "$each")"
        if running_systemd; then do_it systemctl daemon-reload; fi
        case " $wanted " in *" $each "*) do_it systemctl enable "gatehand-$each.service" ;; esac
        # The daemon is never put back because of these.
        if running_systemd; then
            do_it systemctl restart "gatehand-$each.service" ||
                say "    gatehand-$each does not start yet: deploy/$each.md says what it needs, and journalctl -u gatehand-$each why"
        fi
    done
}

make_user() {
    user=gatehand-$1 groups=$(from_unit "$1" '^SupplementaryGroups=\(.*\)$')
    if ! id "$user" >/dev/null 2>&1; then
        # shellcheck disable=SC2086
        do_it useradd --system --user-group ${groups:+--groups "$groups"} --home-dir "$(state_of "$1")" --no-create-home \
            --shell /usr/sbin/nologin "$user"
    fi
    do_it install -d -m 0700 -o "$user" -g "$user" "$(state_of "$1")"
}

install_all() {
    say 'This will:'
    step 'install the Debian packages python3-venv and (unless --no-broker) mosquitto, where they are missing'
    step "check the config, where there is one, and change nothing of what works if it has errors"
    step "put the program into $program and the command gatehand into /usr/local/bin"
    step "make the system user gatehand, the config $etc/config.toml and a password, where they are missing"
    [ -z "$with_broker" ] || step "give Mosquitto a listener on this computer alone, passwords and an access list (in $broker)"
    step "install and enable the service gatehand, which keeps its log in $state/log"
    for each in $wanted; do
        step "make the system user gatehand-$each and a password for its login $(login_of "$each"), where they are missing"
        step "install and enable the service gatehand-$each (deploy/$each.md)"
    done
    for each in $installed; do
        case " $wanted " in *" $each "*) ;; *) step "bring the service gatehand-$each, which is installed, up to date as well" ;; esac
    done
    say 'Gatehand is not a safety device. Mains wiring and relays that carry motors are a licensed electrician'\''s work.'
    check_wanted
    confirm
    install_packages
    check_python
    if ! id gatehand >/dev/null 2>&1; then
        do_it useradd --system --user-group --home-dir "$state" --no-create-home --shell /usr/sbin/nologin gatehand
    fi
    do_it install -d -m 0750 -o gatehand -g gatehand "$state"
    for each in $wanted; do make_user "$each"; done
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
    for each in $wanted; do
        step "gatehand-$each: deploy/$each.md says what to do next"
        [ -n "$with_broker" ] || step "give the broker the login $(login_of "$each"), with the password in $(password_of "$each")"
    done
}

need_root
if [ -z "$undo" ]; then install_all; elif [ -n "${wanted# }" ]; then undo_some; else undo; fi
