"""Slips: what the published plan becomes, pushed by facts, told once and shared out exactly."""

from datetime import date, datetime, timedelta
from itertools import pairwise
from uuid import UUID, uuid4

import pytest
from django.utils import timezone

from crews.models import DayOff
from inspections.models import Permit
from jobs.models import Booking, Delivery, FieldReport, Job, KnownFacts, Phase, Plan, Slip, SlipStep
from jobs.selectors.reports import OFFICE
from jobs.selectors.slips import open_slips
from jobs.services import planning, publishing, slips
from jobs.services.intake import refresh_phases
from jobs.services.new_report import NewReport
from jobs.services.reporting import take_reports
from tests.factories import DayOffFactory
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = pytest.mark.django_db

EIGHT = MONDAY + timedelta(hours=2)


@pytest.fixture
def published() -> Plan:
    """A published plan of two jobs, one after the other on the only crew."""
    make_firm(crews=1)
    for number in ("26-001", "26-002"):
        job = make_job(number=number, promised_on=date(2026, 7, 31))
        cover_digging(job)
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    return publishing.publish(plan_id=plan.pk, now=MONDAY).plan


@pytest.fixture
def published_exempt() -> Plan:
    """The same where no authority looks at anything: each job ends with its punch list."""
    make_firm(crews=1)
    for number in ("26-001", "26-002"):
        job = make_job(number=number)
        Permit.objects.filter(job=job).update(is_exempt=True)
        refresh_phases(job=Job.objects.get(pk=job.pk))
        cover_digging(job)
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    return publishing.publish(plan_id=plan.pk, now=MONDAY).plan


def compare(now: datetime = EIGHT) -> slips.Compared:
    return slips.compare_published(now=now, trigger="a test")


def booking(plan: Plan, number: str, code: str) -> Booking:
    return Booking.objects.select_related("phase").get(
        plan=plan, phase__job__number=number, phase__code=code
    )


def finish(plan: Plan, number: str) -> datetime:
    rows = Booking.objects.filter(plan=plan, phase__job__number=number)
    return max(row.ends_at for row in rows)


def quarters_later(job: Job) -> int:
    """Return by how many working quarter hours a job ends later, all its steps together."""
    return sum(step.quarters for step in SlipStep.objects.filter(job=job))


def report(phase: Phase, kind: str, now: datetime, **said: object) -> UUID:
    key = uuid4()
    new = NewReport(id=key, phase_id=phase.pk, kind=kind, made_at=now, **said)  # type: ignore[arg-type]
    (answer,) = take_reports(reports=[new], who=OFFICE, now=now).answers
    assert answer.outcome == "RECEIVED", answer.faults
    return key


def late_trusses(number: str = "26-001", day: date = date(2026, 7, 10)) -> None:
    Delivery.objects.filter(job__number=number, item="TRUSSES").update(
        arrived_on=None, promised_on=day
    )


def test_nothing_has_slipped_where_nothing_has_happened(published: Plan) -> None:
    found = compare()

    assert (found.new, found.grown, found.ended) == ((), (), ())
    assert not SlipStep.objects.exists()


def test_a_late_delivery_is_a_slip_of_its_job_by_material(published: Plan) -> None:
    late_trusses()

    (slip,) = compare().new

    assert (slip.job.number, slip.cause, slip.cause_job) == ("26-001", "MATERIAL", None)
    assert slip.days > 5
    assert slip.what == "Trusses, job 26-001: promised on 2026-07-10"
    assert slip.phase.code == "TRUSSES"


def test_the_same_facts_twice_are_one_slip(published: Plan) -> None:
    late_trusses()
    compare()

    again = compare()

    assert (again.new, again.grown) == ((), ())
    assert Slip.objects.count() == 1
    assert SlipStep.objects.count() == 1


def test_the_amount_is_in_working_days_of_the_site(published: Plan) -> None:
    """
    Counted by hand: weekdays between the two finishes, of 7.5 hours (8.5 less an hour of drive).

    Public holidays of Ohio in between: Juneteenth and July 3 for July 4 (5 U.S.C. 6103).
    """
    late_trusses()
    (slip,) = compare().new
    step = SlipStep.objects.get()
    closed = {date(2026, 6, 19), date(2026, 7, 3)}

    def worked(moment: datetime) -> float:
        local = timezone.localtime(moment)
        hours = min(max(local.hour + local.minute / 60 - 7.5, 0), 7.5)
        whole = sum(
            1
            for n in range((local.date() - date(2026, 6, 1)).days)
            if (d := date(2026, 6, 1) + timedelta(days=n)).weekday() < 5 and d not in closed
        )
        return whole + hours / 7.5

    by_hand = worked(step.ends_after) - worked(step.ends_before)
    assert slip.days == pytest.approx(by_hand, abs=0.01)
    assert slip.day_quarters == 30


