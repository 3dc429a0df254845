"""Field reports through the service: kept once, in any order, with the phase told from all."""

from datetime import datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

import pytest
from django.contrib.auth.models import AbstractUser
from django.db import connection
from django.test.utils import CaptureQueriesContext

from contractor.trade.errors import SpecError
from crews.models import Crew
from jobs import tasks
from jobs.models import Booking, Change, FieldReport, Job, Phase, Plan, PlanRequest
from jobs.selectors.reports import OFFICE, Reporter, reporter
from jobs.services import planning, publishing, reporting
from jobs.services.new_report import NewReport
from jobs.services.reporting import Outcome, take_report, take_reports
from tests.factories import CrewFactory
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db

EVENING = MONDAY.replace(hour=17)


@pytest.fixture
def crew() -> Crew:
    return make_firm()[0]


@pytest.fixture
def job(crew: Crew) -> Job:
    return make_job(number="26-001")


@pytest.fixture
def published(job: Job) -> Plan:
    """A published plan of one job for two crews."""
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    return publishing.publish(plan_id=plan.pk, now=MONDAY).plan


def a_report(job: Job, code: str, kind: str, *, hours: float = 4, **given: Any) -> NewReport:
    """Return a report of the crew, made so many hours after Monday six o'clock."""
    given.setdefault("id", uuid4())
    given.setdefault("crew_id", Crew.objects.earliest("pk").pk)
    made_at = MONDAY + timedelta(hours=hours)
    phase = job.phases.get(code=code)
    return NewReport(phase_id=phase.pk, kind=kind, made_at=made_at, **given)


def take(*reports: NewReport, who: Reporter = OFFICE, now: datetime = EVENING) -> list[Outcome]:
    return [answer.outcome for answer in take_reports(reports=reports, who=who, now=now).answers]


def phase(job: Job, code: str = "LAYOUT") -> Phase:
    return job.phases.get(code=code)


def refused(report: NewReport, who: Reporter = OFFICE) -> dict[str, Any]:
    """Return the faults of a report by field, after checking that nothing of it is kept."""
    with pytest.raises(SpecError) as refusal:
        take_report(report=report, who=who, now=EVENING)
    assert not FieldReport.objects.filter(pk=report.id).exists()
    for fault in refusal.value.faults:
        assert fault.message
        assert fault.remedy
    return {fault.field: fault for fault in refusal.value.faults}


def test_a_report_moves_its_phase(job: Job, crew: Crew) -> None:
    assert take(a_report(job, "LAYOUT", "STARTED", hours=1)) == [Outcome.RECEIVED]

    begun = phase(job)
    assert (begun.status, begun.started_at) == ("UNDER_WAY", MONDAY + timedelta(hours=1))
    assert begun.crew == crew


def test_the_same_report_twice_is_one_row(job: Job) -> None:
    report = a_report(job, "LAYOUT", "PROGRESS", crew_hours=12)

    assert take(report, report) == [Outcome.RECEIVED, Outcome.ALREADY_RECEIVED]
    assert take(report) == [Outcome.ALREADY_RECEIVED]

    assert FieldReport.objects.count() == 1
    assert phase(job).reported_hours == 12


def test_another_report_under_an_id_that_is_taken_is_refused(job: Job) -> None:
    first = a_report(job, "LAYOUT", "STARTED")
    take(first)
    second = a_report(job, "LAYOUT", "DONE", id=first.id)

    with pytest.raises(SpecError, match="another report was received under this id"):
        take_report(report=second, who=OFFICE, now=EVENING)

    assert FieldReport.objects.get().kind == "STARTED"


def test_a_late_report_takes_its_place_in_time(job: Job) -> None:
    take(a_report(job, "LAYOUT", "DONE", hours=8))
    take(a_report(job, "LAYOUT", "STARTED", hours=1), now=EVENING + timedelta(days=2))

    done = phase(job)
    assert (done.status, done.started_at) == ("DONE", MONDAY + timedelta(hours=1))
    assert done.done_at == MONDAY + timedelta(hours=8)


def test_a_correction_may_come_before_what_it_corrects(job: Job) -> None:
    wrong = a_report(job, "LAYOUT", "DONE", hours=3)
    right = a_report(
        job, "LAYOUT", "CORRECTION", hours=5, corrects_id=wrong.id, corrected_kind="VOID"
    )

    take(right)
    take(wrong)

    assert phase(job).status == "OPEN"
    assert FieldReport.objects.count() == 2


