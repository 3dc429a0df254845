"""Lent people and time set aside, in all that tells how much of a crew is free or still needed."""

from datetime import date, datetime, time, timedelta

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st

from contractor.engine.worktime import SLOTS_PER_HOUR, Axis
from crews.models import Crew, WorkHours
from jobs.models import Job, LentPeople, SetAside
from jobs.selectors.backlog import backlog
from jobs.selectors.crew_load import (
    CrewDays,
    CrewLoad,
    active_crews,
    crew_loads,
    days_of_crews,
)
from jobs.selectors.crew_report import crews_of_plan
from jobs.selectors.owner import firm_weeks
from jobs.selectors.site_calendars import site_calendar, slots_set_aside
from jobs.selectors.stored_plan import stored_plan
from jobs.services import plan_making, planning, publishing
from jobs.services.slip_measure import take_today_as_told
from tests.factories import PhaseFactory
from tests.service.api import book, make_plan, morning
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]

DAY_HOURS = 8.5
"""A day of the tests' crews: 7:00 to 15:30."""
WEDNESDAY = date(2026, 6, 3)


def at(day: date, hour: int, minute: int = 0) -> datetime:
    return datetime.combine(day, time(hour, minute), tzinfo=ZONE)


def shop_day(crew: Crew, day: date = WEDNESDAY, *, begins: int = 6, ends: int = 17) -> SetAside:
    return SetAside.objects.create(
        crew=crew, kind="SHOP", starts_at=at(day, begins), ends_at=at(day, ends)
    )


def lend(crew: Crew, other: Crew, people: int, first: date, last: date) -> LentPeople:
    return LentPeople.objects.create(
        from_crew=crew, to_crew=other, people=people, first_day=first, last_day=last
    )


def load_of(crew: Crew) -> CrewLoad:
    return next(row for row in crew_loads(list(active_crews()), now=MONDAY) if row.crew == crew)


def framing(hours: float, **columns: object) -> Job:
    """A job next to the yard that has only framing left."""
    job = make_job(drive_minutes=0, **columns)
    job.phases.all().delete()
    PhaseFactory(job=job, code="FRAME", labor_hours=hours)
    return job


def test_a_shop_day_is_no_free_day_of_the_week():
    crew, other = make_firm(crews=2)
    shop_day(crew)

    assert load_of(crew).weeks[0].working_hours == 4 * DAY_HOURS
    assert load_of(other).weeks[0].working_hours == 5 * DAY_HOURS


def test_part_of_a_day_set_aside_takes_its_hours_alone():
    (crew,) = make_firm(crews=1)
    shop_day(crew, begins=13, ends=20)  # two and a half hours of it in the shift

    assert load_of(crew).weeks[0].working_hours == 5 * DAY_HOURS - 2.5


def test_time_set_aside_within_a_booking_is_not_booked():
    (crew,) = make_firm(crews=1)
    shop_day(crew)
    start = at(MONDAY.date(), 7)
    book(make_plan(), framing(99), "FRAME", start=start, hours=4 * 24 + 8.5, crew=crew)

    (week,) = load_of(crew).weeks

    assert (week.working_hours, week.booked_hours, week.on_site_hours) == (34, 34, 34)


def test_a_crew_comes_free_after_its_shop_day():
    (crew,) = make_firm(crews=1)
    shop_day(crew)
    book(make_plan(), framing(9), "FRAME", start=morning(1), hours=2, crew=crew)

    assert load_of(crew).comes_free_on == date(2026, 6, 4)


def test_the_firms_week_leaves_time_set_aside_out():
    crew, _ = make_firm(crews=2)
    shop_day(crew)

    (week,) = firm_weeks(crew_loads(list(active_crews()), now=MONDAY))

    assert week.working_hours == 9 * DAY_HOURS


def test_a_day_on_which_everybody_is_lent_is_a_day_off():
    crew, other = make_firm(crews=2)
    lend(crew, other, crew.size, WEDNESDAY, WEDNESDAY)

    assert load_of(crew).weeks[0].working_hours == 4 * DAY_HOURS


def test_work_days_a_week_agree_with_numpys_business_days():
    """Source: numpy.busday_count, an independent count of weekdays less holidays."""
    (crew,) = make_firm(crews=1)
    apart = [date(2026, 6, 3), date(2026, 9, 15), date(2027, 2, 1)]
    for day in apart:
        shop_day(crew, day)
    today = MONDAY.date()

    (days,) = days_of_crews(active_crews(), since=today)

    expected = np.busday_count(today, today + timedelta(days=364), holidays=apart) / 52
    assert days.work_days_a_week(today) == expected


@pytest.mark.parametrize(
    ("first", "last", "people"),
    [
        (1, 5, 3),  # all week
        (3, 3, 3),  # one day of the booking: work across the edge counts the fewer
        (6, 7, 4),  # a weekend, on which nobody works
        (8, 12, 4),  # after it
    ],
)
def test_the_backlog_counts_the_people_of_the_days_booked(first: int, last: int, people: int):
    crew, other = make_firm(crews=2)
    lend(crew, other, 1, date(2026, 6, first), date(2026, 6, last))
    job = framing(102)
    book(make_plan(), job, "FRAME", start=morning(), hours=4 * 24 + 3, crew=crew)

    found = backlog(now=MONDAY)

    assert found.total.crew_days == pytest.approx(102 / (people * DAY_HOURS))


