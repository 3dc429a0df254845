"""
Everything that a firm would miss, in one file, and back from it.

The database is copied as of one moment while the service runs: by PostgreSQL's own programs, or by
SQLite's own copying. Photos are copied after it, and none is ever changed, so every photo that a
row names is there.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import subprocess
import tarfile
import tempfile
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from django.conf import settings
from django.db import DatabaseError, connection
from psycopg.conninfo import make_conninfo
from psycopg.pq import Conninfo

from jobs.services import heartbeats

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime

MANIFEST = "manifest.json"
DATABASE = "database"
MEDIA = "media"
_PROGRAMS = ("pg_dump", "pg_restore", "psql")


class BackupRefused(Exception):  # noqa: N818 - an answer with its reason
    """A backup that cannot be made, or not be restored; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class BackedUp:
    """A backup: where it lies, how large it is, and how many photos it holds."""

    path: Path
    size_bytes: int
    photos: int


def back_up(*, folder: Path, now: datetime, keep: int = 0) -> BackedUp:
    """
    Write a backup into a folder and return it; of older ones the newest stay, `keep` in all.

    It is there whole or not at all, readable by its owner only. `keep` 0 removes none.

    Raises
    ------
    BackupRefused
        If a program of PostgreSQL is missing or fails, or the folder cannot be written.
    """
    target = folder / f"girtline-{now:%Y%m%dT%H%M%SZ}.tar"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".girtline-", dir=folder) as scratch:
            room = Path(scratch)
            copy = room / DATABASE
            _copy_database(copy)
            photos = sorted(path for path in _photos() if path.is_file())
            parts = {DATABASE: copy, **{f"{MEDIA}/{_name(path)}": path for path in photos}}
            whole = room / target.name
            _pack(whole, parts, now)
            whole.chmod(0o600)
            os.replace(whole, target)
    except OSError as error:
        raise BackupRefused(f"{error}. Name a folder that can be written, with room.") from error
    heartbeats.note_backup(now=now)
    if keep:
        for old in sorted(folder.glob("girtline-*Z.tar"))[:-keep]:
            old.unlink()
    return BackedUp(target, target.stat().st_size, len(photos))


def restore(*, path: Path, replace: bool = False) -> dict[str, Any]:
    """
    Put the database and photos of a backup in place, and return what the backup says of itself.

    Every part is held against its sum first. The database is replaced in one step or stays as it
    was. Stop web, workers and beat before, and run `migrate` after.

    Raises
    ------
    BackupRefused
        If the file is damaged, of another kind of database, or would replace jobs that are there
        without `replace`.
    """
    with tempfile.TemporaryDirectory(prefix="girtline-restore-") as scratch:
        room = Path(scratch)
        told = _unpacked(path, room)
        if told["database"] != connection.vendor:
            raise BackupRefused(
                f"{path}: it holds a database of {told['database']}, and this service runs on "
                f"{connection.vendor}. Set DATABASE_URL to the same kind, or move by dump and load."
            )
        if not replace and (jobs := _jobs_there()):
            raise BackupRefused(
                f"{jobs} jobs are in this database. Add --replace to put the backup in their place."
            )
        _put_database(room / DATABASE)
        if (room / MEDIA).exists():
            shutil.copytree(room / MEDIA, settings.MEDIA_ROOT, dirs_exist_ok=True)
    return told


def _copy_database(copy: Path) -> None:
    if connection.vendor == "sqlite":
        with (
            closing(sqlite3.connect(str(connection.settings_dict["NAME"]))) as now_there,
            closing(sqlite3.connect(copy)) as copied,
        ):
            now_there.backup(copied)
            return
    _run("pg_dump", "--format=custom", "--no-owner", "--no-acl", "--file", str(copy))


def _put_database(copy: Path) -> None:
    if connection.vendor == "sqlite":
        _put_sqlite(copy)
        return
    script = copy.with_suffix(".sql")
    _run("pg_restore", "--no-owner", "--no-acl", "--file", str(script), str(copy), connects=False)
    # One transaction: whoever reads sees the old rows or the new ones.
    fresh = "DROP SCHEMA public CASCADE; CREATE SCHEMA public;"
    options = ("--no-psqlrc", "--quiet", "--set", "ON_ERROR_STOP=1", "--single-transaction")
    connection.close()
    _run("psql", *options, "--output", os.devnull, "--command", fresh, "--file", str(script))


