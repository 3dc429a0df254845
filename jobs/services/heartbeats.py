"""Signs of life as rows: a worker that runs tasks, the hosts they run on, a backup made."""

from __future__ import annotations

import zlib
from datetime import timedelta
from typing import TYPE_CHECKING

from jobs.models import Heartbeat
from jobs.selectors.running import BACKUP, CLOCK, HOST_MARK, WORKER

if TYPE_CHECKING:
    from datetime import datetime

HOST_FORGOTTEN_AFTER = timedelta(days=1)


def beat(*, host: str, now: datetime, own_now: datetime) -> None:
    """
    Note that a worker on `host` runs tasks at `now` by the database, `own_now` by its own clock.

    Any worker may get the message, so each host is heard of now and then only. One of which
    nothing was heard for a day is taken for gone.
    """
    for name, at in ((WORKER, now), (CLOCK, own_now), (_host_name(host), now)):
        Heartbeat.objects.update_or_create(name=name, defaults={"beat_at": at})
    Heartbeat.objects.filter(
        name__startswith=HOST_MARK, beat_at__lt=now - HOST_FORGOTTEN_AFTER
    ).delete()


def note_backup(*, now: datetime) -> None:
    """Note that a backup was made."""
    Heartbeat.objects.update_or_create(name=BACKUP, defaults={"beat_at": now})


def _host_name(host: str) -> str:
    """Return a row's name for a host: its first label, with a sum where that is too long."""
    longest = Heartbeat._meta.get_field("name").max_length or 0
    label = HOST_MARK + host.split(".")[0]
    if len(label) <= longest:
        return label
    return f"{label[: longest - 9]}-{zlib.crc32(host.encode()):08x}"