def test_nothing_that_was_reported_is_changed_by_a_correction(job: Job) -> None:
    wrong = a_report(job, "LAYOUT", "PROGRESS", share_done=0.9)
    take(wrong)
    before = FieldReport.objects.filter(pk=wrong.id).values().get()

    take(
        a_report(
            job,
            "LAYOUT",
            "CORRECTION",
            hours=6,
            corrects_id=wrong.id,
            corrected_kind="PROGRESS",
            share_done=0.2,
        )
    )

    assert FieldReport.objects.filter(pk=wrong.id).values().get() == before
    assert phase(job).share_done == 0.2


def test_one_that_is_refused_keeps_no_other_from_being_taken(job: Job) -> None:
    good, bad = a_report(job, "LAYOUT", "STARTED"), a_report(job, "LAYOUT", "STOPPED")

    assert take(bad, good) == [Outcome.REFUSED, Outcome.RECEIVED]


@pytest.mark.parametrize(
    ("code", "kind", "given", "field"),
    [
        ("LAYOUT", "FINISHED", {}, "kind"),
        ("LAYOUT", "OFFICE", {}, "kind"),
        ("LAYOUT", "STARTED", {"crew_id": None}, "crew"),
        ("LAYOUT", "STARTED", {"share_done": 0.5}, "share_done"),
        ("LAYOUT", "STARTED", {"crew_hours": 5.0}, "crew_hours"),
        ("LAYOUT", "PROGRESS", {}, "share_done"),
        ("LAYOUT", "PROGRESS", {"share_done": 1.5}, "share_done"),
        ("LAYOUT", "PROGRESS", {"share_done": float("nan")}, "share_done"),
        ("LAYOUT", "PROGRESS", {"crew_hours": -1.0}, "crew_hours"),
        ("LAYOUT", "DONE", {"share_done": 0.9}, "share_done"),
        ("LAYOUT", "DONE", {"people": 0}, "people"),
        ("LAYOUT", "STOPPED", {}, "stopped_by"),
        ("LAYOUT", "STOPPED", {"stopped_by": "KNOCK_ON"}, "stopped_by"),
        (
            "LAYOUT",
            "STOPPED",
            {"stopped_by": "WEATHER", "stopped_until": MONDAY},
            "stopped_until",
        ),
        ("LAYOUT", "DONE", {"stopped_until": EVENING}, "stopped_until"),
        ("LAYOUT", "DONE", {"stopped_by": "WEATHER"}, "stopped_by"),
        ("LAYOUT", "NOTE", {"note": "x" * 2001}, "note"),
        ("LAYOUT", "NOTE", {"note": "a\x00b"}, "note"),
        ("LAYOUT", "NOTE", {"corrects_id": UUID(int=1)}, "corrects"),
        ("LAYOUT", "CORRECTION", {"corrected_kind": "DONE"}, "corrects"),
        ("LAYOUT", "CORRECTION", {"corrects_id": UUID(int=1)}, "corrected_kind"),
        ("LAYOUT", "DONE", {"hours": 24}, "made_at"),
        ("LAYOUT", "DONE", {"hours": -24 * 365}, "made_at"),
        ("LAYOUT", "DONE", {"happened_at": EVENING + timedelta(days=1)}, "happened_at"),
        ("FINAL_INSPECTION", "DONE", {}, "phase"),
    ],
)
def test_bad_input_is_refused_with_the_field_and_a_remedy(
    job: Job, code: str, kind: str, given: dict[str, Any], field: str
) -> None:
    assert field in refused(a_report(job, code, kind, **given))


def test_a_clock_that_is_a_little_fast_is_no_fault(job: Job) -> None:
    report = a_report(job, "LAYOUT", "STARTED", hours=11 + 10 / 60)

    assert take(report) == [Outcome.RECEIVED]


def test_a_lead_reports_for_their_own_crew_and_published_work(
    published: Plan, job: Job, lead: AbstractUser
) -> None:
    booking = Booking.objects.get(plan=published, phase__code="LAYOUT")
    assert booking.crew is not None
    booking.crew.lead = lead
    booking.crew.save(update_fields=["lead"])
    who = reporter(lead)
    other = Crew.objects.exclude(pk=booking.crew_id).get()

    assert refused(a_report(job, "LAYOUT", "STARTED", crew_id=other.pk), who).keys() == {"crew"}
    assert take(a_report(job, "LAYOUT", "STARTED", crew_id=booking.crew_id), who=who) == [
        Outcome.RECEIVED
    ]