def test_each_step_begins_where_the_one_before_ended_whatever_came(published: Plan) -> None:
    trusses = booking(published, "26-001", "TRUSSES").phase
    late_trusses()
    Phase.objects.filter(pk=trusses.pk).update(office_hours=90)
    DayOffFactory(first_day=date(2026, 6, 11), last_day=date(2026, 6, 12), reason="Fair")
    compare()
    late_trusses(day=date(2026, 7, 14))

    compare(EIGHT + timedelta(hours=1))

    slipped = Job.objects.filter(slip_steps__isnull=False).distinct()
    assert slipped
    for job in slipped:
        steps = SlipStep.objects.filter(job=job).order_by("compared_at", "number")
        assert steps[0].ends_before == finish(published, job.number)
        for before, after in pairwise(steps):
            assert before.ends_after == after.ends_before


def test_what_began_sooner_and_ends_later_follows_on_what_was_quicker(published: Plan) -> None:
    job = Job.objects.get(number="26-001")
    late_trusses()
    compare(EIGHT + timedelta(seconds=1))
    late_trusses(day=date(2026, 7, 20))

    compare(EIGHT)

    steps = SlipStep.objects.filter(job=job).order_by("compared_at", "number")
    assert len(steps) == 2
    assert all(first.ends_after == second.ends_before for first, second in pairwise(steps))


def test_events_are_put_in_in_the_order_in_which_they_happened(published: Plan) -> None:
    """Two causes of the same days: the one that was there first has them (trade.md 7.1)."""
    dig = booking(published, "26-001", "DIG").phase
    stop_until = EIGHT + timedelta(days=9)
    orders = [("rain", "machine"), ("machine", "rain")]
    shares = []
    for order in orders:
        Slip.objects.all().delete()
        SlipStep.objects.all().delete()
        FieldReport.objects.all().delete()
        KnownFacts.objects.all().delete()
        Phase.objects.filter(pk=dig.pk).update(stopped_by="", stopped_until=None, stopped_at=None)
        DayOff.objects.filter(reason="auger in repair").delete()
        slips.know_the_plan(plan=published, now=MONDAY)
        first, second = EIGHT, EIGHT + timedelta(minutes=30)
        if order[0] == "rain":
            report(dig, "STOPPED", first, stopped_by="WEATHER", stopped_until=stop_until)
            DayOffFactory(
                first_day=date(2026, 6, 1), last_day=date(2026, 6, 10), reason="auger in repair"
            )
        else:
            DayOffFactory(
                first_day=date(2026, 6, 1), last_day=date(2026, 6, 10), reason="auger in repair"
            )
            compare(first)
            report(dig, "STOPPED", second, stopped_by="WEATHER", stopped_until=stop_until)
        compare(second + timedelta(minutes=15))
        rows = Slip.objects.filter(job__number="26-001")
        shares.append({slip.cause: slip.job_quarters for slip in rows})

    first_rain, first_machine = shares
    assert first_rain.get("WEATHER", 0) > first_machine.get("WEATHER", 0)
    assert first_machine.get("CREW", 0) > first_rain.get("CREW", 0)


def test_what_another_job_passes_on_is_told_as_its_knock_on(published: Plan) -> None:
    first = booking(published, "26-001", "FRAME").phase
    Phase.objects.filter(pk=first.pk).update(office_hours=400)

    found = compare().new

    by_job = {slip.job.number: slip for slip in found}
    assert by_job["26-001"].cause == "ESTIMATE"
    assert by_job["26-002"].cause == "KNOCK_ON"
    assert by_job["26-002"].cause_job == Job.objects.get(number="26-001")


def test_float_that_takes_up_a_delay_is_told_as_eaten(published: Plan) -> None:
    """The final inspection comes days after the punch list; the wait takes up five hours."""
    punch = Phase.objects.get(job__number="26-002", code="PUNCH")
    Phase.objects.filter(pk=punch.pk).update(office_hours=punch.planned_hours + 20)

    (slip,) = compare().new

    assert (slip.phase.code, slip.job_quarters) == ("PUNCH", 0)
    assert slip.float_days == slip.phase_days == pytest.approx(20 / 30)
    assert not SlipStep.objects.exists()


def test_a_slip_ends_when_it_is_recovered(published: Plan) -> None:
    late_trusses()
    compare()
    Delivery.objects.filter(job__number="26-001", item="TRUSSES").update(
        arrived_on=date(2026, 6, 1), promised_on=date(2026, 6, 1)
    )

    found = compare(EIGHT + timedelta(hours=1))

    (slip,) = found.ended
    assert (slip.ended_because, slip.ended_at) == ("RECOVERED", EIGHT + timedelta(hours=1))
    assert quarters_later(slip.job) == 0
    assert not open_slips().exists()


