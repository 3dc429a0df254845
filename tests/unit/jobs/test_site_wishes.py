"""What a site would rather have, as figures of the problem."""

import pytest

from contractor.trade.phases import Follows
from jobs.services.site_wishes import LONGEST_WAIT, longest_slots, visit_price

QUARTER_HOURS_PER_DAY = 24 * 4


def test_a_visit_costs_by_the_hours_of_driving_both_ways_and_setting_up():
    """45 minutes each way and half an hour of setting up are two hours, at 4 an hour."""
    assert visit_price(drive_minutes=45) == 8.0


def test_a_visit_to_a_yard_next_door_still_costs_its_setting_up():
    assert visit_price(drive_minutes=0) == 2.0


@pytest.mark.parametrize(
    ("before", "after", "days"),
    [("DIG", "POUR", 3), ("HOLE_INSPECTION", "POSTS", 3), ("TRUSSES", "ROOF", 7)],
)
def test_nothing_half_done_waits_long(before: str, after: str, days: int):
    """Common practice, no source."""
    assert longest_slots(Follows(before, after)) == days * QUARTER_HOURS_PER_DAY


def test_finished_work_may_wait():
    assert longest_slots(Follows("WALLS", "DOORS")) is None


def test_open_holes_wait_less_than_braced_posts():
    assert LONGEST_WAIT["POUR", "POSTS"] < LONGEST_WAIT["POSTS", "FRAME"]
