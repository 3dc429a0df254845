"""What happens on the sites in the life of a small firm: reports, visits, rain."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any
from uuid import UUID

from hypothesis import strategies as st
from hypothesis.stateful import precondition, rule

from contractor.trade.causes import TOLD_BY_PEOPLE
from contractor.trade.errors import SpecError
from contractor.trade.weather_days import DaySummary
from inspections.models import Inspection, InspectionEvent
from inspections.services import visits, weather
from inspections.services.visits import Said, VisitRefused
from jobs.models import Booking, Phase
from jobs.selectors.reports import OFFICE
from jobs.services import rain
from jobs.services.new_report import NewReport
from jobs.services.reporting import Outcome, take_reports
from tests.service import life_checks
from tests.service.life_firm import ANY, Firm, everything, pick

OUTCOMES = ("PASSED", "PASSED", "PASSED_CORRECTIONS", "PARTIAL", "FAILED", "NOT_READY", "ABSENT")
KINDS = ("STARTED", "PROGRESS", "DONE", "DONE", "STOPPED", "NOTE")


class Sites(Firm):
    """Rules of the sites: what crews, inspectors and the weather do."""

    def __init__(self) -> None:
        super().__init__()
        self.sent: list[NewReport] = []

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
