"""How full a crew's weeks are: a bar for each, its booked hours within its working hours."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from jobs.drawing.sheet import DIMENSION, INK, SMALL_TEXT_SIZE, WALL, Sheet, text_width

WIDTH, HEIGHT = 344.0, 116.0
LEFT, RIGHT, TOP, BOTTOM = 54.0, 340.0, 12.0, 92.0
GAP = 0.2
"""The part of a week's width that stays free, so that bars stand apart."""


@dataclass(frozen=True, slots=True)
class WeekBar:
    """A week by its Monday: hours that the crew works, and those of them that are booked."""

    monday: date
    working_hours: float
    booked_hours: float


def crew_weeks_svg(*, name: str, crew: str, weeks: Sequence[WeekBar]) -> str:
    """Return the bars of a crew as SVG; `name` is the element's own within the page."""
    sheet = Sheet(WIDTH, HEIGHT)
    most = max([1.0, *(week.working_hours for week in weeks)])
    step = (RIGHT - LEFT) / max(1, len(weeks))
    for index, week in enumerate(weeks):
        left = LEFT + (index + GAP / 2) * step
        _bar(sheet, left, step * (1 - GAP), week.working_hours / most, fill=WALL)
        _bar(sheet, left, step * (1 - GAP), week.booked_hours / most, fill=DIMENSION)
    sheet.line((LEFT, BOTTOM), (RIGHT, BOTTOM))
    sheet.text((LEFT - 6, TOP + 9), f"{most:g} h", anchor="end", size=SMALL_TEXT_SIZE)
    sheet.text((LEFT - 6, BOTTOM), "0", anchor="end", size=SMALL_TEXT_SIZE)
    _months(sheet, weeks, step)
    return sheet.render(
        name=name,
        title=f"Weeks of {crew}: hours booked, within its working hours",
        description="; ".join(
            f"week of {week.monday:%b} {week.monday.day}: "
            f"{week.booked_hours:g} of {week.working_hours:g} h"
            for week in weeks
        ),
    )


def _bar(sheet: Sheet, left: float, width: float, share: float, *, fill: str) -> None:
    if share > 0:
        top = BOTTOM - share * (BOTTOM - TOP)
        sheet.box((left, top), (left + width, BOTTOM), fill=fill, stroke=INK, thick=0.8)


def _months(sheet: Sheet, weeks: Sequence[WeekBar], step: float) -> None:
    """Write each month under its first Monday, where the one before leaves room."""
    free_from = LEFT
    month = None
    for index, week in enumerate(weeks):
        left = LEFT + index * step
        if week.monday.month == month or left < free_from:
            continue
        month = week.monday.month
        label = f"{week.monday:%b}"
        width = text_width(label, SMALL_TEXT_SIZE)
        if left + width <= WIDTH:
            sheet.text((left, BOTTOM + 17), label, anchor="start", size=SMALL_TEXT_SIZE)
        free_from = left + width + 6
