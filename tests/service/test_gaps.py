"""The next gap for small work: free of bookings, by every day looked at one by one."""

from datetime import date, datetime, timedelta

import pytest

from contractor.trade.errors import SpecError
from jobs.models import Booking, SetAside
from jobs.selectors.board_version import plan_at_hand
from jobs.services import gaps, planning
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


def at(day: date, hour: int, minute: int = 0) -> datetime:
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=ZONE)


def test_a_crew_without_work_is_free_at_once():
    (crew,) = make_firm(crews=1)

    (gap,) = gaps.next_gaps(hours=4, now=MONDAY)

    assert (gap.crew_id, gap.crew) == (crew.pk, crew.name)
    assert gap.starts_at == at(MONDAY.date(), 7, 30)  # half an hour's drive from the yard at 7
    assert gap.ends_at == at(MONDAY.date(), 11, 30)


def test_work_that_is_longer_than_the_day_goes_on_the_next():
    make_firm(crews=1)

    (gap,) = gaps.next_gaps(hours=10, now=MONDAY)

    # 7.5 hours a day at the site, then 2.5 more.
    assert gap.ends_at == at(MONDAY.date() + timedelta(days=1), 10)


def test_the_gap_lies_clear_of_every_booking_and_no_sooner_one_does():
    (crew,) = make_firm(crews=1)
    for number in ("26-001", "26-002"):
        cover_digging(make_job(number=number))
    planning.plan_now(now=MONDAY, budget_seconds=0)
    hours = 6

    gap = gaps.next_gaps(hours=hours, now=MONDAY, crew_id=crew.pk)[0]

    rows = list(Booking.objects.filter(plan=plan_at_hand(), crew=crew).order_by("starts_at"))
    assert all(gap.ends_at <= row.starts_at or row.ends_at <= gap.starts_at for row in rows)
    # Any earlier start that has room before the next booking would have been found: a day at
    # a site is from 7:30 to 15:00 here, so walk through them by quarter hours.
    moment = at(MONDAY.date(), 7, 30)
    while moment < gap.starts_at:
        assert not is_free(moment, hours, rows), moment
        moment += timedelta(minutes=15)


def is_free(start: datetime, hours: float, rows: list[Booking]) -> bool:
    """Return whether so many hours of work from a moment on meet no booking."""
    left, moment = hours * 4, start
    if not works(start):
        return False
    while left:
        if any(row.starts_at <= moment < row.ends_at for row in rows):
            return False
        left -= works(moment)
        moment += timedelta(minutes=15)
    return True


def works(moment: datetime) -> bool:
    local = moment.astimezone(ZONE)
    return local.weekday() < 5 and (7, 30) <= (local.hour, local.minute) < (15, 0)


def test_time_set_aside_is_no_gap():
    (crew,) = make_firm(crews=1)
    day = MONDAY.date()
    SetAside.objects.create(crew=crew, kind="SHOP", starts_at=at(day, 7), ends_at=at(day, 15, 30))

    (gap,) = gaps.next_gaps(hours=2, now=MONDAY)

    assert gap.starts_at == at(day + timedelta(days=1), 7, 30)


def test_a_crew_without_the_skill_has_no_gap():
    first, second = make_firm(crews=2)
    first.skills = ["CONCRETE"]
    first.save()

    found = gaps.next_gaps(hours=2, now=MONDAY, skills=["FINISH"])

    assert [gap.crew_id for gap in found] == [second.pk]


@pytest.mark.parametrize("hours", [0, -1, 200])
def test_what_is_no_small_work_is_refused(hours):
    make_firm(crews=1)

    with pytest.raises(SpecError, match="small work"):
        gaps.next_gaps(hours=hours, now=MONDAY)
