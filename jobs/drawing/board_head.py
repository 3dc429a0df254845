"""The head of the board: what stands behind all rows, the days with their weather, promises."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING
from zlib import crc32

from jobs.drawing.board_bays import Bays, closed, posts
from jobs.drawing.board_text import DAY_LETTER_PX, LETTER_PX, WORD_LETTER_PX, fit, text
from jobs.drawing.board_values import DrawnLine, Line

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from jobs.drawing.board_bays import Bay
    from jobs.drawing.board_values import DayWeather, Stake

TALLEST_PX = 4000.0
"""The posts are drawn once and shown in every row; no row is taller than this."""
STOP_TOP_PX, STOP_LINE_PX = 30.0, 11.0
LEAST_WEATHER_PX = 30.0


def draw_backdrop(bays: Bays, *, now: datetime, freeze_until: datetime | None) -> str:
    """Return what stands behind all rows, drawn once: posts, closed days, today, the freeze."""
    tall = TALLEST_PX
    parts = [closed(bays, tall), posts(bays, tall)]
    if bays.shows(now):
        parts.append(f'<path class="today" d="M{bays.x(now):g} 0V{tall:g}"/>')
    if freeze_until is not None and 0 < bays.x(freeze_until) < bays.width:
        parts.append(f'<path class="freeze" d="M{bays.x(freeze_until):g} 0V{tall:g}"/>')
    return (
        '<svg class="defs" width="0" height="0" aria-hidden="true"><defs>'
        f'<g id="bays">{"".join(parts)}</g></defs></svg>'
    )


def draw_days(
    bays: Bays,
    weather: Sequence[DayWeather],
    *,
    now: datetime,
    freeze_until: datetime | None,
) -> str:
    """Return the head of the board: day, air, and the work that weather stops, bay by bay."""
    by_day = {row.day: row for row in weather}
    told = [
        (bay, by_day[bay.day])
        for bay in bays.bays
        if bay.day in by_day and bay.is_open and bay.width >= LEAST_WEATHER_PX
    ]
    foot = STOP_TOP_PX + STOP_LINE_PX * max((len(row.stops) for _, row in told), default=0) + 4
    parts = [
        f'<svg class="days" width="{bays.width:g}" height="{foot + 13:g}" role="group" '
        'aria-label="Days"><use href="#bays"/>'
    ]
    parts += _day_names(bays)
    parts += [_air(bay, row) for bay, row in told]
    parts.append(_plumb(bays, now, foot))
    if freeze_until is not None and 0 < bays.x(freeze_until) < bays.width:
        parts.append(text(bays.x(freeze_until) + 3, foot + 9, "freeze ends", "freeze-word"))
    parts.append("</svg>")
    return "".join(parts)


def _day_names(bays: Bays) -> list[str]:
    parts, room_from = [], 0.0
    for bay in bays.bays:
        begins_week = bay.day.weekday() == 0
        label = f"{bay.day:%a} {bay.day.day}"
        if begins_week or bay is bays.bays[0]:
            label = f"{bay.day:%a %b} {bay.day.day}"
        if bay.width < len(label) * DAY_LETTER_PX + 3:
            label = f"{bay.day:%b} {bay.day.day}" if begins_week else ""
        if bay.is_open and label and bay.left >= room_from:
            parts.append(text(bay.left + 3, 12, label, "day"))
            room_from = bay.left + len(label) * DAY_LETTER_PX
    return parts


def _air(bay: Bay, told: DayWeather) -> str:
    """Return a day's temperatures, and below them in a box the work that it stops."""
    middle = bay.left + bay.width / 2
    parts = [
        f"<g><title>{escape(told.words)}</title>",
        text(middle, 26, told.air, "air", anchor="middle"),
    ]
    if told.stops:
        wide, high = bay.width - 2, STOP_LINE_PX * len(told.stops) + 2
        box = f"M{bay.left + 1:g} {STOP_TOP_PX:g}h{wide:g}v{high:g}h-{wide:g}z"
        parts.append(f'<path class="stop-mark" d="{box}"/>')
    for n, word in enumerate(told.stops):
        y = STOP_TOP_PX + STOP_LINE_PX * (n + 1) - 2
        shown = fit(word, bay.width - 2, letter_px=WORD_LETTER_PX)
        parts.append(text(middle, y, shown, "stops", anchor="middle"))
    return "".join([*parts, "</g>"])


def _plumb(bays: Bays, now: datetime, y: float) -> str:
    """Return today's plumb bob, hanging from the head."""
    if not bays.shows(now):
        return ""
    x = bays.x(now)
    return (
        f'<g class="plumb"><title>Now</title><path d="M{x - 5:g} {y + 1:g}h10l-5 11z"/>'
        f"{text(x + 7, y + 9, 'now', 'now-word')}</g>"
    )


def draw_promises(stakes: Sequence[Stake], bays: Bays) -> DrawnLine:
    """Return the promises as stakes on their days; a late one is hollow and says so."""
    inside = [s for s in stakes if bays.bays[0].day <= s.day <= bays.bays[-1].day]
    ends: list[float] = []
    drawn: list[str] = []
    for stake in sorted(inside, key=lambda row: (row.day, row.job)):
        left = bays.left_of(stake.day)
        label = f"{stake.job} late" if stake.is_late else stake.job
        wide = 12 + len(label) * LETTER_PX
        # At the right edge the words stand before their stake: beyond it they would be cut off.
        turns = left + wide > bays.width
        begins, ends_at = (left - wide, left + 10) if turns else (left, left + wide)
        lane = next((n for n, end in enumerate(ends) if end <= begins), len(ends))
        ends[lane : lane + 1] = [ends_at]
        drawn.append(_stake(stake, label, left, 4 + 15 * lane, turns=turns))
    height = 8 + 15 * max(1, len(ends))
    svg = (
        f'<svg class="promises" width="{bays.width:g}" height="{height}" role="group" '
        f'aria-label="Promises"><use href="#bays"/>{"".join(drawn)}</svg>'
    )
    line = Line("promises", "Promises", f"{len(inside)} in these days")
    return DrawnLine(line, svg, height, f"{crc32(svg.encode()):08x}")


def _stake(stake: Stake, label: str, left: float, y: float, *, turns: bool) -> str:
    kind = "stake late" if stake.is_late else "stake"
    words = (
        text(left - 3, y + 10, label, "stake-word", anchor="end")
        if turns
        else text(left + 12, y + 10, label, "stake-word")
    )
    return (
        f'<g class="{kind}"><title>{escape(stake.words)}</title>'
        f'<path d="M{left + 1:g} {y + 13:g}V{y:g}l8 4l-8 4"/>{words}</g>'
    )
