"""Public holidays become days off, once."""

from datetime import date

import pytest

from contractor.engine.worktime import public_holidays
from crews.models import DayOff, HolidayYear
from crews.selectors import NoFirm, firm
from crews.services import ensure_public_holidays
from tests.factories import DayOffFactory, FirmFactory

pytestmark = pytest.mark.django_db


def test_the_days_are_those_the_planner_knows_by_the_same_calendar():
    FirmFactory(state="OH")

    written = ensure_public_holidays(years=[2027, 2026])

    days = set(DayOff.objects.values_list("first_day", flat=True))
    assert written == (2026, 2027)
    assert days == public_holidays(country="US", subdiv="OH", years=[2026, 2027])


def test_they_are_everyones_single_days_with_their_names():
    FirmFactory(state="OH")

    ensure_public_holidays(years=[2026])

    # 5 U.S.C. 6103(a): the fourth Thursday in November.
    holiday = DayOff.objects.get(first_day=date(2026, 11, 26))
    assert "Thanksgiving" in holiday.reason
    assert holiday.last_day == holiday.first_day
    assert holiday.is_public_holiday
    assert (holiday.crew, holiday.equipment) == (None, None)


def test_a_year_is_written_once(django_assert_num_queries):
    FirmFactory()
    ensure_public_holidays(years=[2026])
    count = DayOff.objects.count()

    with django_assert_num_queries(1):
        again = ensure_public_holidays(years=[2026, 2026])

    assert again == ()
    assert DayOff.objects.count() == count


def test_a_holiday_that_the_office_deletes_does_not_come_back():
    FirmFactory()
    ensure_public_holidays(years=[2026])
    DayOff.objects.filter(reason__contains="Thanksgiving").delete()

    ensure_public_holidays(years=[2026, 2027])

    assert not DayOff.objects.filter(first_day=date(2026, 11, 26)).exists()
    assert DayOff.objects.filter(reason__contains="Thanksgiving", first_day__year=2027).exists()


def test_whoever_comes_second_at_the_same_moment_writes_nothing(monkeypatch):
    FirmFactory()
    HolidayYear.objects.create(year=2026)
    # As if the other had written its year after we looked.
    unseen = HolidayYear.objects.filter(pk=None)
    monkeypatch.setattr(HolidayYear.objects, "filter", lambda **_: unseen)

    assert ensure_public_holidays(years=[2026]) == ()
    assert not DayOff.objects.exists()


def test_the_offices_own_days_off_are_left_alone():
    FirmFactory()
    own = DayOffFactory(first_day=date(2026, 11, 26), reason="Shop closed")

    ensure_public_holidays(years=[2026])

    own.refresh_from_db()
    assert (own.reason, own.is_public_holiday) == ("Shop closed", False)


def test_an_unknown_state_is_refused_with_its_value_and_nothing_is_stored():
    FirmFactory(state="ZZ")

    with pytest.raises(ValueError, match=r"state 'ZZ'.*correct the firm's state"):
        ensure_public_holidays(years=[2026])

    assert not HolidayYear.objects.exists()


def test_without_a_firm_the_remedy_is_told():
    with pytest.raises(NoFirm, match="Add one"):
        ensure_public_holidays(years=[2026])


def test_the_firm_is_read():
    entered = FirmFactory()

    assert firm() == entered
