import pytest

from contractor.trade.building import Foundation
from contractor.trade.lead_times import LEAD_TIMES_DAYS, lead_time_days
from contractor.trade.phases import job_network
from tests.unit.trade.buildings import shop


def test_laminated_posts_take_longer_than_solid_ones():
    solid = lead_time_days(item="POSTS", building=shop(eave_ft=10))
    laminated = lead_time_days(item="POSTS", building=shop(eave_ft=16))

    assert solid < laminated


def test_longer_trusses_take_longer():
    days = [lead_time_days(item="TRUSSES", building=shop(width_ft=w)) for w in (40, 60, 80)]

    assert days == sorted(set(days))


@pytest.mark.parametrize("foundation", list(Foundation))
def test_every_delivery_of_a_job_has_a_lead_time(foundation):
    building = shop(foundation=foundation, slab_in=5, wall_lining="STEEL", insulation="BATTS")

    for item, _ in job_network(building=building, inspections=frozenset()).deliveries:
        assert lead_time_days(item=item, building=building) >= 1


def test_an_unknown_item_is_refused():
    with pytest.raises(ValueError, match="item CUPOLA"):
        lead_time_days(item="CUPOLA", building=shop())


def test_lead_times_are_whole_days():
    assert all(isinstance(days, int) and days > 0 for days in LEAD_TIMES_DAYS.values())
