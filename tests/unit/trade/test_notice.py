from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from contractor.trade.notice import AskedWhen, NoticeRule, earliest_visit

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


@pytest.mark.parametrize("field", ["asked_at", "ready_at"])
def test_a_time_without_zone_is_refused(field):
    times = {"asked_at": at(1, 9), field: datetime(2026, 6, 1, 9)}

    with pytest.raises(ValueError, match=f"{field} .*no time zone"):
        earliest_visit(rule=rule(), is_working_day=weekday, **times)


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
