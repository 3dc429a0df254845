#!/usr/bin/env bash
# The service on three hosts, as docs/operations.md adds them: data, first, second. Network and host
# names of this computer stand for hosts; the folder that hosts share is a folder here.
#
#   sudo tests/bench/three_hosts.sh PYTHON
#
# PYTHON is the interpreter that the service is installed for. It needs PostgreSQL 15, Redis, nginx,
# openssl and iproute2 of Debian. Everything is made in a folder of its own and taken away again.
# Told is, step by step, what was tried and what came of it; the first that fails ends it.
set -euo pipefail

python=$(realpath -s "${1:?Name the python of the installation}")
root=$(cd "$(dirname "$0")/../.." && pwd)
room=$(mktemp -d /tmp/girtline-hosts.XXXXXX)
postgres_bin=/usr/lib/postgresql/15/bin
mark=$$
data=10.77.0.1 first=10.77.0.2 second=10.77.0.3

host() { # host NAME COMMAND…: run it on that host, under its name.
  local name=$1
  shift
  ip netns exec "girt$mark-$name" unshare --uts sh -c 'hostname "$0"; exec "$@"' "$name" "$@"
}

start() { # start NAME LOG COMMAND…: start it on that host, and end it when all ends.
  local name=$1 log=$2
  shift 2
  host "$name" "$@" >>"$room/$log.log" 2>&1 &
}

