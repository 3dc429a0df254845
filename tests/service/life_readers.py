"""Who looks at a small firm from outside: calendars, buyers, phones, and people without a right."""

from typing import Any
from urllib.parse import urlsplit
from uuid import UUID

from django.test import Client
from django.utils import timezone
from hypothesis import strategies as st
from hypothesis.stateful import rule

from crews.feeds import render
from crews.models import Crew, FeedSubscription, Phone
from crews.selectors.feeds import feed_events
from crews.services import feed_links, phones
from crews.services.phone_reports import (
    Arrival,
    GradeShots,
    PhoneReport,
    VisitResult,
    take_phone_reports,
)
from inspections.models import Inspection
from jobs.models import Booking, BuyerLink, Delivery, FieldReport, Job, Phase
from jobs.services import buyer_links
from jobs.services.feed_readers import subscribe_to
from jobs.services.new_report import NewReport
from jobs.services.reporting import Outcome
from tests import factories
from tests.service.address_table import table
from tests.service.life_firm import ANY, Firm, everything, pick

SHOTS = ("FRONT_LEFT", "FRONT_RIGHT", "BACK_LEFT", "BACK_RIGHT")
OTHERS = {
    "s": factories.SellerFactory,
    "r": factories.ReadOnlyFactory,
    "x": factories.StrangerFactory,
    "a": None,
}
CLOSED = {
    letter: sorted(
        f"/{route}"
        for route, page in table().items()
        if letter not in page.reads and not set(route) & set("<^(")
    )
    for letter in OTHERS
}
"""For each who may not read all: every address that is closed to them and names no row."""


