from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import holidays
import pytest

from contractor.trade.notice import AskedWhen, NoticeRule, request_by
from tests.forward_rules import earliest_visit

EASTERN = ZoneInfo("America/New_York")
MORNING = (time(8), time(12))
AFTERNOON = (time(12), time(16))


def weekday(day: date) -> bool:
    return day.weekday() < 5


def rule(**changes: object) -> NoticeRule:
    fields = {
        "cutoff": time(16),
        "notice_working_days": 1,
        "windows": (MORNING, AFTERNOON),
        "asked_when": AskedWhen.READY,
    }
    return NoticeRule(**{**fields, **changes})


def visit(asked_at: datetime, here: NoticeRule | None = None, **options: object) -> datetime:
    start, _ = earliest_visit(
        asked_at=asked_at, rule=here or rule(), is_working_day=weekday, **options
    )
    return start


def at(day: int, hour: int, minute: int = 0, month: int = 6) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=EASTERN)


@pytest.mark.parametrize(
    ("asked_at", "visit_at"),
    [
        (at(1, 9), at(2, 8)),
        (at(1, 16), at(2, 8)),
        (at(1, 16, 1), at(3, 8)),
        (at(5, 15), at(8, 8)),
        (at(5, 17), at(9, 8)),
        (at(6, 10), at(9, 8)),
    ],
    ids=["in time", "at the cut-off", "late", "Friday", "late Friday", "Saturday"],
)
def test_asked_by_four_is_next_workday_and_later_the_one_after(asked_at, visit_at):
    """The rule of a county that takes requests to 4 pm: common practice, no source."""
    assert visit(asked_at) == visit_at


def test_the_window_has_its_end():
    start, end = earliest_visit(asked_at=at(1, 9), rule=rule(), is_working_day=weekday)

    assert (start, end) == (at(2, 8), at(2, 12))


def test_same_day_visits_begin_after_the_request():
    here = rule(cutoff=time(10), notice_working_days=0)

    assert visit(at(1, 7), here) == at(1, 8)
    assert visit(at(1, 9), here) == at(1, 12)
    assert visit(at(1, 11), here) == at(2, 8)


def test_no_window_left_today_means_the_next_working_day():
    here = rule(cutoff=time(23), notice_working_days=0)

    assert visit(at(5, 18), here) == at(8, 8)


def test_a_visit_waits_until_the_work_is_ready():
    assert visit(at(1, 9), ready_at=at(2, 9)) == at(2, 12)
    assert visit(at(1, 9), ready_at=at(5, 14)) == at(8, 8)
    assert visit(at(1, 9), ready_at=at(1, 15)) == at(2, 8)


def test_readiness_in_another_zone_is_the_same_moment():
    ready_at = datetime(2026, 6, 2, 13, 0, tzinfo=UTC)

    assert visit(at(1, 9), ready_at=ready_at) == at(2, 12)


@pytest.mark.parametrize(
    ("asked_at", "offset_hours"),
    [(at(6, 15, month=3), -4), (at(30, 15, month=10), -5)],
    ids=["spring", "autumn"],
)
def test_windows_keep_the_clock_over_a_time_change(asked_at, offset_hours):
    """Clocks change on 8 March and 1 November 2026 in the eastern zone."""
    start = visit(asked_at)

    assert start.timetz().hour == 8
    assert start.utcoffset() == timedelta(hours=offset_hours)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"notice_working_days": -1}, "notice_working_days"),
        ({"windows": ()}, "windows"),
        ({"windows": ((time(12), time(8)),)}, "windows"),
        ({"windows": (AFTERNOON, MORNING)}, "windows"),
    ],
)
def test_a_senseless_rule_is_refused(changes, field):
    with pytest.raises(ValueError, match=field):
        rule(**changes)


def test_an_office_that_never_opens_is_refused():
    with pytest.raises(ValueError, match="no working day"):
        earliest_visit(asked_at=at(1, 9), rule=rule(), is_working_day=lambda day: False)


def by(visit_from: datetime, here: NoticeRule | None = None, is_open=weekday) -> datetime:
    return request_by(visit_from=visit_from, rule=here or rule(), is_working_day=is_open)


@pytest.mark.parametrize(
    ("asked_at", "visit_at"),
    [
        (at(5, 15, 59), at(8, 8)),
        (at(5, 16, 1), at(9, 8)),
    ],
    ids=["Friday 3:59 pm", "Friday 4:01 pm"],
)
def test_friday_before_and_after_the_cut_off(asked_at, visit_at):
    """By 4 pm the next workday, later the second: as a Virginia county's published rule has it."""
    assert visit(asked_at) == visit_at
    assert (asked_at <= by(at(8, 8))) == (visit_at == at(8, 8))


