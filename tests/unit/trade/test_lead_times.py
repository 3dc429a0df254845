import pytest

from contractor.trade.building import Foundation
from contractor.trade.lead_times import RESERVE_DAYS, STARTER_LEAD_TIMES, LeadTime, lead_time
from contractor.trade.phases import job_network
from tests.unit.trade.buildings import shop


def days(item: str, *rows: LeadTime, supplier: str = "", **sizes: object) -> int:
    return lead_time(item=item, building=shop(**sizes), rows=rows, supplier=supplier).days


def test_laminated_posts_take_longer_than_solid_ones():
    assert days("POSTS", eave_ft=10) < days("POSTS", eave_ft=16)


def test_longer_trusses_take_longer():
    by_span = [days("TRUSSES", width_ft=width) for width in (40, 60, 80)]

    assert by_span == sorted(set(by_span))


@pytest.mark.parametrize(("width_ft", "expected"), [(40, 21), (40.5, 28), (60, 28), (61, 42)])
def test_a_span_range_ends_with_its_last_foot(width_ft, expected):
    """Source: the starter table itself; its figures are common practice, no source."""
    assert days("TRUSSES", width_ft=width_ft) == expected


@pytest.mark.parametrize("foundation", list(Foundation))
def test_every_delivery_of_a_job_has_a_lead_time(foundation):
    building = shop(foundation=foundation, slab_in=5, wall_lining="STEEL", insulation="BATTS")

    for item, _ in job_network(building=building, inspections=frozenset()).deliveries:
        assert lead_time(item=item, building=building).days >= 1


def test_the_office_knows_better_than_the_starter_table():
    assert days("STEEL", LeadTime(item="STEEL", days=9)) == 9


def test_a_suppliers_own_time_counts_before_the_usual_one():
    usual = LeadTime(item="OVERHEAD_DOORS", days=30)
    slow = LeadTime(item="OVERHEAD_DOORS", days=56, supplier="Far Doors")

    assert days("OVERHEAD_DOORS", usual, slow, supplier="far doors") == 56
    assert days("OVERHEAD_DOORS", usual, slow, supplier="Near Doors") == 30


def test_the_narrower_span_counts_before_the_wider():
    wide = LeadTime(item="TRUSSES", days=20)
    narrow = LeadTime(item="TRUSSES", days=50, over_span_ft=50, to_span_ft=70)

    assert days("TRUSSES", wide, narrow, width_ft=60) == 50
    assert days("TRUSSES", wide, narrow, width_ft=40) == 20


def test_the_order_of_rows_does_not_matter():
    rows = [LeadTime(item="STEEL", days=9), LeadTime(item="STEEL", days=12)]

    assert days("STEEL", *rows) == days("STEEL", *reversed(rows)) == 12


def test_an_unknown_item_is_refused():
    with pytest.raises(ValueError, match="item CUPOLA"):
        days("CUPOLA")


@pytest.mark.parametrize(
    ("field", "values"),
    [("days", {"days": -1}), ("to_span_ft", {"over_span_ft": 40, "to_span_ft": 40})],
)
def test_a_senseless_lead_time_is_refused(field, values):
    with pytest.raises(ValueError, match=field):
        LeadTime(**{"item": "STEEL", "days": 5, **values})


def test_lead_times_are_whole_days_and_there_is_a_reserve():
    assert all(isinstance(row.days, int) and row.days > 0 for row in STARTER_LEAD_TIMES)
    assert RESERVE_DAYS > 0
