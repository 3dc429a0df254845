"""Three independent readers of iCalendar text, each giving the same plain rows."""

import json
import shutil
import subprocess
import tempfile
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import icalendar
import vobject
from django.conf import settings

from tests.needs import missing
from tests.processes import PATIENCE_SECONDS

ICAL_JS = "ical.js@2.2.1"
SCRIPT = Path(__file__).with_name("read_feed.mjs")


@dataclass(frozen=True, slots=True, order=True)
class ReadEvent:
    """An event as a reader understands it; start and end in ISO 8601."""

    uid: str
    summary: str
    location: str
    description: str
    start: str
    end: str


def read_with_icalendar(body: bytes) -> list[ReadEvent]:
    """Return the events as `icalendar` reads them."""
    return sorted(
        ReadEvent(
            uid=str(event["UID"]),
            **{name: str(event.get(name.upper(), "")) for name in _TEXTS},
            start=_iso(event["DTSTART"].dt),
            end=_iso(event["DTEND"].dt),
        )
        for event in icalendar.Calendar.from_ical(body).events
    )


def read_with_vobject(body: bytes) -> list[ReadEvent]:
    """Return the events as `vobject` reads them."""
    calendar = vobject.readOne(body.decode())
    return sorted(
        ReadEvent(
            uid=event.uid.value,
            **{name: event.getChildValue(name, "") for name in _TEXTS},
            start=_iso(event.dtstart.value),
            end=_iso(event.dtend.value),
        )
        for event in calendar.contents.get("vevent", [])
    )


def read_with_ical_js(body: bytes) -> list[ReadEvent]:
    """Return the events as the npm package ical.js reads them."""
    done = subprocess.run(
        ["node", str(SCRIPT), str(_ical_js())],
        input=body,
        capture_output=True,
        timeout=PATIENCE_SECONDS,
    )
    assert done.returncode == 0, done.stderr.decode()
    rows = [ReadEvent(**row) for row in json.loads(done.stdout)]
    return sorted(_with_python_times(row) for row in rows)


_TEXTS = ("summary", "location", "description")


def _iso(moment: date | datetime) -> str:
    if not isinstance(moment, datetime):
        return moment.isoformat()
    assert moment.tzinfo is not None, "a floating time has no place in a feed"
    return moment.astimezone(UTC).isoformat()


def _with_python_times(row: ReadEvent) -> ReadEvent:
    values: dict[str, Any] = asdict(row)
    for name in ("start", "end"):
        if "T" in values[name]:
            values[name] = _iso(datetime.fromisoformat(values[name]))
    return ReadEvent(**values)


def _ical_js() -> Path:
    """Return the folder of ical.js, after installing it into var/node if it is not there."""
    home = settings.BASE_DIR / "var" / "node"
    package = home / "node_modules" / "ical.js"
    if package.exists():
        return Path(package)
    npm = shutil.which("npm")
    if npm is None:
        missing("needs npm to install ical.js: install Debian's package npm")
    home.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=home.parent) as folder:
        install = [str(npm), "install", "--ignore-scripts", "--no-audit", "--no-fund"]
        done = subprocess.run(
            [*install, "--prefix", folder, ICAL_JS],
            capture_output=True,
            text=True,
            timeout=PATIENCE_SECONDS,
        )
        if done.returncode != 0:
            missing(f"npm could not install {ICAL_JS}: {done.stderr.strip()[-300:]}")
        # Two test processes may install at once; whoever is second finds it done.
        try:
            Path(folder).rename(home)
        except OSError:
            assert package.exists()
        else:
            Path(folder).mkdir()
    return Path(package)