class Readers(Firm):
    """Rules of who reads from outside the office, and what each may see."""

    def __init__(self) -> None:
        super().__init__()
        self.links: dict[int, str] = {}
        self.texts: dict[str, tuple[Any, bytes]] = {}
        self.pages: dict[int, str] = {}
        self.phones: dict[int, Client] = {}
        self.others: dict[str, Client] = {}
        self.told_by_phone = 0

    # --- calendars ------------------------------------------------------------------------------

    @rule(kind=st.sampled_from(("CREW", "CREW", "FIRM", "JOB", "AUTHORITY", "BUYER")), which=ANY)
    def a_calendar_gets_a_reader(self, kind: str, which: int) -> None:
        job = pick(Job.objects.all(), which)
        if kind == "CREW":
            crew = self.crews[which % len(self.crews)]
            made, url = feed_links.subscribe(crew=crew, reader="Ada's phone", now=self.now)
        elif kind in ("JOB", "BUYER") and job is None:
            return
        else:
            of = {"FIRM": 0, "AUTHORITY": self.authority.pk}
            number = of.get(kind, job.pk if job else 0)
            made, url = subscribe_to(kind=kind, number=number, reader="Somebody", now=self.now)
        self.links[made.pk] = urlsplit(url).path

    @rule(which=ANY, does=st.sampled_from(("replace", "revoke")))
    def a_calendar_is_closed(self, which: int, does: str) -> None:
        row = pick(FeedSubscription.objects.filter(revoked_at=None), which)
        if row is None:
            return
        old = self.links.pop(row.pk)
        if does == "replace":
            self.links[row.pk] = urlsplit(feed_links.replace_link(row, self.now)).path
        else:
            feed_links.revoke(row, self.now)
        assert Client().get(old).status_code == 404, "a closed link opens a calendar"

    @rule()
    def calendar_programs_come_round(self) -> None:
        """A calendar is what its rows say, and its bytes change only where these do."""
        today = timezone.localdate(self.now)
        for pk, path in self.links.items():
            shown = FeedSubscription.objects.select_related("crew", "calendar").get(pk=pk).shows
            events = feed_events(shown, today)
            rows = [shown.name, *events.values_list()]
            answer = Client().get(path)
            assert answer.content == render(shown, events), f"{shown}: not what its rows say"
            before = self.texts.get(path)
            if before is not None and before[0] == rows:
                assert answer.content == before[1], f"{shown}: other bytes, though nothing changed"
            self.texts[path] = rows, answer.content
            again = Client().get(path, headers={"if-none-match": answer["ETag"]})
            assert again.status_code == 304, f"{shown} is sent to who has it"

    # --- buyers ---------------------------------------------------------------------------------

    @rule(which=ANY, does=st.sampled_from(("make", "make", "replace", "revoke")))
    def a_buyer_gets_a_link(self, which: int, does: str) -> None:
        job = pick(Job.objects.all(), which)
        row = pick(BuyerLink.objects.filter(revoked_at=None), which)
        if does == "make" and job is not None:
            made, url = buyer_links.make_link(job=job, reader="The buyer", now=self.now)
            self.pages[made.pk] = urlsplit(url).path
        elif does == "replace" and row is not None:
            old = self.pages[row.pk]
            url = buyer_links.replace_link(link=row, now=self.now)
            self.pages[row.pk] = urlsplit(url).path
            assert Client().get(old).status_code == 404
        elif does == "revoke" and row is not None:
            buyer_links.revoke_link(link=row, now=self.now)

    @rule()
    def buyers_look(self) -> None:
        """A link opens its own job alone, and no price."""
        for pk, path in self.pages.items():
            row = BuyerLink.objects.select_related("job").get(pk=pk)
            answer = Client().get(path)
            closed = row.revoked_at is not None or row.job.status == "CANCELLED"
            assert answer.status_code == (404 if closed else 200), (path, answer.status_code)
            text = answer.content.decode()
            for job in Job.objects.exclude(pk=row.job_id):
                assert job.site_address not in text, "a buyer sees another's job"
                assert job.buyer_name not in text, "a buyer sees another's name"
            assert "48,500" not in text
            assert "48500" not in text

    # --- phones ---------------------------------------------------------------------------------

    @rule(crew=st.sampled_from((0, 1)))
    def a_phone_is_let_in(self, crew: int) -> None:
        made, url = phones.invite(crew=self.crews[crew], person_name="Ada Bright", now=self.now)
        self.phones[made.pk] = Client()
        path = urlsplit(url).path
        assert self.phones[made.pk].post(path).status_code == 302
        assert Client().post(path).status_code == 404, "a link lets in a second phone"

    @rule(which=ANY)
    def a_phone_is_lost(self, which: int) -> None:
        phone = pick(Phone.objects.filter(revoked_at=None), which)
        if phone is not None:
            phones.revoke_phone(phone=phone, now=self.now)

    @rule()
    def phones_look(self) -> None:
        """A phone shows its crew's jobs, one that was lost shows nothing."""
        for pk, client in self.phones.items():
            phone = Phone.objects.select_related("crew").get(pk=pk)
            answer = client.get("/phone/")
            opens = phone.revoked_at is None
            assert (answer.status_code == 200) == opens, answer.status_code
            text = answer.content.decode()
            for job in Job.objects.exclude(pk__in=jobs_of(phone.crew)):
                assert job.site_address not in text, f"{phone} sees {job}"

    @rule(
        which=ANY,
        phone=ANY,
        kind=st.sampled_from(("STARTED", "DONE", "DONE", "NOTE")),
        also=st.sampled_from((None, None, "visit", "delivery", "grade")),
        times=st.sampled_from((1, 2)),
    )
    def a_phone_tells(
        self, which: int, phone: int, kind: str, also: str | None, times: int
    ) -> None:
        """What a crew tells of its own work is kept once; of other work nothing is."""
        row = pick(Phone.objects.filter(revoked_at=None).select_related("crew", "user"), phone)
        phase = pick(Phase.objects.exclude(status="DROPPED"), which)
        if row is None or phase is None:
            return
        self.told_by_phone += 1
        key = UUID(int=1_000_000 + self.told_by_phone)
        said = "NOTE" if also else kind
        report = NewReport(
            key, phase.pk, said, self.now, crew_id=row.crew_id, note="seen" if also else ""
        )
        sent = PhoneReport(report, also=self.also(also, phase.job))
        mine = {phase.crew_id, phase.pinned_crew_id} | set(published_crews(phase))
        before = everything()
        for number in range(times):
            taken = take_phone_reports(phone=row, reports=[sent], now=self.now)
            outcome = taken.answers[0].outcome
            assert number == 0 or outcome is not Outcome.RECEIVED
            if row.crew_id not in mine:
                assert outcome is Outcome.REFUSED, "a crew reports of another's work"
            if outcome is Outcome.REFUSED:
                assert everything() == before
            before = everything()
            if outcome is not Outcome.REFUSED:
                assert FieldReport.objects.filter(pk=key).count() == 1
            for wanted in filter(None, taken.better):
                self.fresh(wanted.base)

    def also(self, what: str | None, job: Job) -> VisitResult | Arrival | GradeShots | None:
        visit = Inspection.objects.filter(phase__job=job).order_by("-pk").first()
        delivery = Delivery.objects.filter(job=job, arrived_on=None).order_by("pk").first()
        if what == "visit" and visit is not None:
            return VisitResult(visit.pk, "PASSED")
        if what == "delivery" and delivery is not None:
            return Arrival(delivery.pk)
        if what == "grade":
            return GradeShots("ROD", dict.fromkeys(SHOTS, 5.0))  # type: ignore[arg-type]
        return None

    # --- people without a right -----------------------------------------------------------------

    @rule(who=st.sampled_from(sorted(OTHERS)), which=st.integers(0, 1000))
    def somebody_without_a_right_looks(self, who: str, which: int) -> None:
        page = CLOSED[who][which % len(CLOSED[who])]
        if who not in self.others:
            self.others[who] = Client()
        maker = OTHERS[who]
        if maker is not None:
            self.others[who].force_login(maker())
        answer = self.others[who].get(page)
        to_sign_in = answer.status_code == 302 and "/login/" in answer["Location"]
        assert to_sign_in or answer.status_code in (401, 403, 404, 405), (who, page, answer)


def published_crews(phase: Phase) -> Any:
    """Return the crews that a phase was ever published with."""
    told = Booking.objects.filter(phase=phase).exclude(plan__published_at=None)
    return told.values_list("crew", flat=True)


def jobs_of(crew: Crew) -> set[int]:
    """Return the jobs that a crew may know of: its work, published or pinned, and its rounds."""
    told = Booking.objects.filter(crew=crew).exclude(plan__published_at=None)
    known = set(told.values_list("phase__job", flat=True))
    for column in ("crew", "pinned_crew"):
        known |= set(Phase.objects.filter(**{column: crew}).values_list("job", flat=True))
    return known | set(Job.objects.filter(callbacks__round__crew=crew).values_list("pk", flat=True))
