"""The whole life of a small firm's jobs, one step at a time and in any order, for hypothesis."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

import time_machine
from django.apps import apps
from django.core.exceptions import ValidationError
from django.db import connection, transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from contractor.trade.building import Building
from contractor.trade.causes import TOLD_BY_PEOPLE
from contractor.trade.errors import SpecError
from contractor.trade.kinds import Foundation, Use
from contractor.trade.weather_days import DaySummary
from inspections.models import Inspection, InspectionEvent, LocateTicket
from inspections.services import site, visits, weather
from inspections.services.visits import Said, VisitRefused
from jobs.models import (
    BoardMove,
    Booking,
    Callback,
    Delivery,
    DeliveryReport,
    Job,
    Phase,
    Plan,
    PlanRequest,
    ReplanProposal,
    SetAside,
)
from jobs.selectors.reports import OFFICE
from jobs.services import (
    callbacks,
    deliveries,
    moves,
    outbox,
    pinning,
    planning,
    proposals,
    publishing,
    publishing_part,
    rain,
    slips,
)
from jobs.services.deliveries import DeliveryRefused
from jobs.services.moves import MoveRefused, MoveStale
from jobs.services.proposals import AlreadyDecided
from jobs.services.publishing import PublishRefused
from jobs.services.reporting import NewReport, Outcome, take_reports
from jobs.services.signing import Contract, next_number, sign
from tests.factories import AuthorityFactory, OfficeFactory, OwnerFactory, WeatherAreaFactory
from tests.service import life_checks
from tests.service.address_table import table
from tests.service.api import reader
from tests.service.portfolio import MONDAY, make_firm

MOST_JOBS = 4
ANY = st.integers(0, 63)
"""Picks one of the rows that there are."""
OUTCOMES = ("PASSED", "PASSED", "PASSED_CORRECTIONS", "PARTIAL", "FAILED", "NOT_READY", "ABSENT")
KINDS = ("STARTED", "PROGRESS", "DONE", "DONE", "STOPPED", "NOTE")
PAGES = sorted(
    f"/{route}"
    for route, page in table().items()
    if {"o", "w"} & set(page.reads) and not set(route) & set("<^(") and route != "admin/logout/"
)
"""Every address that reads something and names no row."""


class Undo(Exception):  # noqa: N818 - a signal
    """Takes an example's rows back."""