def test_the_last_moment_to_ask_is_the_cut_off_of_the_counted_day():
    assert by(at(8, 8)) == at(5, 16)
    assert by(at(9, 8)) == at(8, 16)
    assert by(at(9, 12)) == at(8, 16)


def test_the_last_moment_to_ask_for_the_same_day_is_the_visit_itself():
    here = rule(cutoff=time(10), notice_working_days=0)

    assert by(at(1, 8), here) == at(1, 8)
    assert by(at(1, 12), here) == at(1, 10)


@pytest.mark.parametrize(
    ("asked_at", "visit_at"),
    [
        (at(1, 9), at(2, 12)),
        (at(1, 7), at(2, 8)),
        (at(1, 17), at(3, 8)),
        (at(5, 9), at(8, 12)),
        (at(6, 9), at(9, 8)),
    ],
    ids=["next day's noon", "early", "after the cut-off", "Friday", "Saturday"],
)
def test_hours_of_notice_run_on_working_days(asked_at, visit_at):
    """24 hours, a message out of hours counts from the next working day: common practice."""
    here = rule(notice_working_days=0, notice_hours=24)

    assert visit(asked_at, here) == visit_at


@pytest.mark.parametrize(
    ("visit_at", "asked_by"),
    [
        (at(2, 12), at(1, 12)),
        (at(2, 8), at(1, 8)),
        (at(8, 12), at(5, 12)),
        (at(9, 8), at(8, 8)),
    ],
)
def test_the_last_moment_to_ask_with_hours_of_notice(visit_at, asked_by):
    here = rule(notice_working_days=0, notice_hours=24)

    assert by(visit_at, here) == asked_by


def test_four_hours_for_footings_may_be_the_same_day():
    """4 hours for footings, as a published city code has it."""
    here = rule(notice_working_days=0, notice_hours=4)

    assert visit(at(1, 7, 30), here) == at(1, 12)
    assert by(at(1, 12), here) == at(1, 8)
    # Four hours before Tuesday's 8 am is 4 am; Monday's cut-off had passed, Tuesday's night counts.
    assert by(at(2, 8), here) == at(2, 4)


@pytest.mark.parametrize(
    ("visit_on", "asked_on"),
    [
        (date(2026, 7, 6), date(2026, 7, 2)),  # Independence Day is observed on Friday the 3rd
        (date(2026, 11, 27), date(2026, 11, 25)),
        (date(2027, 1, 4), date(2026, 12, 31)),
    ],
    ids=["day before a holiday", "Thanksgiving", "year end"],
)
def test_holidays_and_the_year_end_are_no_working_days(visit_on, asked_on):
    """Observed days from the library `holidays`, Ohio (5 USC 6103 and Ohio law)."""
    closed = holidays.country_holidays("US", subdiv="OH", years=(2026, 2027))

    def is_open(day: date) -> bool:
        return day.weekday() < 5 and day not in closed

    visit_at = datetime.combine(visit_on, time(8), tzinfo=EASTERN)
    asked_at = datetime.combine(asked_on, time(16), tzinfo=EASTERN)
    assert by(visit_at, is_open=is_open) == asked_at
    found, _ = earliest_visit(asked_at=asked_at, rule=rule(), is_working_day=is_open)
    assert found == visit_at


def test_a_cut_off_that_the_clock_skips_or_shows_twice_is_kept_by_the_earlier_one():
    """Clocks change at 2 am on 8 March and 1 November 2026 in the eastern zone."""
    sunday_too = {"is_open": lambda day: True}
    here = rule(cutoff=time(2, 30))
    spring = datetime(2026, 3, 9, 8, tzinfo=EASTERN)
    autumn = datetime(2026, 11, 2, 8, tzinfo=EASTERN)
    twice = rule(cutoff=time(1, 30))

    # Moments of a night that the clock shows twice are compared in UTC.
    assert by(spring, here, **sunday_too).astimezone(UTC) == datetime(2026, 3, 8, 6, 30, tzinfo=UTC)
    assert by(autumn, twice, **sunday_too).astimezone(UTC) == datetime(
        2026, 11, 1, 5, 30, tzinfo=UTC
    )


def test_no_visit_can_be_asked_for_on_a_day_off():
    with pytest.raises(ValueError, match=r"visit_from .*no visits that day"):
        by(at(6, 8))


def test_a_visit_without_zone_is_refused():
    with pytest.raises(ValueError, match=r"visit_from .*no time zone"):
        by(datetime(2026, 6, 1, 8))


@pytest.mark.parametrize("changes", [{"notice_hours": 24}, {"notice_hours": -1}])
def test_notice_is_in_hours_or_in_days_and_never_below_nothing(changes):
    with pytest.raises(ValueError, match="notice_hours"):
        rule(**changes)
