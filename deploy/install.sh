#!/bin/sh
# Installs lugwatch as services on a Debian-like machine; again for an upgrade. See --help.
set -eu

usage() {
    cat <<'TEXT'
sudo sh deploy/install.sh [OPTIONS]      install, or upgrade what is there

  --dry-run           say what would be done, and do nothing
  --from PATH|NAME    a wheel, a source folder or a package name; left out: this folder's clone
  --extras a,b        optional parts, as push or gpio
  --newest            what it needs in its newest releases, not those of deploy/pins with their sums
  --roll-back         go back to the version before this one
  --uninstall         take programs and services away; data and configuration stay
  --root DIR          install into another root (an image, a test); no service is started
  --no-start          install and start nothing

Data: /var/lib/lugwatch. Configuration: /etc/lugwatch. Programs: /opt/lugwatch.
TEXT
}

here="$(cd "$(dirname "$0")" && pwd)"
dry="" root="" from="$here/.." extras="" act="install" start="yes" newest=""
while [ $# -gt 0 ]; do
    case "$1" in
        --dry-run) dry="yes" ;;
        --from) shift; from="${1:?--from needs a path or a name}" ;;
        --extras) shift; extras="[${1:?--extras needs names}]" ;;
        --newest) newest="yes" ;;
        --roll-back) act="roll_back" ;;
        --uninstall) act="uninstall" ;;
        --root) shift; root="${1:?--root needs a folder}"; root="${root%/}"; start="" ;;
        --no-start) start="" ;;
        -h | --help) usage; exit 0 ;;
        *) echo "install.sh: $1 is no option; see --help" >&2; exit 2 ;;
    esac
    shift
done

program="$root/opt/lugwatch" data="$root/var/lib/lugwatch" settings="$root/etc/lugwatch"
units="$root/etc/systemd/system" database="/var/lib/lugwatch/lugwatch.db"

# do_it WORDS...: say it, and do it unless this is a dry run
do_it() {
    echo "+ $*"
    [ -n "$dry" ] || "$@"
}

fail() {
    echo "install.sh: $1" >&2
    exit 1
}

# put FILE PLACE MODE: one of our files, whole or not at all
put() {
    echo "+ write $2"
    [ -z "$dry" ] || return 0
    mkdir -p "$(dirname "$2")"
    cp "$1" "$2.new"
    chmod "$3" "$2.new"
    mv "$2.new" "$2"
}

services() {
    [ -n "$start" ] || return 0
    do_it systemctl "$@"
}

need_root() {
    [ -n "$dry" ] || [ -n "$root" ] || [ "$(id -u)" -eq 0 ] || fail "only root can install; run it with sudo, or look first with --dry-run"
}

need_system() {
    command -v python3 >/dev/null 2>&1 || fail "python3 is missing; apt install python3 python3-venv"
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' || fail "python3 is older than 3.11; a newer Debian has one"
    python3 -c 'import ensurepip, venv' 2>/dev/null || fail "python3-venv is missing; apt install python3-venv"
}

make_user() {
    [ -z "$root" ] || return 0
    if ! getent passwd lugwatch >/dev/null; then
        do_it useradd --system --home-dir /var/lib/lugwatch --no-create-home --shell /usr/sbin/nologin --user-group lugwatch
    fi
}

# groups of this machine that give serial lines, I2C and pins
groups_here() {
    found=""
    for group in dialout i2c gpio; do
        getent group "$group" >/dev/null 2>&1 && found="$found $group"
    done
    echo "${found# }"
}

# lists_here: lists of deploy/pins for this machine and these optional parts, or nothing: then why, on stderr
lists_here() {
    [ -z "$newest" ] || return 0
    case "$(uname -m)" in
        x86_64 | aarch64) ;;
        *) echo "install.sh: no sums for $(uname -m), where some packages have no wheels; taking the newest releases" >&2; return 0 ;;
    esac
    if ! python3 -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 15))'; then
        echo "install.sh: no sums for this Python; taking the newest releases" >&2
        return 0
    fi
    lists="-r $here/pins/base.txt" parts="${extras#?}"
    for part in $(echo "${parts%?}" | tr ',' ' '); do
        [ -e "$here/pins/$part.txt" ] || fail "no sums for the optional part $part in deploy/pins; leave it out, or take --newest"
        lists="$lists -r $here/pins/$part.txt"
    done
    echo "$lists"
}