def test_a_slip_that_comes_back_by_the_same_event_is_the_same_slip(published: Plan) -> None:
    late_trusses()
    compare()
    Delivery.objects.filter(job__number="26-001", item="TRUSSES").update(
        arrived_on=date(2026, 6, 1), promised_on=date(2026, 6, 1)
    )
    compare(EIGHT + timedelta(hours=1))
    late_trusses()

    found = compare(EIGHT + timedelta(hours=2))

    assert found.new == ()
    slip = Slip.objects.get()
    assert slip.ended_at is None


def test_less_than_the_threshold_is_no_slip_but_kept_as_a_step(published_exempt: Plan) -> None:
    punch = Phase.objects.get(job__number="26-002", code="PUNCH")
    Phase.objects.filter(pk=punch.pk).update(office_hours=punch.planned_hours + 4)

    found = compare()

    assert found.new == ()
    step = SlipStep.objects.get(job__number="26-002")
    assert (step.quarters, step.slip) == (4, None)


def test_small_steps_that_pass_the_threshold_together_are_a_slip(
    published_exempt: Plan,
) -> None:
    punch = Phase.objects.get(job__number="26-002", code="PUNCH")
    hours = punch.planned_hours
    found = []
    for number in range(1, 6):
        Phase.objects.filter(pk=punch.pk).update(office_hours=hours + 4 * number)
        found += compare(EIGHT + timedelta(minutes=15 * number)).new

    assert len(found) == 1
    assert quarters_later(punch.job) == 20


def test_work_that_nobody_reports_is_a_slip_the_next_morning_and_not_before(
    published: Plan,
) -> None:
    before_the_cutoff = MONDAY + timedelta(hours=9)  # 15:00; then the inspection is asked for late
    assert compare(before_the_cutoff).new == ()

    found = compare(MONDAY + timedelta(days=1)).new

    silent = [slip for slip in found if slip.cause == ""]
    assert silent
    assert "not reported" in silent[0].what


def test_a_report_names_the_cause_that_nobody_had_said(published: Plan) -> None:
    layout = booking(published, "26-001", "LAYOUT").phase
    tuesday = MONDAY + timedelta(days=1)
    compare(tuesday)
    report(layout, "STOPPED", tuesday, stopped_by="SITE_NOT_READY")

    compare(tuesday + timedelta(minutes=15))

    slip = Slip.objects.filter(job__number="26-001").earliest("id")
    assert slip.cause == "SITE_NOT_READY"


def test_a_report_is_the_event_of_its_slip_whenever_it_comes(published: Plan) -> None:
    layout = booking(published, "26-001", "LAYOUT").phase
    until = EIGHT + timedelta(days=4)
    key = report(layout, "STOPPED", EIGHT, stopped_by="WEATHER", stopped_until=until)

    found = compare(EIGHT + timedelta(minutes=30)).new

    slip = next(slip for slip in found if slip.job.number == "26-001")
    assert (slip.event, slip.cause, slip.happened_at) == (f"report:{key}", "WEATHER", EIGHT)


def test_a_promise_that_a_slip_breaks_is_told(published: Plan) -> None:
    Job.objects.filter(number="26-001").update(promised_on=finish(published, "26-001").date())
    late_trusses()

    (slip,) = compare().new

    assert slip.promise == Slip.Promise.BROKEN


def test_another_published_plan_ends_what_it_tells(published: Plan) -> None:
    late_trusses()
    compare()
    plan = planning.plan_now(now=EIGHT, budget_seconds=0)

    publishing.publish(plan_id=plan.pk, now=EIGHT)

    assert Slip.objects.get().ended_because == Slip.Ended.REPLANNED
    assert compare(EIGHT + timedelta(minutes=15)).new == ()


def test_a_comparison_that_another_one_has_overtaken_stores_nothing(
    published: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    late_trusses()
    store = slips.slip_rows.store

    def meanwhile(*given: object) -> object:
        raise AssertionError("it must not store")

    known = KnownFacts.objects.get(plan=published)
    gather = slips.plan_making.gather

    def other_first(*, now: datetime) -> object:
        KnownFacts.objects.filter(pk=known.pk).update(compared_at=now + timedelta(seconds=1))
        return gather(now=now)

    monkeypatch.setattr(slips.plan_making, "gather", other_first)
    monkeypatch.setattr(slips.slip_rows, "store", meanwhile)

    with pytest.raises(slips.ComparedMeanwhile):
        compare()

    assert store is not meanwhile
    assert not Slip.objects.exists()


def test_choices_of_the_office_are_no_slips(published: Plan) -> None:
    row = booking(published, "26-002", "PUNCH")
    Phase.objects.filter(pk=row.phase_id).update(
        pinned_start_at=row.starts_at + timedelta(days=14), pinned_crew=row.crew
    )

    assert compare().new == ()
