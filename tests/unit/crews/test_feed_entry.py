"""What an entry of a calendar refuses."""

from datetime import UTC, datetime

import pytest

from crews.services import FeedEntry

GOOD = {
    "crew_id": 1,
    "source": "phase:17",
    "starts_at": datetime(2026, 6, 8, 11, tzinfo=UTC),
    "ends_at": datetime(2026, 6, 9, 16, tzinfo=UTC),
    "summary": "Frame – Job 26-041",
}


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"starts_at": datetime(2026, 6, 8, 11)}, r"starts_at 2026-06-08T11:00:00: it has no zone"),
        ({"ends_at": datetime(2026, 6, 9, 16)}, r"ends_at 2026-06-09T16:00:00: it has no zone"),
        ({"ends_at": GOOD["starts_at"]}, r"ends_at 2026-06-08T11:00:00\+00:00 of phase:17"),
        ({"source": ""}, r"source ''"),
        ({"source": "x" * 61}, r"1 to 60 characters"),
    ],
)
def test_a_wrong_entry_is_refused_with_field_value_and_remedy(changes, message):
    with pytest.raises(ValueError, match=message):
        FeedEntry(**(GOOD | changes))
