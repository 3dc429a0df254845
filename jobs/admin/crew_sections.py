"""The crews' report of a plan as its page shows it: hours, bars, idle hours, lateness."""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.safestring import SafeString, mark_safe

from jobs.drawing.crew_weeks import WeekBar, crew_weeks_svg
from jobs.models import Plan
from jobs.selectors.crew_report import (
    CrewOfPlan,
    CrewsOfPlan,
    LateJobOfPlan,
    Reason,
    crews_of_plan,
)
from jobs.selectors.stored_plan import stored_plan


@dataclass(frozen=True, slots=True)
class CrewSection:
    """One crew with its drawing; `share` is booked of working hours in percent."""

    row: CrewOfPlan
    drawing: SafeString
    share: int


@dataclass(frozen=True, slots=True)
class CrewSections:
    """All crews, the late jobs, and what all their lateness goes back to."""

    crews: list[CrewSection]
    late_jobs: tuple[LateJobOfPlan, ...]
    reasons: tuple[tuple[Reason, float], ...]
    days_late: int


def crew_sections(plan: Plan) -> CrewSections:
    """Return the crews' report of a plan, ready for the template."""
    found: CrewsOfPlan = crews_of_plan(stored_plan(plan))
    return CrewSections(
        crews=[_section(row) for row in found.crews],
        late_jobs=found.late_jobs,
        reasons=found.reasons,
        days_late=found.days_late,
    )


def _section(row: CrewOfPlan) -> CrewSection:
    drawing = crew_weeks_svg(
        name=f"crew-{row.crew.pk}",
        crew=row.crew.name,
        weeks=[WeekBar(w.monday, w.working_hours, w.booked_hours) for w in row.weeks],
    )
    share = round(100 * row.booked_hours / row.working_hours) if row.working_hours else 0
    # The drawing escapes every text it is given.
    return CrewSection(row, mark_safe(drawing), share)
