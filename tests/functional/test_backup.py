"""A database destroyed in mid-work comes back from its backup with all that was published."""

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tarfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from uuid import uuid4

import psycopg
import pytest

ROOT = Path(__file__).resolve().parents[2]

BUILD = """
from io import BytesIO
from PIL import Image
from django.core.management import call_command
from django.core.files.base import ContentFile
from django.utils import timezone
from jobs.models import FieldReport, Phase, ReportPhoto
from jobs.services import planning, publishing
from tests.service.portfolio import make_firm, make_job
call_command("migrate", verbosity=0)
make_firm(crews=2)
for number in range(3):
    make_job(number=f"26-{number:03d}")
now = timezone.now()
plan = planning.plan_now(now=now, budget_seconds=0)
publishing.publish(plan_id=plan.pk, now=now)
report = FieldReport.objects.create(
    phase=Phase.objects.first(), kind="NOTE", made_at=now, received_at=now, note="first"
)
picture = BytesIO()
Image.new("RGB", (40, 30), "green").save(picture, "JPEG")
photo = ReportPhoto(report=report, sha256="0" * 64, width_px=40, height_px=30, received_at=now)
photo.file.save("holes.jpg", ContentFile(picture.getvalue()))
"""
WORK = """
import itertools
from django.utils import timezone
from jobs.models import FieldReport, Phase
phase = Phase.objects.first()
for number in itertools.count():
    now = timezone.now()
    FieldReport.objects.create(
        phase=phase, kind="NOTE", made_at=now, received_at=now, note=f"while it ran {number}"
    )
    print(number, flush=True)
"""
# A process that does one command after the other, so that Python and Django start but once.
ANSWER = """
import io, json, sys
from django.core.management import CommandError, call_command
for line in sys.stdin:
    said = io.StringIO()
    try:
        call_command(*json.loads(line), stdout=said)
    except CommandError as refused:
        said.write(f"refused: {refused}")
    print(json.dumps(said.getvalue()), flush=True)
"""
BOOKINGS = (
    "SELECT phase_id, crew_id, starts_at, ends_at FROM jobs_booking WHERE is_live ORDER BY id"
)
EVENTS = "SELECT uid, sequence, summary FROM crews_feedevent ORDER BY id"


class Installation:
    """A service of its own: commands run in it as a person would run them."""

    def __init__(self, var_dir: Path, database_url: str = "") -> None:
        taken = ("DATABASE_URL", "REDIS_URL", "DJANGO_SETTINGS_MODULE")
        self.environment = {k: v for k, v in os.environ.items() if k not in taken} | {
            "VAR_DIR": str(var_dir),
            "LOG_LEVEL": "WARNING",
            "DJANGO_SETTINGS_MODULE": "contractor.settings",
        }
        self.var_dir, self.database_url = var_dir, database_url
        if database_url:
            self.environment["DATABASE_URL"] = database_url

    def manage(self, *words: str) -> str:
        done = subprocess.run(
            [sys.executable, "manage.py", *words],
            cwd=ROOT,
            env=self.environment,
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    def start(self, program: str, *, listens: bool = False) -> "subprocess.Popen[str]":
        return subprocess.Popen(
            [sys.executable, "-c", f"import django; django.setup()\n{program}"],
            cwd=ROOT,
            env=self.environment,
            stdin=subprocess.PIPE if listens else subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            text=True,
        )

    def run(self, program: str) -> None:
        running = self.start(program)
        running.communicate()
        assert running.returncode == 0

    def rows(self, sql: str) -> list[tuple[Any, ...]]:
        """Read the database past the service: whole values, as they lie there."""
        if self.database_url:
            with psycopg.connect(self.database_url) as server:
                return server.execute(sql).fetchall()  # type: ignore[arg-type]
        with closing(sqlite3.connect(self.var_dir / "girtline.sqlite3")) as database:
            return database.execute(sql).fetchall()

    def tells(self) -> dict[str, Any]:
        photos = [str(row[0]) for row in self.rows("SELECT file FROM jobs_reportphoto")]
        return {
            "bookings": self.rows(BOOKINGS),
            "events": self.rows(EVENTS),
            "reports": self.rows("SELECT count(*) FROM jobs_fieldreport")[0][0],
            "photos": [(self.var_dir / "media" / name).read_bytes()[:3].hex() for name in photos],
        }


class Commands:
    """Commands of one installation, one after the other in one process."""

    def __init__(self, service: Installation) -> None:
        self.service = service
        self.process = service.start(ANSWER, listens=True)

    def __call__(self, *words: str) -> str:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps(words) + "\n")
        self.process.stdin.flush()
        answer: str = json.loads(self.process.stdout.readline())
        return answer


