#!/usr/bin/env bash
# PostgreSQL for stations that share one archive, and a throw-away server for the tests.
#
#   tools/postgres.sh install               server binaries from Debian's packages (asks for root's rights)
#   tools/postgres.sh start FOLDER PORT     a server of its own in FOLDER, on 127.0.0.1 only, never as root
#   tools/postgres.sh stop FOLDER           ends it in order
#   tools/postgres.sh crash FOLDER          ends it at once, as a failure would
#
# `start` makes FOLDER on its first call. User `station`, database `archive`; the password lies in FOLDER/password.
set -euo pipefail

die() { echo "postgres.sh: $*" >&2; exit 1; }

binaries() {
    local found
    found=$(ls -d /usr/lib/postgresql/*/bin 2>/dev/null | sort -V | tail -n 1)
    [ -n "$found" ] || found=$(dirname "$(command -v initdb 2>/dev/null || echo /none/initdb)")
    [ -x "$found/initdb" ] && [ -x "$found/pg_ctl" ] || die "no server binaries; run: tools/postgres.sh install"
    echo "$found"
}

# The server refuses to run as root, rightly; root's tests run it as `nobody`.
unprivileged() {
    if [ "$(id -u)" = 0 ]; then
        setpriv --reuid=nobody --regid=nogroup --clear-groups --no-new-privs env -u HOME PGUSER=station "$@"
    else
        "$@"
    fi
}

install() {
    local root=()
    [ "$(id -u)" = 0 ] || root=(sudo)
    # No cluster of the system's own, and nothing started: the packages would do both.
    "${root[@]}" apt-get update
    "${root[@]}" apt-get install -y --no-install-recommends postgresql-common
    "${root[@]}" sed -i 's/^#\?create_main_cluster.*/create_main_cluster = false/' /etc/postgresql-common/createcluster.conf
    "${root[@]}" apt-get install -y --no-install-recommends postgresql
}

start() {
    local folder=$1 port=$2 bin
    bin=$(binaries)
    if [ ! -d "$folder/data" ]; then
        mkdir -p "$folder"
        (umask 077; head -c 18 /dev/urandom | base64 | tr -d '\n=+/' > "$folder/password")
        [ "$(id -u)" != 0 ] || chown -R nobody:nogroup "$folder"
        unprivileged "$bin/initdb" --pgdata="$folder/data" --username=station --encoding=UTF8 --locale=C.UTF-8 \
            --auth=scram-sha-256 --pwfile="$folder/password" > "$folder/initdb.log" 2>&1 \
            || die "initdb failed: $(tail -n 3 "$folder/initdb.log")"
        touch "$folder/new"
    fi
    unprivileged "$bin/pg_ctl" --pgdata="$folder/data" --log="$folder/data/server.log" --wait --timeout=180 --silent \
        --options="-c listen_addresses=127.0.0.1 -c port=$port -c unix_socket_directories='$folder/data'" start \
        || die "the server did not start: $(tail -n 3 "$folder/data/server.log")"
    if [ -e "$folder/new" ]; then
        PGPASSWORD=$(cat "$folder/password") "$bin/createdb" --host=127.0.0.1 --port="$port" --username=station archive
        rm "$folder/new"
    fi
}

stop() { unprivileged "$(binaries)/pg_ctl" --pgdata="$1/data" --wait --silent --mode="$2" stop; }

case "${1:-}" in
    install) install ;;
    start) [ $# = 3 ] || die "start FOLDER PORT"; start "$2" "$3" ;;
    stop) [ $# = 2 ] || die "stop FOLDER"; stop "$2" fast ;;
    crash) [ $# = 2 ] || die "crash FOLDER"; stop "$2" immediate ;;
    *) die "install | start FOLDER PORT | stop FOLDER | crash FOLDER" ;;
esac