install_program() {
    stamp="$(date -u +%Y%m%dT%H%M%SZ)"
    version="$program/versions/$stamp"
    do_it mkdir -p "$program/versions"
    do_it python3 -m venv "$version"
    case "$from" in
        */*) from="$(cd "$(dirname "$from")" 2>/dev/null && pwd)/$(basename "$from")" ;;
    esac
    if [ -n "$lists" ]; then
        # the same bytes as in the list, and wheels alone: they run no code of their own while they are installed
        # shellcheck disable=SC2086  # options and paths are words on purpose
        do_it "$version/bin/python" -m pip install --quiet --require-hashes --only-binary :all: $lists ||
            fail "what deploy/pins lists was not installed (the lines above say why); --newest does without"
        do_it "$version/bin/python" -m pip install --quiet --no-deps "$from$extras"
        do_it "$version/bin/python" -m pip check || fail "deploy/pins is not of this lugwatch; take its own, or --newest"
    else
        do_it "$version/bin/python" -m pip install --quiet --upgrade pip
        do_it "$version/bin/python" -m pip install --quiet "$from$extras"
    fi
    [ -n "$dry" ] || "$version/bin/python" -m lugwatch --version || fail "what was installed does not run; nothing was changed"
}

back_up() {
    [ -e "$root$database" ] && [ -x "$program/current/bin/lugwatch" ] || return 0
    do_it mkdir -p "$data/backups"
    do_it "$program/current/bin/lugwatch" backup --db "$root$database" --out "$data/backups/before-$stamp.db"
}

# switch TARGET: `current` names another version from one moment to the next
switch() {
    do_it ln -sfn "$1" "$program/current.new"
    do_it mv -T "$program/current.new" "$program/current"
}

configure() {
    do_it mkdir -p "$settings" "$data"
    if [ ! -e "$settings/lugwatch.toml" ]; then
        do_it "$version/bin/lugwatch" init --config "$settings/lugwatch.toml"
        echo "+ name the database in $settings/lugwatch.toml"
        [ -n "$dry" ] || printf '\n[store]\ndatabase = "%s"\n' "$database" >>"$settings/lugwatch.toml"
    fi
    if [ -z "$root" ]; then
        # what the owner gave to the service alone, as the addresses of messages, stays as it is
        [ -n "$dry" ] || find "$settings" ! -user lugwatch -exec chown root:lugwatch {} +
        do_it chown -R lugwatch:lugwatch "$data"
    fi
    do_it chmod 0750 "$settings" "$data"
    # secrets stay with their owner (0600), the rest is the service's to read and nobody else's
    [ -n "$dry" ] || find "$settings" -type f -user root -exec chmod 0640 {} +
    [ -n "$dry" ] || find "$settings" -type f ! -user root -exec chmod 0600 {} +
}

put_units() {
    groups="$(groups_here)"
    for unit in watch web backup; do
        filled="$(mktemp)"
        if [ -n "$groups" ]; then
            sed "s/@GROUPS@/$groups/" "$here/files/lugwatch-$unit.service" >"$filled"
        else
            sed '/@GROUPS@/d; /left out at installation/d' "$here/files/lugwatch-$unit.service" >"$filled"
        fi
        put "$filled" "$units/lugwatch-$unit.service" 0644
        rm -f "$filled"
    done
    put "$here/files/lugwatch-backup.timer" "$units/lugwatch-backup.timer" 0644
    put "$here/files/60-lugwatch.rules" "$root/etc/udev/rules.d/60-lugwatch.rules" 0644
    put "$here/files/journald-lugwatch.conf" "$root/etc/systemd/journald.conf.d/lugwatch.conf" 0644
    do_it mkdir -p "$root/usr/local/bin"
    do_it ln -sfn /opt/lugwatch/current/bin/lugwatch "$root/usr/local/bin/lugwatch"
}

# the two latest versions stay: this one, and the one to roll back to
forget_old() {
    [ -z "$dry" ] || return 0
    for old in $(ls -1 "$program/versions" | sort -r | tail -n +3); do
        rm -rf "$program/versions/$old"
    done
}

install() {
    need_root
    need_system
    lists="$(lists_here)" || exit 1
    make_user
    install_program
    back_up
    configure
    put_units
    services stop lugwatch-backup.timer lugwatch-backup lugwatch-watch lugwatch-web 2>/dev/null || true
    switch "versions/$stamp"
    services daemon-reload
    services enable --now lugwatch-watch lugwatch-web lugwatch-backup.timer
    forget_old
    cat <<TEXT

Installed. Next:
  1. one-wire: add dtoverlay=w1-gpio to the boot configuration; I2C: dtparam=i2c_arm=on; then restart
  2. edit $settings/lugwatch.toml; lugwatch probes tells which probe is which
  3. lugwatch check --config $settings/lugwatch.toml --hardware
  4. systemctl restart lugwatch-watch; systemctl status lugwatch-watch
The page answers this machine only until [web] host says otherwise; then open port 8037 in the firewall for
the boat's Wi-Fi alone. A broker for phones: apt install mosquitto, then see deploy/files/mosquitto-lugwatch.*
lugwatch warns and does not protect: fuses and breakers do.
TEXT
}

roll_back() {
    need_root
    now="$(basename "$(readlink "$program/current" 2>/dev/null || echo none)")"
    before="$(ls -1 "$program/versions" 2>/dev/null | sort | awk -v now="$now" '$0 < now { last = $0 } END { print last }')"
    [ -n "$before" ] || fail "there is no version before $now to go back to"
    services stop lugwatch-backup.timer lugwatch-backup lugwatch-watch lugwatch-web 2>/dev/null || true
    if [ -e "$data/backups/before-$now.db" ]; then
        # the older program may not know the newer tables: it gets the data of the moment before the upgrade
        do_it mv "$root$database" "$data/backups/after-$now.db"
        do_it rm -f "$root$database-wal" "$root$database-shm"
        do_it cp -p "$data/backups/before-$now.db" "$root$database"
        echo "what was recorded since the upgrade is kept in $data/backups/after-$now.db"
    fi
    switch "versions/$before"
    services daemon-reload
    services start lugwatch-watch lugwatch-web
    services start lugwatch-backup.timer 2>/dev/null || true  # an older version may know no such command
    echo "back at $before"
}

uninstall() {
    need_root
    services disable --now lugwatch-watch lugwatch-web lugwatch-backup.timer 2>/dev/null || true
    for path in "$units/lugwatch-watch.service" "$units/lugwatch-web.service" \
        "$units/lugwatch-backup.service" "$units/lugwatch-backup.timer" "$root/etc/udev/rules.d/60-lugwatch.rules" \
        "$root/etc/systemd/journald.conf.d/lugwatch.conf" "$root/usr/local/bin/lugwatch"; do
        do_it rm -f "$path"
    done
    do_it rm -rf "$program"
    services daemon-reload
    echo "Gone. Your data is still in $data and $settings; delete them yourself if you mean to."
}

"$act"