def test_the_backlog_of_a_real_plan_is_the_hours_that_the_planner_booked():
    """Independent count: the planner's own working hours of each booking, with a person away."""
    crew, other = make_firm(crews=2)
    cover_digging(make_job(drive_minutes=0))
    Crew.objects.filter(pk=other.pk).update(is_active=False)
    lend(crew, other, 1, MONDAY.date(), date(2027, 6, 1))
    shop_day(crew)
    draft = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=draft.pk, now=MONDAY)

    booked = [row for row in draft.bookings.all() if row.crew_id]
    hours = sum(row.work_hours for row in booked)

    # A booking is rounded up to a quarter hour.
    assert hours - len(booked) / 4 <= backlog(now=MONDAY).total.crew_days * DAY_HOURS <= hours
    assert sum(week.on_site_hours for week in load_of(crew).weeks) == hours


def test_the_crews_report_leaves_time_set_aside_out_of_working_and_idle_hours():
    (crew,) = make_firm(crews=1)
    plan = make_plan()
    book(plan, framing(1, number="26-001"), "FRAME", start=morning(), hours=2, crew=crew)
    book(plan, framing(1, number="26-002"), "FRAME", start=morning(3), hours=2, crew=crew)
    without = crews_of_plan(stored_plan(plan)).crews[0]
    shop_day(crew)

    found = crews_of_plan(stored_plan(plan)).crews[0]

    assert found.working_hours == without.working_hours - DAY_HOURS
    assert found.idle_hours == without.idle_hours - DAY_HOURS
    assert found.booked_hours == without.booked_hours


def test_unreported_work_of_today_counts_the_people_who_were_there():
    crew, other = make_firm(crews=2)
    lend(crew, other, 1, MONDAY.date(), MONDAY.date())
    job = framing(36)
    row = book(make_plan(), job, "FRAME", start=at(MONDAY.date(), 7), hours=6, crew=crew)
    work = plan_making.gather(now=at(MONDAY.date(), 9))

    take_today_as_told(work, {row.phase_id: row}, {row.phase_id: row.ends_at})

    phase = next(phase for phase in work.jobs[0].phases.all() if phase.pk == row.phase_id)
    assert phase.share_done == pytest.approx(1 - 6 * 3 / phase.planned_hours)
    assert phase.share_done > 0


def test_queries_do_not_grow_with_lends_and_time_set_aside():
    crew, other = make_firm(crews=2)
    plan = make_plan()
    book(plan, framing(36), "FRAME", start=morning(), hours=6, crew=crew)

    def queries(days: range) -> int:
        for n in days:
            shop_day(crew, WEDNESDAY + timedelta(days=n))
            lend(crew, other, 1, WEDNESDAY + timedelta(days=n), WEDNESDAY + timedelta(days=n))
        with CaptureQueriesContext(connection) as captured:
            load_of(crew)
            backlog(now=MONDAY)
            crews_of_plan(stored_plan(plan))
        return len(captured)

    assert queries(range(1)) == queries(range(1, 8))


@given(
    spans=st.lists(st.tuples(st.integers(0, 7 * 24 * 60), st.integers(1, 2 * 24 * 60)), max_size=5),
    drive_minutes=st.sampled_from([0, 25, 60]),
)
def test_free_hours_by_day_are_those_of_the_calendar_that_plans(
    spans: list[tuple[int, int]], drive_minutes: int
):
    """Independent count: minute by minute, a quarter hour that is partly set aside goes whole."""
    crew = Crew(pk=1, name="A", size=4, work_hours=WorkHours(monday="07:00-15:30"))
    midnight = at(MONDAY.date(), 0)
    axis = Axis(origin=midnight, slots=7 * 24 * SLOTS_PER_HOUR)
    rows = [
        SetAside(
            crew=crew,
            starts_at=midnight + timedelta(minutes=begins),
            ends_at=midnight + timedelta(minutes=begins + minutes),
        )
        for begins, minutes in spans
    ]
    gone = {m // 15 for begins, minutes in spans for m in range(begins, begins + minutes)}
    drive = -(-drive_minutes // 15)
    quarters = set(range(7 * 4 + drive, 15 * 4 + 2 - drive)) - gone

    calendar = site_calendar(
        crew=crew,
        drive_minutes=drive_minutes,
        axis=axis,
        zone=ZONE,
        closed=(),
        set_aside=rows,
    )

    assert set(np.flatnonzero(calendar.working)) == quarters
    taken = {slot for a, b in slots_set_aside(crew, rows, axis) for slot in range(a, b)}
    assert taken == {slot for slot in gone if slot < axis.slots}
    if drive_minutes == 0:
        # Without days off of its own, which the database would be asked for.
        crew._prefetched_objects_cache = {"days_off": Crew.objects.none()}
        days = CrewDays(crew, firm_off=frozenset(), set_aside=rows)
        assert days.free_hours_on(MONDAY.date()) == len(quarters) / SLOTS_PER_HOUR
