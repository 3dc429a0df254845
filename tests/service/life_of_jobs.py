"""The whole life of a small firm's jobs, one step at a time and in any order, for hypothesis."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from django.urls import reverse
from hypothesis import strategies as st
from hypothesis.stateful import initialize, invariant, rule

from contractor.trade.errors import SpecError
from contractor.trade.kinds import Foundation
from jobs.models import Callback, Delivery, Job, SetAside
from jobs.services import callbacks, outbox
from tests.service import life_checks
from tests.service.address_table import table
from tests.service.life_board import Board
from tests.service.life_firm import ANY, pick
from tests.service.life_office import Office
from tests.service.life_papers import Papers
from tests.service.life_people import People
from tests.service.life_readers import Readers
from tests.service.life_sites import Sites
from tests.service.portfolio import MONDAY

PAGES = sorted(
    f"/{route}"
    for route, page in table().items()
    if {"o", "w"} & set(page.reads) and not set(route) & set("<^(") and route != "admin/logout/"
)
"""Every address that reads something and names no row."""


# In June; before clocks go back and forward; before the year ends, with its holidays.
BEGINNINGS = (
    MONDAY,
    MONDAY,
    MONDAY.replace(month=10, day=26),
    MONDAY.replace(month=12, day=21),
    MONDAY.replace(year=2027, month=3, day=8),
)


class Life(Office, Sites, Board, People, Papers, Readers):
    """A firm of two crews from its first sale on."""

    @initialize(
        begins=st.sampled_from(BEGINNINGS),
        sold=st.sampled_from((0, 1, 2, 2, 3, 3)),
        foundation=st.sampled_from(list(Foundation)),
    )
    def open_the_firm(self, begins: datetime, sold: int, foundation: Foundation) -> None:
        """Begin as a firm that has sold so much and told its crews of it, with its pits marked."""
        self.open(begins)
        for number in range(sold):
            self.sell(foundation, 30, 0, number == 1, 45, None, 20)
            self.call_the_locate_ticket(number, 30)
        for crew in (0, 1):
            self.a_phone_is_let_in(crew)
            self.a_calendar_gets_a_reader("CREW", crew)
        self.a_calendar_gets_a_reader("FIRM", 0)
        if sold:
            self.a_calendar_gets_a_reader("BUYER", 0)
            self.a_buyer_gets_a_link(0, "make")
            Delivery.objects.filter(job__number__endswith="1").update(arrived_on=self.day(0))
            self.plan_and_publish()

    # --- the end, and after it ------------------------------------------------------------------

    @rule(which=ANY, kind=st.sampled_from(("PUNCH", "WARRANTY", "OUTSIDE")))
    def ask_for_a_callback(self, which: int, kind: str) -> None:
        job, today = pick(Job.objects.all(), which), self.day(0)
        if job is not None and today is not None:
            self.refusable(
                lambda: callbacks.ask_for(
                    job=job, kind=kind, what="Door sticks", asked_on=today, now=self.now
                ),
                SpecError,
            )

    @rule(
        which=ANY,
        does=st.sampled_from(("book", "free", "finish", "reopen")),
        crew=st.sampled_from((0, 1)),
        days=st.integers(0, 6),
    )
    def callback(self, which: int, does: str, crew: int, days: int) -> None:
        row, day, today = pick(Callback.objects.all(), which), self.day(days), self.day(0)
        if row is None or day is None or today is None:
            return
        calls: dict[str, Callable[[], Any]] = {
            "book": lambda: callbacks.book_round(
                callback_ids=[row.pk], crew_id=self.crews[crew].pk, day=day, now=self.now
            ),
            "free": lambda: callbacks.free_round(
                round_id=row.round_id or SetAside.objects.count() + 1000, now=self.now
            ),
            "finish": lambda: callbacks.finish(callback_id=row.pk, done_on=today, now=self.now),
            "reopen": lambda: callbacks.reopen(callback_id=row.pk, now=self.now),
        }
        self.refusable(calls[does], SpecError)

    @rule(which=ANY)
    def complete(self, which: int) -> None:
        job, today = pick(Job.objects.all(), which), self.day(0)
        if job is not None and today is not None:
            self.refusable(
                lambda: callbacks.complete(job=job, completed_on=today, now=self.now), SpecError
            )

    @rule(which=ANY, status=st.sampled_from(("ON_HOLD", "SIGNED", "CANCELLED")))
    def hold_the_job_or_go_on(self, which: int, status: str) -> None:
        job = pick(Job.objects.exclude(status="DONE"), which)
        if job is not None:
            Job.objects.filter(pk=job.pk).update(status=status)

    # --- time, mail, and people who look --------------------------------------------------------

    @rule(hours=st.sampled_from((1, 5, 20, 24, 72, 170)))
    def time_passes(self, hours: int) -> None:
        self.wait_until(self.now + timedelta(hours=hours))

    @rule()
    def mail_goes_out(self) -> None:
        for person in outbox.people_due(now=self.now):
            outbox.send_due(person=person, now=self.now)
        assert outbox.people_due(now=self.now) == []

    @rule(page=st.sampled_from(PAGES))
    def somebody_looks(self, page: str) -> None:
        self.client.force_login(self.office)  # a session does not last for weeks
        client = self.owner if page.startswith("/api/") else self.client
        assert client.get(page).status_code < 500

    @rule(which=ANY)
    def somebody_looks_at_a_job(self, which: int) -> None:
        job = pick(Job.objects.all(), which)
        if job is not None:
            self.client.force_login(self.office)
            page = self.client.get(reverse("admin:jobs_job_change", args=[job.pk]))
            assert page.status_code == 200, (job, page.status_code, page.headers)

    # --- what holds after every step ------------------------------------------------------------

    @invariant()
    def everything_holds(self) -> None:
        life_checks.check_plans()
        life_checks.check_nobody_in_two_places()
        life_checks.check_phases()
        life_checks.check_notices()
        life_checks.check_slips()
        self.record.check()
        self.calendars.check()
        self.pins.check(by_hand=self.by_hand)
        self.by_hand = False
        # No two things happen at one moment, as no two clicks do.
        self.wait_until(self.now + timedelta(seconds=1))
