#!/usr/bin/env bash
# From an empty machine: the steps of docs/operations.md one by one, with the files of docs/deploy,
# then a firm, a backup by the unit's own line, the database destroyed, and back.
#
#   sudo tests/bench/empty_machine.sh [FOLDER]
#
# FOLDER holds CSV files to load; without one, the demo's firm. It needs the packages of step 1 and
# pip's way to the packages of step 4. A user, a PostgreSQL, a Redis and an nginx of its own run in a
# network of their own, where all ports are free; folders lie below one that is taken away again.
# Units are checked, and their programs started by their own lines: there is no systemd to run them.
set -euo pipefail

root=$(cd "$(dirname "$0")/../.." && pwd)
files=${1:+$(realpath "$1")}
room=$(mktemp -d /tmp/girtline-empty.XXXXXX)
user=girt$$
net=girt$$ # its processes are those of this network
postgres_bin=/usr/lib/postgresql/15/bin
srv=$room/srv etc=$room/etc

end() { # end COMMAND…: end all that it names, and wait until they are gone
  local pids signal=TERM
  for try in $(seq 60); do
    pids=$("$@" || true)
    if [ -z "$pids" ]; then return; fi
    if [ "$try" = 40 ]; then signal=KILL; fi
    # shellcheck disable=SC2086
    kill -s $signal $pids 2>/dev/null || true
    sleep 0.5
  done
  echo "   still there: $pids"
  return 1
}

take_away() {
  local code=$?
  trap - EXIT
  if [ "$code" != 0 ]; then tail -n 20 "$room"/*.log; fi
  end ip netns pids "$net" 2>/dev/null || true
  ip netns del "$net" 2>/dev/null || true
  userdel "$user" 2>/dev/null || true
  rm -rf "$room"
  exit "$code"
}
trap take_away EXIT

say() { echo "== $*"; }

# Where the page says /srv/girtline, /etc/girtline, the user girtline, it is here:
here() {
  sed -e "s#/srv/girtline#$srv#g; s#/etc/girtline#$etc#g; s#/var/log/nginx#$room#g" \
    -e "s#/etc/ssl/girtline#$room/ssl#g; s#=girtline\$#=$user#; s#postgres://girtline@/girtline?host=/var/run/postgresql#postgres://$user@/girtline?host=$room/run#" "$@"
}

inside() { ip netns exec "$net" "$@"; }

as_girtline() { # with the settings of the environment's file, and nothing else of ours
  local given
  mapfile -t given < <(grep -v '^#' "$etc/environment")
  inside runuser -u "$user" -- env --ignore-environment --chdir "$srv/app" \
    PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME="$srv" "${given[@]}" "$@"
}

line_of() { sed -n 's/^ExecStart=//p' "$room/units/$1" | sed 's/${WEB_ADDRESS}/127.0.0.1:8000/'; }

unit() { # unit NAME: start what it starts, as its user, with its settings
  local line
  read -ra line < <(line_of "girtline-$1.service")
  as_girtline "${line[@]}" >>"$room/$1.log" 2>&1 &
}

until_true() { # until_true WHAT COMMAND…: wait two minutes at most.
  local what=$1
  shift
  for _ in $(seq 240); do
    if "$@" >/dev/null 2>&1; then echo "   $what"; return; fi
    sleep 0.5
  done
  echo "   not in two minutes: $what"
  return 1
}

say "1. the packages are there"
for program in "$postgres_bin/postgres" redis-server nginx python3 git openssl ip; do
  command -v "$program" >/dev/null || { echo "   missing: $program"; exit 1; }
done

say "2. a user and its folders"
chmod 711 "$room"
useradd --system --home "$srv" --shell /usr/sbin/nologin "$user"
install -d -o "$user" -g "$user" -m 0750 "$srv" "$srv/var" "$srv/backups"
ip netns add "$net"
ip -n "$net" link set lo up

say "3. the database"
install -d -o postgres -m 0755 "$room/postgres" "$room/run"
runuser -u postgres -- "$postgres_bin/initdb" --pgdata "$room/postgres/data" --auth-local peer \
  --auth-host scram-sha-256 --encoding UTF8 --locale C.UTF-8 --no-sync >/dev/null
inside runuser -u postgres -- "$postgres_bin/postgres" -D "$room/postgres/data" \
  -c unix_socket_directories="$room/run" >>"$room/postgres.log" 2>&1 &
as_postgres() { inside runuser -u postgres -- "$@"; }
until_true "PostgreSQL answers" as_postgres psql --host "$room/run" --command 'SELECT 1'
as_postgres createuser --host "$room/run" "$user"
as_postgres createdb --host "$room/run" --owner "$user" girtline
inside redis-server --bind 127.0.0.1 --save '' --dir "$room" >>"$room/redis.log" 2>&1 &

say "4. the code, and its packages by the page's own line"
git clone --quiet --no-hardlinks "$root" "$srv/app"
chown -R "$user:$user" "$srv/app"
install_line=$(sed -n 's/^4\..*then in that folder `\(.*\)`$/\1/p' "$root/docs/operations.md")
[ -n "$install_line" ]
SECONDS=0
runuser -u "$user" -- env HOME="$srv" PIP_DISABLE_PIP_VERSION_CHECK=1 \
  sh -c "cd '$srv/app' && ${install_line/pip install/pip install --quiet}"
echo "   $SECONDS s"

say "5. settings and a key"
install -d -m 0750 -g "$user" "$etc"
here "$root/docs/deploy/environment" >"$etc/environment"
sed -i "s#^EMAIL_URL=.*#EMAIL_URL=#" "$etc/environment" # no mail server is here: messages are files
python3 -c "import secrets; print(secrets.token_urlsafe(60))" >"$etc/secret_key"
chown "root:$user" "$etc/environment" "$etc/secret_key"
chmod 0640 "$etc/environment" "$etc/secret_key"
python=$srv/app/.venv/bin/python

say "6. migrate, collectstatic, compile, the first person"
as_girtline "$python" manage.py check --deploy --fail-level WARNING
as_girtline "$python" manage.py migrate --verbosity 0
as_girtline "$python" manage.py collectstatic --noinput --verbosity 0
SECONDS=0
as_girtline "$python" -c "from contractor.engine.warm import warm_up; warm_up()"
echo "   compiled in $SECONDS s"
as_girtline env DJANGO_SUPERUSER_PASSWORD='girts at 24 inches' \
  "$python" manage.py createsuperuser --noinput --username root --email root@jobs.example

say "7. the units"
install -d "$room/units"
for file in "$root"/docs/deploy/girtline-*; do here "$file" >"$room/units/${file##*/}"; done
systemd-analyze verify "$room"/units/*.service "$room"/units/*.timer
systemd-analyze calendar "$(sed -n 's/^OnCalendar=//p' "$room/units/girtline-backup.timer")" | grep 'Normalized form'
for name in web worker beat; do unit "$name"; done

say "8. nginx with TLS"
install -d "$room/ssl"
openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=jobs.example \
  -addext subjectAltName=DNS:jobs.example -keyout "$room/ssl/privkey.pem" \
  -out "$room/ssl/fullchain.pem" 2>/dev/null
{
  echo "pid $room/nginx.pid; events {} http {"
  here "$root/docs/deploy/nginx.conf"
  echo "}"
} >"$room/nginx.conf"
inside nginx -t -q -c "$room/nginx.conf" -e "$room/nginx-start.log"
inside nginx -c "$room/nginx.conf" -e "$room/nginx-start.log" -g 'daemon off;' &

say "9. health over TLS"
ask() {
  inside curl --silent --show-error --max-time 60 --cacert "$room/ssl/fullchain.pem" \
    --resolve jobs.example:443:127.0.0.1 --resolve jobs.example:80:127.0.0.1 "$@"
}
is_well() { ask --fail https://jobs.example/health/ | grep -q '"broker": "ok".*"state": "ok"'; }
until_true "database, broker and worker are ok" is_well

say "who signs in gets in"
ask --output "$room/page" --cookie-jar "$room/cookies" https://jobs.example/admin/login/
token=$(sed -n 's/.*csrfmiddlewaretoken" value="\([^"]*\)".*/\1/p' "$room/page" | head -n 1)
ask --output /dev/null --cookie "$room/cookies" --cookie-jar "$room/cookies" \
  --referer https://jobs.example/admin/login/ --write-out '   %{http_code} to %{redirect_url}\n' \
  --data-urlencode "csrfmiddlewaretoken=$token" --data-urlencode username=root \
  --data-urlencode 'password=girts at 24 inches' --data next=/admin/ https://jobs.example/admin/login/
