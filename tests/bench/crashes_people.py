"""Who is at it in `tests.bench.crashes`: the office, phones, calendars, and what they were told."""

from __future__ import annotations

import random
import re
from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any
from uuid import uuid4

if TYPE_CHECKING:
    import httpx

OFFICE, PHONE, CALENDAR = "office", "phone", "calendar"
DOES = ("STARTED", "SHARE 0.3", "SHARE 0.6", "DONE", "DONE")
HIDDEN = re.compile(r'name="([a-z]+)" value="([^"]*)"')


class Met:
    """What was answered, and what was told as kept."""

    def __init__(self) -> None:
        self.codes: dict[str, Counter[str]] = {who: Counter() for who in (OFFICE, PHONE, CALENDAR)}
        self.faults: list[str] = []
        self.kept: dict[str, str] = {}
        self.accepted = 0
        self.sequences: dict[str, int] = {}

    def ask(self, who: str, client: httpx.Client, method: str, url: str, **more: Any) -> Any:
        """Ask once; None where the server went away meanwhile."""
        import httpx

        try:
            answer = client.request(method, url, **more)
        except httpx.TransportError as gone:
            self.codes[who][type(gone).__name__] += 1
            return None
        self.codes[who][str(answer.status_code)] += 1
        if answer.status_code >= 500:
            self.faults.append(f"{method} {url}: {answer.status_code} {answer.text[:300]}")
        return answer


class Office:
    """One of the office at the board, at drafts and proposals."""

    def __init__(self, met: Met, client: httpx.Client, luck: random.Random) -> None:
        self.met, self.client, self.luck = met, client, luck

    def once(self) -> None:
        """Do one thing."""
        if "csrftoken" not in self.client.cookies:
            self.get("/admin/jobs/callback/")
            self.get("/admin/board/")
        does = (self.move, self.move, self.publish, self.undo, self.rain, self.ask, self.decide)
        self.luck.choice(does)()

    def get(self, url: str) -> Any:
        return self.met.ask(OFFICE, self.client, "GET", url)

    def post(self, url: str, data: dict[str, Any]) -> Any:
        token = self.client.cookies.get("csrftoken", "")
        headers = {"X-CSRFToken": token, "Referer": str(self.client.base_url)}
        return self.met.ask(OFFICE, self.client, "POST", url, data=data, headers=headers)

    def move(self) -> None:
        """Try a move and accept it if it works."""
        from django.utils import timezone

        from jobs.models import Booking
        from jobs.selectors import board_version

        rows = Booking.objects.filter(is_live=True, phase__status="OPEN", crew__isnull=False)
        row = self.luck.choice(list(rows.order_by("pk")))
        day = timezone.localdate(row.starts_at) + timedelta(days=self.luck.choice((0, 1, 7)))
        crew = self.luck.choice((row.crew_id, row.crew_id, *crews()))
        given = {"kind": "MOVE", "phase": row.phase_id, "crew": crew, "day": day.isoformat()}
        shown = self.post("/admin/board/try/", {**given, "seen": board_version.version()})
        if shown is None or shown.status_code != 200:
            return
        form = shown.text.split('action="/admin/board/accept/"')[-1].split("</form>")[0]
        done = self.post("/admin/board/accept/", dict(HIDDEN.findall(form)))
        if done is not None and done.status_code == 302:
            self.met.accepted += 1

    def undo(self) -> None:
        from jobs.models import BoardMove

        row = BoardMove.objects.filter(undone_at=None).order_by("-pk").first()
        if row is not None:
            self.post(f"/admin/board/moves/{row.pk}/undo/", {})

    def publish(self) -> None:
        from jobs.models import Plan

        draft = Plan.objects.filter(status="DRAFT").order_by("-pk").first()
        if draft is not None:
            self.post(f"/admin/jobs/plan/{draft.pk}/publish/", {})

    def rain(self) -> None:
        self.post("/admin/jobs/replanproposal/rain/", {"crew": [self.luck.choice(crews())]})

    def ask(self) -> None:
        self.post("/admin/jobs/plan/ask/", {})

    def decide(self) -> None:
        from jobs.models import ReplanProposal

        row = ReplanProposal.objects.filter(state="OPEN").first()
        if row is not None:
            does = self.luck.choice(("accept", "drop"))
            address = f"/admin/jobs/replanproposal/{row.pk}/{does}/"
            self.post(address, {"plan": row.plan_id, "reason": "not now"})


class Phone:
    """A phone that keeps what it was told to send until it is answered."""

    def __init__(self, met: Met, client: httpx.Client, crew: int, luck: random.Random) -> None:
        self.met, self.client, self.crew, self.luck = met, client, crew, luck
        self.waiting: list[dict[str, str]] = []

    def once(self) -> None:
        """Look at the week, or say how far the work is."""
        from jobs.models import Booking

        self.met.ask(PHONE, self.client, "GET", "/phone/")
        rows = Booking.objects.filter(is_live=True, crew=self.crew).order_by("starts_at")
        phases = list(rows.exclude(phase__status="DONE").values_list("phase", flat=True)[:3])
        if phases:
            self.waiting.append(
                {
                    "id": str(uuid4()),
                    "made_at": datetime.now(UTC).isoformat(),
                    "phase": str(self.luck.choice(phases)),
                    "do": self.luck.choice(DOES),
                }
            )
        self.send()

    def send(self) -> None:
        """Send what waits; a doubled sending now and then, as by a bad line."""
        headers = {"X-Outbox": "1", "Accept": "application/json"}
        for _ in range(self.luck.choice((1, 1, 2))):
            answer = self.met.ask(
                PHONE,
                self.client,
                "POST",
                "/phone/reports/",
                json={"reports": self.waiting},
                headers=headers,
            )
        if answer is not None and answer.status_code == 200:
            told = answer.json()["results"]
            self.met.kept |= {row["id"]: row["result"] for row in told}
            answered = {row["id"] for row in told}
            self.waiting = [row for row in self.waiting if row["id"] not in answered]


class Calendar:
    """A calendar program that watches numbers of revision."""

    def __init__(self, met: Met, client: httpx.Client, path: str) -> None:
        self.met, self.client, self.path = met, client, path

    def once(self) -> None:
        """Fetch the calendar; no event of it may go back to an older revision."""
        answer = self.met.ask(CALENDAR, self.client, "GET", self.path)
        if answer is None or answer.status_code != 200:
            return
        uids = re.findall(r"\nUID:(\S+)", answer.text)
        if len(uids) != len(set(uids)):
            self.met.faults.append(f"{self.path}: an event is there twice")
        numbers = map(int, re.findall(r"\nSEQUENCE:(\d+)", answer.text))
        for uid, number in zip(uids, numbers, strict=True):
            if number < self.met.sequences.get(uid, 0):
                self.met.faults.append(f"{uid}: SEQUENCE went down to {number}")
            self.met.sequences[uid] = number


def crews() -> list[int]:
    """Return the crews of the firm, by their primary keys."""
    from crews.models import Crew

    return list(Crew.objects.order_by("pk").values_list("pk", flat=True))