take_away() {
  local code=$?
  if [ "$code" != 0 ]; then tail -n 20 "$room"/*.log; fi
  # What runs on a host is all that is in its network, whoever started it.
  signal=TERM
  for try in $(seq 60); do
    pids=$(for name in second first data; do ip netns pids "girt$mark-$name" 2>/dev/null; done)
    if [ -z "$pids" ]; then break; fi
    if [ "$try" = 40 ]; then signal=KILL; fi # a worker that lost its broker waits for it
    # shellcheck disable=SC2086
    kill -s $signal $pids 2>/dev/null || true
    sleep 0.5
  done
  for name in data first second; do ip netns del "girt$mark-$name" 2>/dev/null || true; done
  ip link del "girt$mark" 2>/dev/null || true
  rm -rf "$room"
  exit "$code"
}
trap take_away EXIT

say() { echo "== $*"; }

until_true() { # until_true WHAT COMMAND…: wait a minute at most.
  local what=$1
  shift
  for _ in $(seq 120); do
    if "$@" >/dev/null 2>&1; then echo "   $what"; return; fi
    sleep 0.5
  done
  echo "   not in a minute: $what"
  return 1
}

say "three hosts on a network of their own"
ip link add "girt$mark" type bridge
ip link set "girt$mark" up
number=0
for name in data first second; do
  number=$((number + 1))
  ip netns add "girt$mark-$name"
  ip link add "v$mark-$number" type veth peer name eth0 netns "girt$mark-$name"
  ip link set "v$mark-$number" master "girt$mark" up
  ip -n "girt$mark-$name" addr add "10.77.0.$number/24" dev eth0
  ip -n "girt$mark-$name" link set eth0 up
  ip -n "girt$mark-$name" link set lo up
done

say "PostgreSQL and Redis on data, for the private network, with passwords"
chmod 711 "$room"
install -d -o postgres "$room/postgres"
runuser -u postgres -- "$postgres_bin/initdb" --pgdata "$room/postgres" --auth-local peer \
  --auth-host scram-sha-256 --encoding UTF8 --locale C.UTF-8 --no-sync >/dev/null
echo "host girtline girtline 10.77.0.0/24 scram-sha-256" >>"$room/postgres/pg_hba.conf"
start data postgres runuser -u postgres -- "$postgres_bin/postgres" -D "$room/postgres" \
  -c listen_addresses=$data -c unix_socket_directories="$room/postgres" -c fsync=off
as_postgres() { host data runuser -u postgres -- psql --host "$room/postgres" --quiet "$@"; }
until_true "PostgreSQL answers" as_postgres --command 'SELECT 1'
as_postgres --command "CREATE USER girtline PASSWORD 'girts'"
as_postgres --command 'CREATE DATABASE girtline OWNER girtline'
start data redis redis-server --bind $data --requirepass purlins --save '' --maxmemory-policy noeviction

say "the same settings on both other hosts"
install -d -m 0700 "$room/var"
head -c 60 /dev/urandom | base64 -w0 >"$room/secret_key"
export SECRET_KEY_FILE=$room/secret_key VAR_DIR=$room/var
export DATABASE_URL=postgres://girtline:girts@$data:5432/girtline REDIS_URL=redis://:purlins@$data:6379/0
export ALLOWED_HOSTS=jobs.example,$first,$second CSRF_TRUSTED_ORIGINS=https://jobs.example
export PUBLIC_URL=https://jobs.example HTTPS_ONLY=true BEHIND_PROXY=true LOG_LEVEL=INFO
cd "$root"
host first "$python" manage.py check --deploy --fail-level WARNING
host first "$python" manage.py migrate --verbosity 0
host first "$python" manage.py collectstatic --noinput --verbosity 0
say "the engine is compiled, which takes a minute or two where nothing is kept"
host first "$python" -c "from contractor.engine.warm import warm_up; warm_up()"

say "pages on first and second, a worker on each, beat and nginx with TLS on first"
for name in first second; do
  address=${!name}
  start "$name" "web-$name" "$python" -m gunicorn contractor.wsgi --bind "$address:8000" --workers 1 --threads 4
  start "$name" "worker-$name" "$python" -m celery --app contractor.celery worker --concurrency 1
done
start first beat "$python" -m celery --app contractor.celery beat
openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=jobs.example \
  -addext subjectAltName=DNS:jobs.example -keyout "$room/privkey.pem" -out "$room/fullchain.pem" 2>/dev/null
{
  echo "pid $room/nginx.pid; events {} http {"
  sed -e "s#/etc/ssl/girtline#$room#; s#/var/log/nginx#$room#" \
    -e "s#server 127.0.0.1:8000;#server $first:8000; server $second:8000;#" docs/deploy/nginx.conf
  echo "}"
} >"$room/nginx.conf"
host first nginx -t -q -c "$room/nginx.conf" -e "$room/nginx-error.log"
start first nginx nginx -c "$room/nginx.conf" -e "$room/nginx-error.log" -g 'daemon off;'

ask() { # from the second host, as a browser elsewhere would
  host second curl --silent --show-error --max-time 20 --cacert "$room/fullchain.pem" \
    --resolve "jobs.example:443:$first" --resolve "jobs.example:80:$first" "$@"
}
health() { ask --fail https://jobs.example/health/; }
is_well() { health | grep -q '"broker": "ok".*"state": "ok"'; }
until_true "https://jobs.example/health/ is well: database, broker, worker" is_well
health
echo
ask --include http://jobs.example/admin/ | grep -i '^location: https://jobs.example' || false
ask --include https://jobs.example/admin/login/ | grep -i '^set-cookie: __Host-csrftoken=.*Secure' | cut -c1-29

say "both workers are seen, by the names of their hosts"
# It ends with 1, since no backup was made here: what it says counts.
both_seen() { { host first "$python" manage.py health || true; } | grep 'Workers seen: first .*; second '; }
for _ in $(seq 12); do both_seen && break || sleep 15; done
both_seen >/dev/null

say "a wish of the second host is done by whichever worker is free"
host second "$python" - <<'PY'
import django, os, time
os.environ["DJANGO_SETTINGS_MODULE"] = "contractor.settings"
django.setup()
from jobs import tasks
from jobs.models import TaskRequest
tasks.enqueue_task(kind="SLIPS", reason="tried on three hosts")
for _ in range(120):
    row = TaskRequest.objects.get(reason="tried on three hosts")
    if row.status == "DONE":
        print("   done:", row.progress_text)
        break
    time.sleep(0.5)
else:
    raise SystemExit(f"not done: {row.status} {row.error}")
PY

say "the second host is cut off: pages go on from the first"
ip -n "girt$mark-second" link set eth0 down
ask_first() {
  host first curl --silent --show-error --max-time 70 --fail --cacert "$room/fullchain.pem" \
    --resolve "jobs.example:443:$first" https://jobs.example/health/
}
served=0
for _ in 1 2 3 4 5 6; do ask_first >/dev/null && served=$((served + 1)); done
echo "   $served of 6 answered"
[ "$served" = 6 ]
ip -n "girt$mark-second" link set eth0 up
until_true "and come back to it" health

say "all as docs/operations.md says"
