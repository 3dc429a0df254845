from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from contractor.engine.compare import Row, compare

ZONE = ZoneInfo("America/New_York")
START = datetime(2026, 3, 5, 7, tzinfo=ZONE)


def row(key="a", crew="North", days=0, hours=8, zone=ZONE):
    start = (START + timedelta(days=days)).astimezone(zone)
    return Row(key, "1001", crew, start, start + timedelta(hours=hours))


def test_a_row_alike_in_both_plans_is_the_same():
    found = compare([row()], [row()])

    assert (found.same, found.moved, found.added, found.removed) == ((row(),), (), (), ())


def test_the_same_moment_in_another_zone_is_no_move():
    assert compare([row(zone=UTC)], [row()]).moved == ()


def test_a_move_counts_days_later_as_positive():
    move = compare([row()], [row(days=3)]).moved[0]

    assert (move.days, move.finish_days, move.crew_changed) == (3, 3, False)


def test_a_move_to_an_earlier_day_is_negative():
    assert compare([row()], [row(days=-2)]).moved[0].days == -2


def test_days_are_those_of_the_site_though_the_clocks_change_between():
    # Clocks go forward on 2026-03-08 in this zone: seven dates later is 167 hours later.
    assert compare([row(zone=UTC)], [row(days=7)]).moved[0].days == 7


def test_another_crew_alone_is_a_move_of_no_days():
    move = compare([row()], [row(crew="South")]).moved[0]

    assert (move.days, move.old_crew, move.new_crew) == (0, "North", "South")


def test_a_later_finish_alone_is_a_move():
    move = compare([row()], [row(hours=32)]).moved[0]

    assert (move.days, move.finish_days) == (0, 1)


def test_rows_in_one_plan_only_are_added_or_removed():
    found = compare([row("a")], [row("b")])

    assert ([r.key for r in found.added], [r.key for r in found.removed]) == (["b"], ["a"])


def test_moves_come_in_the_order_of_their_new_starts():
    found = compare([row("a"), row("b")], [row("a", days=5), row("b", days=2)])

    assert [move.key for move in found.moved] == ["b", "a"]


def test_a_key_that_stands_twice_in_a_plan_is_refused():
    with pytest.raises(ValueError, match="after: key 'a' stands twice"):
        compare([], [row(), row()])


def test_a_naive_instant_is_refused():
    with pytest.raises(ValueError, match="no time zone"):
        Row("a", "1", "North", datetime(2026, 3, 5), START)


def test_a_finish_before_the_start_is_refused():
    with pytest.raises(ValueError, match="comes before"):
        row(hours=-1)
