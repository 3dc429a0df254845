from datetime import date
from decimal import Decimal

import pytest

from contractor.trade.permit_rules import STARTER_LAPSE_DAYS, lapses_on, reinspection_fee_usd


def test_a_permit_lapses_180_days_after_its_issue():
    """IRC R105.5 (from memory): 180 days. 2026-01-01 and 180 days is 2026-06-30, by hand."""
    assert STARTER_LAPSE_DAYS == 180
    assert lapses_on(issued_on=date(2026, 1, 1)) == date(2026, 6, 30)


def test_a_start_or_an_approved_inspection_begins_the_count_anew():
    """From issue or the last approved inspection: Lake Oswego, Oregon (published rules)."""
    started, passed = date(2026, 2, 1), date(2026, 3, 1)

    assert lapses_on(issued_on=date(2026, 1, 1), signs_of_life=[passed, started]) == date(
        2026, 8, 28
    )
    assert lapses_on(issued_on=date(2026, 4, 1), signs_of_life=[passed]) == date(2026, 9, 28)


@pytest.mark.parametrize(
    ("lost", "due_after", "fee"), [(0, 1, 0), (1, 1, 100), (1, 2, 0), (2, 2, 100), (3, 2, 100)]
)
def test_the_fee_is_due_from_the_failure_that_the_authority_names(lost, due_after, fee):
    """100 dollars after the same item fails twice: a Virginia county's published policy."""
    found = reinspection_fee_usd(visits_lost=lost, fee_usd=Decimal(100), due_after=due_after)

    assert found == fee


def test_senseless_figures_are_refused():
    with pytest.raises(ValueError, match="lapse_days 0"):
        lapses_on(issued_on=date(2026, 1, 1), lapse_days=0)
    with pytest.raises(ValueError, match="due_after 0"):
        reinspection_fee_usd(visits_lost=1, fee_usd=Decimal(1), due_after=0)