Destroy = Callable[[], None]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of an embedded firm that has published a plan, to be copied."""
    folder = tmp_path_factory.mktemp("built")
    Installation(folder).run(BUILD)
    return folder


@pytest.fixture(scope="module")
def commands(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Commands]:
    """One process for the tests that destroy nothing; each leaves the firm as it found it."""
    folder = tmp_path_factory.mktemp("kept") / "var"
    shutil.copytree(built, folder)
    asked = Commands(Installation(folder))
    yield asked
    asked.process.communicate()


@pytest.fixture
def embedded(built: Path, tmp_path: Path) -> tuple[Installation, Destroy]:
    shutil.copytree(built, tmp_path / "var")

    def destroy() -> None:
        for file in tmp_path.glob("var/girtline.sqlite3*"):
            file.write_bytes(b"\0" * file.stat().st_size)

    return Installation(tmp_path / "var"), destroy


@pytest.fixture
def on_postgres(tmp_path: Path) -> Iterator[tuple[Installation, Destroy]]:
    whole = os.environ["DATABASE_URL"]
    name = f"backup_{uuid4().hex[:12]}"
    url = urlsplit(whole)._replace(path=f"/{name}").geturl()
    with psycopg.connect(whole, autocommit=True) as server:
        server.execute(f'CREATE DATABASE "{name}"')

    def destroy() -> None:
        with psycopg.connect(url, autocommit=True) as server:
            server.execute("DROP SCHEMA public CASCADE; CREATE SCHEMA public")

    service = Installation(tmp_path / "var", url)
    service.run(BUILD)
    yield service, destroy
    with psycopg.connect(whole, autocommit=True) as server:
        server.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


def comes_back(service: Installation, destroy: Destroy, folder: Path) -> None:
    before = service.tells()
    working = service.start(WORK)
    assert working.stdout is not None
    while int(working.stdout.readline()) < 5:
        pass

    said = service.manage("backup", str(folder))

    working.send_signal(signal.SIGKILL)
    working.wait()
    working.stdout.close()
    destroy()
    photos = list(service.var_dir.glob("media/reports/*"))
    assert photos
    for photo in photos:
        photo.unlink()
    backup = next(folder.glob("girtline-*.tar"))
    answer = service.manage("restore", str(backup))
    after = service.tells()
    assert str(backup) in said
    assert "1 photos" in answer
    assert before["bookings"]
    assert {k: after[k] for k in ("bookings", "events", "photos")} == {
        k: before[k] for k in ("bookings", "events", "photos")
    }
    assert after["photos"] == ["ffd8ff"]
    assert int(str(after["reports"])) >= int(str(before["reports"])) + 6
    noted = service.rows("SELECT beat_at FROM jobs_heartbeat WHERE name = 'backup'")
    assert len(noted) == 1  # health knows of the backup that it came back from
    assert backup.stat().st_mode & 0o777 == 0o600


def test_the_embedded_default_comes_back(
    embedded: tuple[Installation, Destroy], tmp_path: Path
) -> None:
    comes_back(*embedded, tmp_path / "kept")


@pytest.mark.services
def test_postgresql_comes_back(on_postgres: tuple[Installation, Destroy], tmp_path: Path) -> None:
    comes_back(*on_postgres, tmp_path / "kept")


def test_what_is_there_is_not_replaced_unasked_and_a_damaged_backup_never_is(
    commands: Commands, tmp_path: Path
) -> None:
    service = commands.service
    commands("backup", str(tmp_path / "kept"))
    backup = next((tmp_path / "kept").glob("*.tar"))
    before = service.tells()
    with closing(sqlite3.connect(service.var_dir / "girtline.sqlite3")) as database, database:
        database.execute("DELETE FROM jobs_reportphoto")
        database.execute("DELETE FROM jobs_fieldreport")
    there = service.tells()

    unasked = commands("restore", str(backup))
    whole = backup.read_bytes()
    backup.write_bytes(whole[: len(whole) // 2])
    cut = commands("restore", str(backup), "--replace")
    at = whole.index(b"SQLite format 3") + 5000
    backup.write_bytes(whole[:at] + b"XXXX" + whole[at + 4 :])
    changed = commands("restore", str(backup), "--replace")

    assert "Add --replace" in unasked
    assert "not a whole backup" in cut
    assert "database is not as it was written" in changed
    assert service.tells() == there
    backup.write_bytes(whole)
    assert "Restored what was there" in commands("restore", str(backup), "--replace")
    assert service.tells() == before != there


def test_only_the_newest_are_kept_each_a_sound_database_and_the_last_is_noted(
    commands: Commands, tmp_path: Path
) -> None:
    for _ in range(3):
        commands("backup", str(tmp_path / "kept"), "--keep", "2")
        time.sleep(1.1)  # names are by the second

    kept = sorted((tmp_path / "kept").iterdir())
    assert len(kept) == 2
    with tarfile.open(kept[-1]) as tar:
        assert tar.getnames()[0] == "manifest.json"
        copied = tar.extractfile("database")
        assert copied is not None
        (tmp_path / "copy.sqlite3").write_bytes(copied.read())
    with closing(sqlite3.connect(tmp_path / "copy.sqlite3")) as copy:
        assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    noted = commands.service.rows("SELECT beat_at FROM jobs_heartbeat WHERE name = 'backup'")
    assert f"{noted[0][0][:10].replace('-', '')}T" in kept[-1].name