for page in admin/ admin/jobs/job/ admin/board/ admin/health/ api/v1/jobs/; do
  ask --fail --output /dev/null --cookie "$room/cookies" --compressed \
    --write-out "   %{http_code} %{size_download} B /$page\n" "https://jobs.example/$page"
done

say "a firm, planned and published"
if [ -n "$files" ]; then
  cp -r "$files" "$srv/files"
  chown -R "$user" "$srv/files"
  as_girtline sh -c "'$python' manage.py load '$srv'/files/*.csv" | tail -n 1
  as_girtline "$python" manage.py plan --seconds 5 --publish | tail -n 1
else
  as_girtline "$python" manage.py demo --no-serve --seconds 2 | tail -n 1
fi
sums() { # sums FOLDER: of every file of dump
  as_girtline "$python" manage.py dump "$srv/$1" >/dev/null
  (cd "$srv/$1" && sha256sum -- *.csv)
}
sums before >"$room/before"
counts() {
  as_girtline "$python" - <<'PY'
import django, os
os.environ["DJANGO_SETTINGS_MODULE"] = "contractor.settings"
django.setup()
from django.apps import apps
moving = ("heartbeat", "taskrequest", "session")  # what runs meanwhile writes these
for model in sorted(apps.get_models(), key=lambda model: model._meta.label_lower):
    if model._meta.model_name not in moving:
        print(model._meta.label_lower, model._default_manager.count())
PY
}

say "backup by the unit's line, the database destroyed, and back"
end ps -o pid= -u "$user"
counts >"$room/rows_before"
grep -E '^jobs.(job|booking|phase) ' "$room/rows_before" | tr '\n' ' ' | sed 's/^/   /'
echo
read -ra line < <(line_of girtline-backup.service)
SECONDS=0
as_girtline "${line[@]}"
echo "   backed up in $SECONDS s"
as_girtline psql --quiet --host "$room/run" --dbname girtline \
  --command 'DROP SCHEMA public CASCADE; CREATE SCHEMA public;' 2>/dev/null
SECONDS=0
as_girtline sh -c "'$python' manage.py restore '$srv'/backups/girtline-*.tar" | tail -n 1
echo "   restored in $SECONDS s"
as_girtline "$python" manage.py migrate --verbosity 0
counts >"$room/rows_after"
sums after >"$room/after"
diff "$room/rows_before" "$room/rows_after"
diff "$room/before" "$room/after"
echo "   $(wc -l <"$room/rows_after") tables with as many rows, $(wc -l <"$room/after") files of dump the same"

say "all as docs/operations.md says"
