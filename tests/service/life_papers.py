"""Permits, tickets, concrete and what is learned, in the life of a small firm."""

from datetime import timedelta

from django.core.exceptions import ValidationError
from django.urls import reverse
from hypothesis import strategies as st
from hypothesis.stateful import rule

from contractor.trade.errors import SpecError
from inspections.models import POURED_PHASES, LocateTicket, Permit, Pour, StrengthNeed
from inspections.selectors.pours import pours_concrete
from inspections.services import pours
from jobs.models import Job, Phase, Plan, TaskRequest
from jobs.services import (
    early_starts,
    forecasting,
    intake,
    left_out,
    leftovers,
    old_drafts,
    planning,
    task_requests,
)
from tests.service import life_checks
from tests.service.job_form import row_data
from tests.service.life_firm import ANY, Firm, everything, pick

Kind = TaskRequest.Kind


class Papers(Firm):
    """Rules of what is written about a job beside its dates."""

    @rule(which=ANY, says=st.sampled_from(("applied", "expected", "issued", "not yet", "exempt")))
    def the_permit(self, which: int, says: str) -> None:
        permit = pick(Permit.objects.all(), which)
        if permit is None:
            return
        today = self.day(0)
        columns = {
            "applied": {"applied_on": today},
            "expected": {"expected_on": self.day(8)},
            "issued": {"issued_on": today},
            "not yet": {"issued_on": None, "expected_on": None},
            "exempt": {"is_exempt": not permit.is_exempt},
        }
        self.change(permit, **columns[says])
        # Whether it is inspected makes phases; else the next plan would bring them in step.
        intake.refresh_phases(job=Job.objects.get(pk=permit.job_id))

    @rule(which=ANY, what=st.sampled_from(("seen", "void", "longer")))
    def a_locate_ticket(self, which: int, what: str) -> None:
        ticket = pick(LocateTicket.objects.all(), which)
        if ticket is None:
            return
        if what == "void":
            ticket.delete()
        elif what == "seen":
            self.change(ticket, marks_seen_on=self.day(0))
        else:
            self.change(ticket, expires_on=ticket.expires_on + timedelta(days=10))

    @rule(which=ANY, hours_ago=st.sampled_from((0, 20, 70)), part=st.sampled_from(("", "1 to 8")))
    def concrete_is_poured(self, which: int, hours_ago: int, part: str) -> None:
        phase = pick(Phase.objects.filter(code__in=POURED_PHASES), which)
        if phase is not None and pours_concrete(phase):
            poured_at = self.now - timedelta(hours=hours_ago)
            self.change(Pour(phase=phase, poured_at=poured_at, part=part, ground_degf=50))

    @rule(which=ANY, temp_degf=st.sampled_from((20.0, 55.0, 90.0)), hours=st.integers(-80, 1))
    def a_thermometer_is_read(self, which: int, temp_degf: float, hours: int) -> None:
        pour = pick(Pour.objects.all(), which)
        if pour is None:
            return
        taken_at = self.now + timedelta(hours=hours)
        self.refusable(
            lambda: pours.record_reading(
                pour_id=pour.pk, temp_degf=temp_degf, of="CONCRETE", taken_at=taken_at, now=self.now
            ),
            pours.ReadingToComeError,
            ValidationError,
        )

    @rule(which=ANY, percent=st.sampled_from((30, 90)))
    def the_engineer_asks_for_strength(self, which: int, percent: int) -> None:
        job = pick(Job.objects.all(), which)
        if job is not None:
            need = StrengthNeed(job=job, strength_percent=percent, stated_by="Sheet S1")
            self.change(need, poured_phase="POSTS", following_phase="TRUSSES")

    @rule(which=ANY, reason=st.sampled_from(("", "taught apprentices")), back=st.booleans())
    def work_teaches_nothing(self, which: int, reason: str, back: bool) -> None:
        phase = pick(Phase.objects.all(), which)
        if phase is None:
            return
        if back:
            left_out.take_back(phase=phase, now=self.now, by=self.office)
            return
        self.refusable(
            lambda: left_out.leave_out(phase=phase, reason=reason, now=self.now), SpecError
        )

    @rule(
        which=ANY,
        column=st.sampled_from(("promised_on", "earliest_start_on", "length_ft", "status")),
        days=st.integers(0, 40),
    )
    def a_job_page_is_saved(self, which: int, column: str, days: int) -> None:
        job = pick(Job.objects.all(), which)
        if job is None:
            return
        value = {"length_ft": str(40 + days), "status": "ON_HOLD"}.get(column, str(self.day(days)))
        self.client.force_login(self.office)
        address = reverse("admin:jobs_job_change", args=[job.pk])
        before = everything()
        answer = self.client.post(address, row_data(job, **{column: value}))
        assert answer.status_code in (200, 302), answer.status_code
        if answer.status_code == 200:
            assert everything() == before, "a page that is refused has stored something"

    # --- what the machine does by itself --------------------------------------------------------

    @rule(which=ANY)
    def pull_forward(self, which: int) -> None:
        job = pick(Job.objects.filter(status="SIGNED"), which)
        if job is None or not Plan.objects.filter(status="PUBLISHED").exists():
            return
        refusals = (early_starts.NothingEarlier, planning.TooFarAheadError)
        self.fresh(
            self.refusable(
                lambda: early_starts.pull_forward(job_id=job.pk, now=self.now), *refusals
            )
        )

    @rule(kind=st.sampled_from((Kind.SLIPS, Kind.FEEDS, Kind.HOLDS, Kind.SHEET)))
    def a_worker_does_a_task(self, kind: str) -> None:
        wanted = task_requests.ask(kind=kind, reason="a step", now=self.now)
        assert wanted is not None
        claim = task_requests.claim(task_request_id=wanted.pk, now=self.now)
        assert claim is not None
        task_requests.run(task_request_id=wanted.pk, claim=claim, now=self.now)
        self.no_second_claim(wanted.pk)

    def no_second_claim(self, pk: int) -> None:
        assert task_requests.claim(task_request_id=pk, now=self.now) is None

    @rule()
    def forecast_the_plan(self) -> None:
        made = self.refusable(
            lambda: forecasting.forecast_now(now=self.now, draws=20), forecasting.NoPublishedPlan
        )
        if made is not None:
            life_checks.check_forecast(made)

    @rule()
    def the_house_is_kept(self) -> None:
        moment = self.now - old_drafts.FORGOTTEN_AFTER
        Plan.objects.filter(as_of__lt=moment).update(made_at=moment - timedelta(hours=1))
        old_drafts.forget_old_drafts(now=self.now)
        leftovers.forget_leftovers(now=self.now)
        self.record.forget_drafts()
