"""A site that is not ready keeps the crew away until it is graded, shot again, or released."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from inspections.selectors.site import has_begun, site_state
from jobs.selectors.hold_facts import HoldKind
from jobs.services.holds import Hold, NoDate

if TYPE_CHECKING:
    from crews.models import Firm
    from jobs.models import Job
    from jobs.services.calendars import Calendars


def site_hold(*, job: Job, firm: Firm, code: str, calendars: Calendars, now: int) -> Hold | None:
    """
    Return the wait for a site whose ground falls too much; None where it is ready or begun.

    Raises
    ------
    NoDate
        If it is not ready and nobody has said when it will be.
    """
    state = site_state(job, firm=firm)
    if state is None or state.is_ready or has_begun(job.phases.all()):
        return None
    if state.expected_on is None:
        raise NoDate(f"{state.text}; enter when it is to be graded, shoot it again, or release it")
    expected = max(state.expected_on, calendars.local(now).date())
    late = " (overdue)" if expected != state.expected_on else ""
    # Graded some time during that day, so work begins on the next.
    ends = calendars.slot_of_day(expected + timedelta(days=1))
    why = f"{state.text}, expected {state.expected_on:%b %-d, %Y}{late}"
    return Hold(HoldKind.SITE_NOT_READY.value, code, ends, why, begins=now)
