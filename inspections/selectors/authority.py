"""Which inspections an authority makes of a building, when it is closed, and how to ask it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contractor.trade.closures import closed_days
from contractor.trade.notice import AskedWhen, NoticeRule
from crews.shifts import parse_shifts
from inspections.models import WEEKDAY_NAMES

if TYPE_CHECKING:
    from datetime import date, time

    from contractor.trade.building import Building
    from inspections.models import Authority, InspectionRule

FRAME_INSPECTION = "FRAME_INSPECTION"
USUAL_FRAME_HOLD = "WALLS"


def inspections_of(authority: Authority, building: Building) -> frozenset[str]:
    """Return the phase codes of the inspections that an authority makes of a building."""
    made = {
        "HOLE_INSPECTION": authority.inspects_holes,
        "SLAB_INSPECTION": authority.inspects_slab,
        "FRAME_INSPECTION": authority.inspects_frame,
        "FINAL_INSPECTION": authority.inspects_final,
    }
    rules = list(authority.inspection_rules.all())
    limited = {rule.inspection for rule in rules}
    fitting = {rule.inspection for rule in rules if _fits(rule, building)}
    return frozenset(
        code for code, is_made in made.items() if is_made and (code not in limited - fitting)
    )


def frame_hold_of(authority: Authority, building: Building) -> str:
    """
    Return the phase that waits for an authority's frame inspection of a building.

    Of several rules that fit, the one for the largest buildings counts.
    """
    chosen = [
        (rule.minimum_area_sf, rule.pk, rule.holds)
        for rule in authority.inspection_rules.all()
        if rule.inspection == FRAME_INSPECTION and rule.holds and _fits(rule, building)
    ]
    return max(chosen)[2] if chosen else USUAL_FRAME_HOLD


def _fits(rule: InspectionRule, building: Building) -> bool:
    uses = rule.uses.split()
    return (not uses or building.use in uses) and building.footprint_sf >= rule.minimum_area_sf


def visit_windows(authority: Authority) -> tuple[tuple[time, time], ...]:
    """
    Return the windows in which the plan may count on a visit.

    Where they take no wish for one, or only so many visits a day, it is the whole day: nobody
    can know before in which part of it they come.
    """
    windows = parse_shifts(authority.visit_windows)
    if authority.takes_wishes and authority.visits_per_day is None:
        return windows
    return ((windows[0][0], windows[-1][1]),)


def notice_rule(authority: Authority) -> NoticeRule:
    """Return an authority's row as the rule the trade reads."""
    return NoticeRule(
        cutoff=authority.request_cutoff,
        notice_working_days=authority.notice_working_days,
        windows=visit_windows(authority),
        asked_when=AskedWhen(authority.asked_when),
        notice_hours=authority.notice_hours,
    )


def needs_notice(authority: Authority) -> bool:
    """Return whether an authority must be asked a day or some hours ahead."""
    return bool(authority.notice_working_days or authority.notice_hours)


def weekdays(authority: Authority) -> frozenset[int]:
    """Return the weekdays on which an authority works; 0 is Monday."""
    return frozenset(WEEKDAY_NAMES.index(name) for name in authority.weekdays.split())


def own_closed_days(authority: Authority, *, until: date) -> frozenset[date]:
    """Return the days of an authority's own closures, repeated as far as those begin by `until`."""
    days: set[date] = set()
    for closure in authority.closures.all():
        days |= closed_days(
            first_day=closure.first_day,
            last_day=closure.last_day,
            repeats=closure.repeats,
            until=until,
        )
    return frozenset(days)


def notice_words(authority: Authority) -> str:
    """Return until when to ask and how long it takes, such as "asked by 4 PM, 1 working day"."""
    by = f"{authority.request_cutoff:%-I:%M %p}"
    if authority.notice_hours is not None:
        return f"asked by {by}, {authority.notice_hours} hours of notice on working days"
    days = authority.notice_working_days
    return f"asked by {by}, {days} working day{'' if days == 1 else 's'} of notice"


def request_words(authority: Authority) -> str:
    """Return how to ask, such as "Telephone 555-0130"."""
    where = authority.request_to or authority.phone
    return f"{authority.get_request_way_display()} {where}".strip()
