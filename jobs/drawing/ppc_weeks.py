"""Percent plan complete by week: a bar for each week's promises, those kept within it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from jobs.drawing.sheet import DIMENSION, INK, SMALL_TEXT_SIZE, WALL, Sheet, text_width

WIDTH, HEIGHT = 560.0, 170.0
LEFT, RIGHT, TOP, BOTTOM = 54.0, 552.0, 30.0, 130.0
GAP = 0.25
"""The part of a week's width that stays free, so that bars stand apart."""
WIDEST_STEP = 80.0


@dataclass(frozen=True, slots=True)
class PpcBar:
    """A week by its Monday: promises made and kept."""

    monday: date
    made: int
    kept: int

    @property
    def percent(self) -> float:
        """Return percent plan complete; 0 where nothing was promised."""
        return 100 * self.kept / self.made if self.made else 0


def ppc_weeks_svg(*, name: str, bars: Sequence[PpcBar]) -> str:
    """Return the weeks as SVG, each bar 100 % high; `name` is the element's own in the page."""
    sheet = Sheet(WIDTH, HEIGHT)
    step = min(WIDEST_STEP, (RIGHT - LEFT) / max(1, len(bars)))
    free_from = LEFT
    for index, bar in enumerate(bars):
        left, width = LEFT + (index + GAP / 2) * step, step * (1 - GAP)
        sheet.box((left, TOP), (left + width, BOTTOM), fill=WALL, stroke=INK, thick=0.8)
        top = BOTTOM - bar.percent / 100 * (BOTTOM - TOP)
        if bar.kept:
            sheet.box((left, top), (left + width, BOTTOM), fill=DIMENSION, stroke=INK, thick=0.8)
        free_from = _labels(sheet, bar, left + width / 2, step, free_from)
    sheet.line((LEFT, BOTTOM), (RIGHT, BOTTOM))
    for percent, y in ((100, TOP + 5), (50, (TOP + BOTTOM) / 2 + 4), (0, BOTTOM + 4)):
        sheet.text((LEFT - 6, y), f"{percent} %", anchor="end", size=SMALL_TEXT_SIZE)
    return sheet.render(
        name=name,
        title="Percent plan complete by week",
        description="; ".join(
            f"week of {bar.monday:%b} {bar.monday.day}: {bar.kept} of {bar.made} kept, "
            f"{bar.percent:.0f} %"
            for bar in bars
        ),
    )


def _labels(sheet: Sheet, bar: PpcBar, middle: float, step: float, free_from: float) -> float:
    """Write a week's percent above and its Monday below, where there is room; return what is."""
    percent, monday = f"{bar.percent:.0f}", f"{bar.monday:%b} {bar.monday.day}"
    if text_width(percent, SMALL_TEXT_SIZE) <= step:
        sheet.text((middle, TOP - 6), percent, size=SMALL_TEXT_SIZE)
    half = text_width(monday, SMALL_TEXT_SIZE) / 2
    if middle - half < free_from or middle + half > WIDTH:
        return free_from
    sheet.text((middle, BOTTOM + 18), monday, size=SMALL_TEXT_SIZE)
    return middle + half + 6