def test_a_lead_does_not_report_work_that_was_never_theirs(
    published: Plan, job: Job, lead: AbstractUser
) -> None:
    crew = CrewFactory(name="Spare crew", lead=lead)

    report = a_report(job, "LAYOUT", "DONE", crew_id=crew.pk)

    assert refused(report, reporter(lead)).keys() == {"phase"}


@pytest.mark.parametrize("who", ["owner", "stranger", "lead"])
def test_who_leads_no_crew_reports_nothing(
    job: Job, who: str, request: pytest.FixtureRequest
) -> None:
    assert refused(a_report(job, "LAYOUT", "DONE"), reporter(request.getfixturevalue(who)))


def test_someone_who_left_the_leads_reports_nothing(
    published: Plan, job: Job, stranger: AbstractUser
) -> None:
    booking = Booking.objects.get(plan=published, phase__code="LAYOUT")
    Crew.objects.filter(pk=booking.crew_id).update(lead=stranger)

    report = a_report(job, "LAYOUT", "DONE", crew_id=booking.crew_id)

    assert refused(report, reporter(stranger))


def test_what_was_entered_before_the_first_report_is_kept(job: Job, crew: Crew) -> None:
    Phase.objects.filter(job=job, code="LAYOUT").update(
        status="UNDER_WAY", started_at=MONDAY, share_done=0.5, share_at=MONDAY, crew=crew
    )

    take(a_report(job, "LAYOUT", "PROGRESS", crew_hours=3.0))

    assert phase(job).share_done == 0.5
    assert FieldReport.objects.filter(kind="OFFICE").get().set_status == "UNDER_WAY"


def test_what_the_office_enters_is_kept_as_a_report(job: Job, crew: Crew) -> None:
    take(a_report(job, "LAYOUT", "PROGRESS", share_done=0.3, hours=2))
    entered = phase(job)
    entered.status, entered.done_at, entered.share_done = "DONE", EVENING, 1

    reporting.set_by_office(phase=entered, now=EVENING)

    stored = phase(job)
    assert (stored.status, stored.done_at) == ("DONE", EVENING)
    assert list(FieldReport.objects.order_by("made_at").values_list("kind", flat=True)) == [
        "PROGRESS",
        "OFFICE",
    ]


def test_every_change_of_a_phase_is_on_record(job: Job) -> None:
    take(a_report(job, "LAYOUT", "STARTED", hours=1))

    change = Change.objects.get(job=job, kind="phase")
    assert {"column": "status", "old": "Open", "new": "Under way"} in change.what


def test_reports_before_there_is_a_plan_ask_for_none(job: Job) -> None:
    taken = take_reports(reports=[a_report(job, "LAYOUT", "STARTED")], who=OFFICE, now=EVENING)

    assert taken.plan_request is None


def test_a_note_asks_for_no_plan(published: Plan, job: Job) -> None:
    note = a_report(job, "LAYOUT", "NOTE", note="Gate code 4711")

    assert take_reports(reports=[note], who=OFFICE, now=EVENING).plan_request is None


def test_twenty_reports_make_one_plan(published: Plan, job: Job) -> None:
    wished = []
    for number in range(20):
        report = a_report(job, "LAYOUT", "PROGRESS", hours=number / 10, crew_hours=1.0)
        wanted = take_reports(reports=[report], who=OFFICE, now=EVENING).plan_request
        assert wanted is not None
        wished.append(wanted.pk)

    before = set(Plan.objects.values_list("pk", flat=True))
    for number in wished:
        if planning.claim(plan_request_id=number, now=EVENING):
            planning.answer_by_repair(plan_request_id=number, now=EVENING)

    assert len(set(Plan.objects.values_list("pk", flat=True)) - before) == 1
    assert set(PlanRequest.objects.filter(pk__in=wished).values_list("status", flat=True)) == {
        "DONE"
    }