class Life(RuleBasedStateMachine):
    """A firm of two crews from its first sale on."""

    def __init__(self) -> None:
        super().__init__()
        self.now = MONDAY
        self.clock = time_machine.travel(self.now, tick=False)
        self.moment = self.clock.start()
        self.rows = transaction.atomic()
        self.rows.__enter__()
        self.record = life_checks.Record()
        self.calendars = life_checks.Calendars()
        self.sent: list[NewReport] = []

    def teardown(self) -> None:
        """Leave nothing behind."""
        self.rows.__exit__(Undo, Undo(), None)
        self.clock.stop()

    # --- what the rules share -------------------------------------------------------------------

    def refusable(self, call: Callable[[], Any], *refusals: type[Exception]) -> Any:
        """Return what a call gives; where it is refused, nothing may have been stored."""
        before = everything()
        try:
            with transaction.atomic():
                return call()
        except refusals:
            assert everything() == before
            return None

    def fresh(self, plan: Plan | None) -> None:
        """Hold a plan that has just been made against the rows it was made from."""
        if plan is not None:
            life_checks.check_fresh(Plan.objects.get(pk=plan.pk))

    def wait_until(self, moment: datetime) -> None:
        self.now = max(self.now, moment)
        self.moment.move_to(self.now, tick=False)

    @initialize(sold=st.integers(0, 3), foundation=st.sampled_from(list(Foundation)))
    def open_the_firm(self, sold: int, foundation: Foundation) -> None:
        """Begin as a firm that has sold so much and told its crews of it, with its pits marked."""
        self.crews = list(make_firm(crews=2))
        self.office = OfficeFactory()
        self.client = Client()
        self.client.force_login(self.office)
        self.owner = reader(OwnerFactory())
        self.authority = AuthorityFactory()
        self.area = WeatherAreaFactory()
        for number in range(sold):
            self.sell(foundation, 30, 0, number == 1, 45, None, 20)
            self.call_the_locate_ticket(number, 30)
        if sold:
            Delivery.objects.filter(job__number__endswith="1").update(arrived_on=self.day(0))
            self.plan_and_publish()

    # --- selling and what comes before the crew -------------------------------------------------

    @rule(
        foundation=st.sampled_from(list(Foundation)),
        width=st.sampled_from((24, 30, 40)),
        permit_days=st.sampled_from((0, 0, 0, 9)),
        is_exempt=st.sampled_from((False, False, True)),
        promised_in=st.sampled_from((None, 20, 45, 90)),
        not_before=st.sampled_from((None, None, 12)),
        drive_minutes=st.sampled_from((0, 20, 75)),
    )
    def sell(
        self,
        foundation: Foundation,
        width: int,
        permit_days: int,
        is_exempt: bool,
        promised_in: int | None,
        not_before: int | None,
        drive_minutes: int,
    ) -> None:
        if Job.objects.count() >= MOST_JOBS:
            return
        contract = Contract(
            number=next_number(now=self.now),
            buyer_name="Ada Quill",
            site_address="12 Fence Row Road",
            site_town="Millbrook Corner",
            site_county="Harrow County",
            site_state="OH",
            contract_value_usd=Decimal(48500),
            authority=self.authority,
            is_exempt=is_exempt,
            permit_days=permit_days,
            drive_minutes=drive_minutes,
            promised_on=self.day(promised_in),
            earliest_start_on=self.day(not_before),
        )
        slab = 4 if foundation is Foundation.SLAB_BRACKET else 0
        building = Building(
            use=Use.SHOP,
            width_ft=width,
            length_ft=40,
            eave_ft=10,
            foundation=foundation,
            slab_in=slab,
        )
        self.refusable(
            lambda: sign(building=building, contract=contract, now=self.now, by=self.office),
            SpecError,
        )

    def day(self, days: int | None) -> date | None:
        return None if days is None else timezone.localdate(self.now) + timedelta(days=days)

    @rule(which=ANY, life=st.sampled_from((6, 14, 30)))
    def call_the_locate_ticket(self, which: int, life: int) -> None:
        job = pick(Job.objects.filter(status="SIGNED"), which)
        if job is not None:
            number = f"T-{LocateTicket.objects.count():06d}"
            dig_from, expires_on = self.day(3), self.day(3 + life)
            assert dig_from is not None
            assert expires_on is not None
            LocateTicket.objects.create(
                job=job,
                number=number,
                called_on=self.day(0) or dig_from,
                dig_from=dig_from,
                expires_on=expires_on,
            )

    @rule(
        which=ANY,
        says=st.sampled_from(("arrive", "arrive", "short", "promise", "confirm", "undo")),
        days=st.integers(0, 30),
    )
    def supplier_says(self, which: int, says: str, days: int) -> None:
        if says == "undo":
            report = pick(DeliveryReport.objects.all(), which)
            if report is not None:
                self.refusable(
                    lambda: deliveries.undo(report_id=report.pk, now=self.now), DeliveryRefused
                )
            return
        row = pick(Delivery.objects.all(), which)
        if row is None:
            return
        told: dict[str, Any] = {"delivery_id": row.pk, "now": self.now, "by": self.office}
        if says == "confirm":
            self.refusable(lambda: deliveries.confirm(**told), DeliveryRefused)
        elif says == "promise":
            self.refusable(
                lambda: deliveries.promise(promised_on=self.day(days), **told),  # type: ignore[arg-type]
                DeliveryRefused,
                ValidationError,
            )
        else:
            shortage = "two are broken" if says == "short" else ""
            self.refusable(
                lambda: deliveries.arrive(
                    arrived_on=self.day(0) or date.max, shortage=shortage, **told
                ),
                DeliveryRefused,
                ValidationError,
            )

    @rule(which=ANY, fall=st.sampled_from((0.0, 1.4)), days=st.sampled_from((None, 5)))
    def shoot_the_grade(self, which: int, fall: float, days: int | None) -> None:
        job = pick(Job.objects.filter(status="SIGNED"), which)
        if job is None:
            return
        readings = {
            "FRONT_LEFT": 5.0,
            "FRONT_RIGHT": 5.0,
            "BACK_LEFT": 5.0 + fall,
            "BACK_RIGHT": 5.0,
        }
        site.record_shots(
            job=job,
            taken_on=self.day(0) or date.max,
            kind="ROD",
            readings_ft=readings,
            taken_by="Lead 1",
        )
        site.set_expectations(job=job, most_fall_in=None, expected_on=self.day(days))

    @rule(which=ANY, why=st.sampled_from(("", "graded by hand")))
    def release_the_site(self, which: int, why: str) -> None:
        job = pick(Job.objects.filter(status="SIGNED"), which)
        if job is not None:
            self.refusable(
                lambda: site.release(job=job, by=self.office, why=why, now=self.now),
                site.ReleaseRefused,
            )

    @rule(which=ANY)
    def take_the_release_back(self, which: int) -> None:
        job = pick(Job.objects.all(), which)
        if job is not None:
            site.take_back_release(job=job)

    # --- plans ----------------------------------------------------------------------------------

    @rule()
    def plan(self) -> None:
        self.fresh(planning.plan_now(now=self.now, budget_seconds=0))

    @rule()
    def plan_with_the_least_moves(self) -> None:
        made = planning.repair_now(reason="a step", now=self.now, by=self.office, budget_seconds=0)
        self.fresh(made.base)

    @rule()
    def worker_answers(self) -> None:
        wish = PlanRequest.objects.filter(status="QUEUED").order_by("id").first()
        if wish is None:
            return
        PlanRequest.objects.filter(status="QUEUED").update(budget_seconds=0)
        assert planning.claim(plan_request_id=wish.pk, now=self.now)
        newest = Plan.objects.order_by("-id").values_list("pk", flat=True).first() or 0
        made = planning.run_request(plan_request_id=wish.pk, now=self.now)
        if made.pk > newest and made.as_of == self.now:
            self.fresh(made)

    @rule()
    def publish(self) -> None:
        draft = Plan.objects.filter(status="DRAFT").first()
        if draft is not None and self.refusable(
            lambda: publishing.publish(plan_id=draft.pk, now=self.now, by=self.office),
            PublishRefused,
        ):
            self.look_at_the_calendars()

    @rule(which=ANY)
    def publish_a_part(self, which: int) -> None:
        draft, job = Plan.objects.filter(status="DRAFT").first(), pick(Job.objects.all(), which)
        if draft is not None and job is not None:
            self.refusable(
                lambda: publishing_part.publish_part(
                    plan_id=draft.pk, jobs=[job.pk], now=self.now, by=self.office
                ),
                PublishRefused,
            )

    @rule()
    def plan_and_publish(self) -> None:
        self.plan()
        self.publish()

    def look_at_the_calendars(self) -> None:
        """Each booking to come is in its crew's calendar; looking again changes nothing."""
        publishing.refresh_feeds(now=self.now)
        before = feeds()
        publishing.refresh_feeds(now=self.now)
        assert feeds() == before
        shown = {(row["crew_id"], row["source"]) for row in before if not row["is_dropped"]}
        for booking in Booking.objects.filter(is_live=True, crew__isnull=False):
            if booking.phase.status == "OPEN":
                assert (booking.crew_id, f"phase:{booking.phase_id}") in shown, booking.phase

    @rule()
    def compare_twice(self) -> None:
        slips.compare_published(now=self.now, trigger="a step")
        before = everything("jobs")
        again = slips.compare_published(now=self.now, trigger="a step")
        assert (*again.new, *again.grown, *again.ended) == ()
        assert everything("jobs") == before

    @rule()
    def propose(self) -> None:
        self.fresh(proposals.propose(reason="a step", now=self.now).plan)

    @rule(accept=st.booleans(), why=st.sampled_from(("", "not worth it")))
    def decide(self, accept: bool, why: str) -> None:
        row = ReplanProposal.objects.order_by("id").last()
        if row is None:
            return
        shown = proposals.current_plan(row)
        refusals = (AlreadyDecided, PublishRefused, ValueError)
        self.refusable(
            (
                lambda: proposals.accept(
                    proposal_id=row.pk, plan_id=shown.pk, now=self.now, by=self.office
                )
            )
            if accept
            else (lambda: proposals.drop(proposal_id=row.pk, reason=why, now=self.now)),
            *refusals,
        )

    # --- the sites ------------------------------------------------------------------------------

    @rule(
        which=ANY,
        kind=st.sampled_from(KINDS),
        hours_ago=st.sampled_from((0, 0, 1, 9, 30, 100)),
        crew=ANY,
        share=st.sampled_from((None, 0.0, 0.3, 0.9, 1.0)),
        hours=st.sampled_from((None, 0.5, 16.0, 120.0)),
        cause=st.sampled_from(list(TOLD_BY_PEOPLE)),
        until=st.sampled_from((None, 20, 200)),
        times=st.sampled_from((1, 1, 2)),
    )
    def report(
        self,
        which: int,
        kind: str,
        hours_ago: int,
        crew: int,
        share: float | None,
        hours: float | None,
        cause: Any,
        until: int | None,
        times: int,
    ) -> None:
        phase = pick(Phase.objects.exclude(status="DROPPED").order_by("job", "sequence"), which)
        if phase is None:
            return
        made_at = self.now - timedelta(hours=hours_ago)
        with_share = kind in ("PROGRESS", "STOPPED")
        sent = NewReport(
            id=UUID(int=len(self.sent) + 1),
            phase_id=phase.pk,
            kind=kind,
            made_at=made_at,
            crew_id=self.crews[crew % len(self.crews)].pk,
            share_done=share if with_share else None,
            crew_hours=hours if with_share or kind == "DONE" else None,
            stopped_by=cause.value if kind == "STOPPED" else "",
            stopped_until=made_at + timedelta(hours=until) if until and kind == "STOPPED" else None,
        )
        self.sent.append(sent)
        self.take([sent] * times)

    @rule(which=ANY, wrong=st.booleans(), kind=st.sampled_from((*KINDS, "VOID")))
    def report_again_or_correct(self, which: int, wrong: bool, kind: str) -> None:
        if not self.sent:
            return
        old = self.sent[which % len(self.sent)]
        if not wrong:
            self.take([old])
            return
        sent = replace(
            old,
            id=UUID(int=len(self.sent) + 1),
            kind="CORRECTION",
            made_at=self.now,
            happened_at=old.happened_at or old.made_at,
            share_done=0.5 if kind == "PROGRESS" else None,
            crew_hours=None,
            stopped_by=TOLD_BY_PEOPLE[0].value if kind == "STOPPED" else "",
            stopped_until=None,
            corrects_id=old.id,
            corrected_kind=kind,
        )
        self.sent.append(sent)
        self.take([sent])

    def take(self, sent: Sequence[NewReport]) -> None:
        """Send reports; what was there already or is refused changes nothing."""
        before = everything()
        answers = take_reports(reports=sent, who=OFFICE, now=self.now).answers
        if all(answer.outcome is not Outcome.RECEIVED for answer in answers):
            assert everything() == before

    @precondition(lambda self: Booking.objects.filter(is_live=True).exists())
    @rule(bookings=st.integers(1, 4))
    def work_goes_on_as_published(self, bookings: int) -> None:
        """The next bookings are worked and passed just as the plan says."""
        rows = Booking.objects.filter(is_live=True, phase__job__status="SIGNED")
        rows = rows.exclude(phase__status="DONE").order_by("ends_at", "id")
        for row in list(rows.select_related("phase")[:bookings]):
            self.wait_until(row.ends_at)
            if row.crew is None and self.is_inspection(row.phase):
                self.ask_and_record(row.phase, "PASSED")
                continue
            crew = row.crew_id
            for kind, at in (("STARTED", row.starts_at), ("DONE", row.ends_at)):
                report = NewReport(
                    id=UUID(int=len(self.sent) + 1),
                    phase_id=row.phase_id,
                    kind=kind,
                    made_at=min(at, self.now),
                    crew_id=crew,
                )
                self.sent.append(report)
                self.take([report])

    def is_inspection(self, phase: Phase) -> bool:
        return phase.code in life_checks.INSPECTIONS

    @rule(which=ANY, outcome=st.sampled_from(OUTCOMES), wait=st.sampled_from((0, 26)))
    def inspector_comes(self, which: int, outcome: str, wait: int) -> None:
        rows = Phase.objects.filter(code__in=life_checks.INSPECTIONS).exclude(status="DROPPED")
        phase = pick(rows, which)
        if phase is not None:
            self.ask_and_record(phase, outcome, wait)

    def ask_and_record(self, phase: Phase, outcome: str, wait: int = 0) -> None:
        asked = self.refusable(
            lambda: visits.ask(
                phase_id=phase.pk, visit_from=None, visit_until=None, said=self.said()
            ),
            VisitRefused,
        )
        if asked is None:
            return
        self.wait_until(self.now + timedelta(hours=wait))
        visit = asked.event.inspection
        recorded = self.refusable(
            lambda: visits.record(
                inspection_id=visit.pk,
                seen=asked.event.number,
                outcome=outcome,
                said=self.said(),
                released="the north bays" if outcome == "PARTIAL" else "",
            ),
            VisitRefused,
        )
        if recorded is not None:
            assert not recorded.plan_fault, recorded.plan_fault
            if recorded.wanted is not None:
                self.fresh(recorded.wanted.base)

    @rule(which=ANY)
    def take_a_visits_word_back(self, which: int) -> None:
        event = pick(InspectionEvent.objects.all(), which)
        if event is not None:
            self.refusable(lambda: visits.undo(event_id=event.pk, said=self.said()), VisitRefused)

    @rule(which=ANY, hours=st.sampled_from((5, 30, 80)))
    def authority_confirms(self, which: int, hours: int) -> None:
        visit = pick(Inspection.objects.filter(status__in=("REQUESTED", "CONFIRMED")), which)
        if visit is None:
            return
        begins = self.now + timedelta(hours=hours)
        last = visit.events.order_by("-number").first()
        self.refusable(
            lambda: visits.confirm(
                inspection_id=visit.pk,
                seen=last.number if last else 0,
                visit_from=begins,
                visit_until=begins + timedelta(hours=3),
                said=self.said(),
            ),
            VisitRefused,
        )

    def said(self) -> Said:
        return Said(now=self.now, by=self.office)

    @rule(crews=st.sampled_from(((0,), (0, 1))))
    def rain(self, crews: Sequence[int]) -> None:
        keys = [self.crews[crew].pk for crew in crews]
        today = self.day(0)
        assert today is not None
        self.fresh(rain.rain_day(day=today, crews=keys, now=self.now, by=self.office).plan)

    @rule(days=st.integers(1, 6), rain_in=st.sampled_from((0.0, 2.0)))
    def forecast(self, days: int, rain_in: float) -> None:
        day = self.day(days)
        assert day is not None
        summary = DaySummary(low_degf=50, high_degf=70, wind_mph=8, rain_in=rain_in)
        weather.enter_day(area=self.area, day=day, summary=summary, now=self.now)
        crews = [self.crews[0].pk]
        made = self.refusable(
            lambda: rain.coming_rain_day(day=day, crews=crews, now=self.now), SpecError
        )
        self.fresh(made and made.plan)

    # --- the board ------------------------------------------------------------------------------

    @rule(
        which=ANY,
        kind=st.sampled_from(("move", "move", "free", "split", "swap", "lend", "aside", "block")),
        crew=st.sampled_from((None, 0, 1)),
        days=st.integers(0, 20),
        accept=st.booleans(),
    )
    def move(self, which: int, kind: str, crew: int | None, days: int, accept: bool) -> None:
        made = self.a_move(which, kind, crew, days)
        if made is None or not Plan.objects.filter(status__in=("DRAFT", "PUBLISHED")).exists():
            return
        before = everything()
        refusals = (MoveRefused, MoveStale)
        answer = self.refusable(lambda: moves.try_move(move=made, now=self.now), *refusals)
        assert everything() == before, "trying leaves a trace"
        if answer is None or not accept:
            return
        done = moves.accept_move(
            move=made, now=self.now, seen=answer.version, shown=answer.digest, by=self.office
        )
        self.fresh(done.request.base)

    def a_move(self, which: int, kind: str, crew: int | None, days: int) -> moves.Move | None:
        phase = pick(Phase.objects.exclude(status__in=("DROPPED", "DONE")), which)
        first, second = (row.pk for row in self.crews)
        if crew:
            first, second = second, first
        day = self.day(days)
        assert day is not None
        if kind in ("move", "free", "split") and phase is None:
            return None
        if kind == "move":
            return moves.MovePhase(phase.pk, None if crew is None else first, day=day)
        if kind == "free":
            return moves.FreePhase(phase.pk)
        if kind == "split":
            return moves.SplitPhase(phase.pk, self.now + timedelta(days=days, hours=1))
        if kind == "swap":
            return moves.SwapCrews(first, second, day, day + timedelta(days=3))
        if kind == "lend":
            return moves.LendPeople(first, second, day, day + timedelta(days=2))
        if kind == "block":
            crew_id = None if crew is None else first
            return moves.BlockDays(day, day + timedelta(days=1), "A wedding", crew_id)
        begins = datetime.combine(day, MONDAY.time(), MONDAY.tzinfo) + timedelta(hours=2)
        return moves.SetTimeAside(first, "SHOP", begins, begins + timedelta(hours=6))

    @rule(which=ANY)
    def undo_a_move(self, which: int) -> None:
        row = pick(BoardMove.objects.all(), which)
        if row is not None:
            done = self.refusable(
                lambda: moves.undo_move(move_id=row.pk, now=self.now, by=self.office), MoveRefused
            )
            self.fresh(done and done.request.base)

    @rule(which=ANY, crew=st.sampled_from((None, 0, 1)), hours=st.integers(1, 400))
    def pin(self, which: int, crew: int | None, hours: int) -> None:
        phase = pick(Phase.objects.exclude(status="DROPPED"), which)
        if phase is None:
            return
        made = self.refusable(
            lambda: pinning.pin(
                phase_id=phase.pk,
                crew_id=None if crew is None else self.crews[crew].pk,
                starts_at=self.now + timedelta(hours=hours),
                now=self.now,
                by=self.office,
            ),
            pinning.PinRefused,
        )
        self.fresh(made and made.base)

    @rule(which=ANY)
    def unpin(self, which: int) -> None:
        phase = pick(Phase.objects.filter(pinned_start_at__isnull=False), which)
        if phase is not None:
            pinning.unpin(phase_id=phase.pk, now=self.now, by=self.office)

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
        # No two things happen at one moment, as no two clicks do.
        self.wait_until(self.now + timedelta(seconds=1))


def pick(rows: Any, which: int) -> Any:
    """Return one of the rows, or None if there is none."""
    found = list(rows if rows.query.order_by else rows.order_by("pk"))
    return found[which % len(found)] if found else None


def everything(*labels: str) -> dict[str, list[Any]]:
    """Return every row of the service's own tables as the database has it."""
    rows = {}
    with connection.cursor() as cursor:
        for label in labels or ("jobs", "crews", "inspections"):
            for model in apps.get_app_config(label).get_models():
                table = model._meta.db_table
                cursor.execute(f'SELECT * FROM "{table}" ORDER BY "{model._meta.pk.column}"')
                rows[table] = cursor.fetchall()
    return rows


def feeds() -> list[dict[str, Any]]:
    """Return all events of all calendars."""
    return list(life_checks.FeedEvent.objects.order_by("pk").values())
