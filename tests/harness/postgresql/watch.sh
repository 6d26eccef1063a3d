# Starts a PostgreSQL server, and ends it when this program's input ends: that happens when the test process is done with
# it, and also when that process was killed. A line on the input starts the server again on the same records.
#
# Arguments: the folder of PostgreSQL's programs, a folder to work in, the port of a server to copy (or nothing), and what
# the server is told. Writes the server's process id to the file `server`, or a word when there is none, and what
# everything says to `log`.

programs="$1"
folder="$2"
original="$3"
shift 3
data="$folder/data"
log="$folder/log"
server=

say() {
    printf '%s\n' "$1" >"$folder/server.new" && mv "$folder/server.new" "$folder/server"
}

start() {
    "$programs/postgres" -D "$data" "$@" >>"$log" 2>&1 </dev/null &
    server=$!
    say "$server"
}

make() {
    if [ -n "$original" ]; then
        "$programs/pg_basebackup" -h 127.0.0.1 -p "$original" -U postgres -D "$data" -R -X stream -c fast
    else
        "$programs/initdb" -D "$data" -U postgres --locale=C --encoding=UTF8 --auth=trust --no-sync
    fi
}

if ! make >>"$log" 2>&1 </dev/null; then
    say failed
    exit 1
fi

start "$@"
while read -r _; do
    wait "$server"
    start "$@"
done

# In good order within ten seconds, by force after that.
kill -INT "$server" 2>/dev/null
tries=0
while kill -0 "$server" 2>/dev/null && [ "$tries" -lt 100 ]; do
    tries=$((tries + 1))
    sleep 0.1
done
kill -KILL "$server" 2>/dev/null
wait "$server" 2>/dev/null
rm -rf "${folder:?}"/*