def test_a_report_stored_while_a_plan_is_made_is_planned_by_the_next(
    published: Plan, job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    def wish(report: NewReport) -> PlanRequest:
        wanted = take_reports(reports=[report], who=OFFICE, now=EVENING).plan_request
        assert wanted is not None
        return wanted

    first = wish(a_report(job, "LAYOUT", "STARTED", hours=1))
    planning.claim(plan_request_id=first.pk, now=EVENING)
    repair, late = planning.repair, []

    def meanwhile(**given: Any) -> Any:
        proposal = repair(**given)
        late.append(wish(a_report(job, "LAYOUT", "DONE", hours=5)))
        return proposal

    monkeypatch.setattr(planning, "repair", meanwhile)
    planning.answer_by_repair(plan_request_id=first.pk, now=EVENING)

    late[0].refresh_from_db()
    assert late[0].status == "QUEUED"


def test_the_task_makes_a_repaired_draft_without_what_is_done(published: Plan, job: Job) -> None:
    taken = take_reports(
        reports=[
            a_report(job, "LAYOUT", "STARTED", hours=1),
            a_report(job, "LAYOUT", "DONE", hours=3),
        ],
        who=OFFICE,
        now=EVENING,
    )
    assert taken.plan_request is not None

    tasks.repair_plan(plan_request_id=taken.plan_request.pk)
    tasks.repair_plan(plan_request_id=taken.plan_request.pk)

    draft = Plan.objects.get(status=Plan.Status.DRAFT)
    assert not Booking.objects.filter(plan=draft, phase__code="LAYOUT").exists()


def test_taking_a_report_reads_as_often_beside_other_reports(published: Plan, job: Job) -> None:
    def reads() -> int:
        report = a_report(job, "LAYOUT", "NOTE", note="all well")
        with CaptureQueriesContext(connection) as captured:
            take(report)
        return len(captured)

    reads()
    few = reads()
    for number in range(5):
        take(a_report(job, "LAYOUT", "NOTE", note=str(number)))

    assert reads() == few


def test_work_that_is_stopped_goes_on_when_it_was_told_to(published: Plan, job: Job) -> None:
    until = MONDAY + timedelta(days=9, hours=1)
    take(
        a_report(job, "LAYOUT", "STARTED", hours=1),
        a_report(job, "LAYOUT", "STOPPED", hours=2, stopped_by="WEATHER", stopped_until=until),
    )

    draft = planning.repair_now(reason="a test", now=EVENING, budget_seconds=0).base

    booking = Booking.objects.get(plan=draft, phase__code="LAYOUT")
    assert booking.starts_at >= until
    assert draft is not None
    wait = draft.waits.get(kind="STOPPED")
    assert "weather" in wait.basis
    assert wait.ends_at == until


def test_hours_reported_above_the_rate_leave_more_to_do(published: Plan, job: Job) -> None:
    def left(hours: float) -> float:
        take(a_report(job, "POSTS", "PROGRESS", hours=8, share_done=0.5, crew_hours=hours))
        draft = planning.repair_now(reason="a test", now=EVENING, budget_seconds=0).base
        booking = Booking.objects.get(plan=draft, phase__code="POSTS")
        FieldReport.objects.all().delete()
        Phase.objects.filter(job=job).update(
            status="OPEN",
            started_at=None,
            share_done=0,
            share_at=None,
            crew=None,
            reported_hours=None,
            hours_at_share=None,
        )
        return booking.work_hours

    planned = phase(job, "POSTS").planned_hours

    assert left(planned) > left(planned / 2)


def finish_up_to(job: Job, code: str, now: datetime) -> None:
    """Report every phase before one as done, the last of them an hour before `now`."""
    before = list(job.phases.filter(sequence__lt=phase(job, code).sequence).order_by("sequence"))
    for number, row in enumerate(before):
        done_at = now - timedelta(hours=len(before) - number)
        if "INSPECTION" in row.code:
            row.status, row.done_at = "DONE", done_at
            row.save()
        else:
            hours = (done_at - MONDAY).total_seconds() / 3600
            take(a_report(job, row.code, "DONE", hours=hours), now=now)


def told(code: str, plan: Plan | None) -> Booking:
    assert plan is not None
    return Booking.objects.get(plan=plan, phase__code=code)


def test_within_the_freeze_what_people_were_told_stays(published: Plan, job: Job) -> None:
    before = told("TRUSSES", published)
    now = before.starts_at - timedelta(days=3)
    finish_up_to(job, "TRUSSES", now)

    draft = planning.repair_now(reason="a test", now=now, budget_seconds=0).base

    assert told("TRUSSES", draft).starts_at == before.starts_at