def _put_sqlite(copy: Path) -> None:
    target = Path(str(connection.settings_dict["NAME"]))
    with closing(sqlite3.connect(copy)) as copied:
        verdict = copied.execute("PRAGMA integrity_check").fetchone()[0]
    if verdict != "ok":
        raise BackupRefused(f"The database in the backup is damaged: {verdict}. Take another.")
    connection.close()
    target.parent.mkdir(parents=True, exist_ok=True)
    beside = target.with_name(f".{target.name}.restored")
    shutil.copyfile(copy, beside)
    beside.chmod(0o600)
    # What was written ahead belongs to the database that goes, and would spoil the one that comes.
    for tail in ("-wal", "-shm"):
        target.with_name(target.name + tail).unlink(missing_ok=True)
    os.replace(beside, target)


def _jobs_there() -> int:
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT count(*) FROM jobs_job")
            return int(cursor.fetchone()[0])
    except DatabaseError:
        return 0  # destroyed, or new
    finally:
        connection.close()


def _photos() -> Iterator[Path]:
    return Path(settings.MEDIA_ROOT).rglob("*")


def _name(photo: Path) -> str:
    return photo.relative_to(settings.MEDIA_ROOT).as_posix()


def _pack(whole: Path, parts: dict[str, Path], now: datetime) -> None:
    """Write the parts with a list of their sums, which is the first thing in the file."""
    told = {
        "made_at": now.isoformat(),
        "database": connection.vendor,
        "parts": {name: _sum(path) for name, path in parts.items()},
    }
    listed = whole.with_name(MANIFEST)
    listed.write_text(json.dumps(told, indent=1))
    with tarfile.open(whole, "w") as tar:
        tar.add(listed, MANIFEST)
        for name, part in parts.items():
            tar.add(part, name, recursive=False)


def _unpacked(path: Path, room: Path) -> dict[str, Any]:
    """Return what the backup says of itself, its parts unpacked and held against their sums."""
    try:
        with tarfile.open(path) as tar:
            told: dict[str, Any] = json.load(_part(tar, MANIFEST))
            for name in told["parts"]:
                target = (room / name).resolve()
                if not target.is_relative_to(room.resolve()):
                    raise ValueError(f"{name} would lie outside of it")
                target.parent.mkdir(parents=True, exist_ok=True)
                with target.open("wb") as file:
                    shutil.copyfileobj(_part(tar, name), file)
        wrong = [name for name, sha in told["parts"].items() if _sum(room / name) != sha]
    except (OSError, tarfile.TarError, ValueError, KeyError) as error:
        raise BackupRefused(f"{path}: not a whole backup ({error}). Take another.") from error
    if wrong:
        raise BackupRefused(f"{path}: {wrong[0]} is not as it was written. Take another backup.")
    return told


def _part(tar: tarfile.TarFile, name: str) -> IO[bytes]:
    found = tar.extractfile(name)
    if found is None:
        raise ValueError(f"{name} is no file")
    return found


def _sum(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def where_to_connect(parameters: Mapping[str, Any]) -> str:
    """
    Return all that the service itself connects by as one text for PostgreSQL's programs.

    Host and TLS may stand in the address's query, and a program that was told less would connect
    elsewhere, or less safely. Passwords are not in it, as lists of processes show it.
    """
    known = {option.keyword.decode() for option in Conninfo.get_defaults()}
    return make_conninfo(
        **{
            name: value
            for name, value in parameters.items()
            if name in known and "password" not in name
        }
    )


def _run(program: str, *arguments: str, connects: bool = True) -> None:
    """Run a program of PostgreSQL on the service's database; its password is in no list."""
    assert program in _PROGRAMS
    where: tuple[str, ...] = ()
    environment = dict(os.environ)
    if connects:
        given = connection.get_connection_params()
        where = ("--dbname", where_to_connect(given))
        if given.get("password"):
            environment["PGPASSWORD"] = str(given["password"])
    try:
        subprocess.run(
            [program, *where, *arguments],
            env=environment,
            check=True,
            capture_output=True,
            text=True,
        )
    except FileNotFoundError:
        raise BackupRefused(
            f"{program} is missing. Install Debian's package postgresql-client."
        ) from None
    except subprocess.CalledProcessError as error:
        last = (error.stderr or "").strip().splitlines()[-1:] or ["no reason given"]
        raise BackupRefused(f"{program} failed: {last[0]}") from error
