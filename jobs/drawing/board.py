"""
The board drawn: a string line for each crew, machine or job, hung with bars, between day posts.

Pure: values in, SVG text out. Every state is told by shape and by the bar's name in words; color
only helps. No bar depends on another row, so that a row that did not change stays the same text.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING
from zlib import crc32

from jobs.drawing.board_bays import Bays, closed, posts
from jobs.drawing.board_shapes import Family, outline

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date, datetime

BAR_PX, LANE_PX, TOP_PX = 22.0, 42.0, 17.0
LETTER_PX, WORD_LETTER_PX, DAY_LETTER_PX = 6.3, 5.9, 6.6
"""About how wide a letter is: of labels, within bars, of days."""
NAME_LETTERS, ABOUT_LETTERS = 13, 18
"""So many letters of a row's name, and of what is said under it, go on one line."""
MARK_PX = 3.0
LEAST_BAR_PX = 5.0
LEAST_GAP_PX = 34.0
TALLEST_PX = 4000.0
"""The posts are drawn once and shown in every row; no row is taller than this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """
    A phase on a row. `name` tells all of it in words; `key` is the phase, 0 for time set aside.

    `job` groups bars of one stay at a site under one label. `moved` says that people were told
    otherwise, `waits` that a hold is open, `moves_from` is the crew that has it, 0 where it stays.
    """

    key: int
    job: str
    label: str
    short: str
    name: str
    family: Family
    starts_at: datetime
    ends_at: datetime
    share_done: float = 0.0
    is_done: bool = False
    is_under_way: bool = False
    is_pinned: bool = False
    is_late: bool = False
    moved: bool = False
    waits: bool = False
    moves_from: int = 0


@dataclass(frozen=True, slots=True)
class Gap:
    """Time in which a row has no bar, and why; `kind` is "wait", "off" or "lent"."""

    starts_at: datetime
    ends_at: datetime
    words: str
    kind: str = "wait"


@dataclass(frozen=True, slots=True)
class Line:
    """A row of the board: `key` names it, as in "crew-3"; `about` is said under its title."""

    key: str
    title: str
    about: str = ""
    bars: tuple[Bar, ...] = ()
    gaps: tuple[Gap, ...] = ()


@dataclass(frozen=True, slots=True)
class Stake:
    """A promise on its day: kept, or late by the plan."""

    day: date
    job: str
    is_late: bool
    words: str


@dataclass(frozen=True, slots=True)
class DayWeather:
    """A day's weather in a few words, and the work that it stops; empty where not known."""

    day: date
    air: str
    stops: str
    words: str


@dataclass(frozen=True, slots=True)
class DrawnLine:
    """A row as SVG, its height in pixels, and a digest that changes when anything in it does."""

    line: Line
    svg: str
    height: int
    digest: str


def draw_line(line: Line, bays: Bays) -> DrawnLine:
    """Return a row drawn; bars that overlap hang on lines of their own."""
    lanes = _lanes(line.bars, bays)
    height = max(int(TOP_PX + LANE_PX * max(1, len(lanes)) - 14), _name_px(line))
    parts = [
        f'<svg class="string-line" width="{bays.width:g}" height="{height}" role="group" '
        f'aria-label="{escape(line.title)}"><use href="#bays"/>'
    ]
    for n in range(max(1, len(lanes))):
        y = TOP_PX + n * LANE_PX + BAR_PX / 2
        parts.append(f'<path class="string" d="M0 {y:g}H{bays.width:g}"/>')
    parts += [_gap(gap, bays) for gap in line.gaps]
    for n, lane in enumerate(lanes):
        parts += _lane(lane, bays, TOP_PX + n * LANE_PX)
    parts.append("</svg>")
    svg = "".join(parts)
    digest = f"{crc32(f'{line.title}{line.about}{svg}'.encode()):08x}"
    return DrawnLine(line, svg, height, digest)


def _name_px(line: Line) -> int:
    """Return about how high a row's name stands beside it."""
    return 8 + 15 * (_rows_of(line.title, NAME_LETTERS) + _rows_of(line.about, ABOUT_LETTERS))


def _rows_of(words: str, letters: int) -> int:
    return -(-len(words) // letters)


def draw_backdrop(bays: Bays, *, now: datetime, freeze_until: datetime | None) -> str:
    """Return what stands behind all rows, drawn once: posts, closed days, today, the freeze."""
    tall = TALLEST_PX
    parts = [closed(bays, tall), posts(bays, tall)]
    today = bays.x(now)
    if 0 <= today < bays.width:
        parts.append(f'<path class="today" d="M{today:g} 0V{tall:g}"/>')
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
    parts = [
        f'<svg class="days" width="{bays.width:g}" height="58" role="group" aria-label="Days">'
    ]
    parts.append('<use href="#bays"/>')
    room_from = 0.0
    for bay in bays.bays:
        middle = bay.left + bay.width / 2
        if bay.day.weekday() == 0 or bay is bays.bays[0]:
            label = f"{bay.day:%a %b} {bay.day.day}"
        else:
            label = f"{bay.day:%a} {bay.day.day}"
        wide = len(label) * DAY_LETTER_PX
        if bay.is_open and bay.width < wide:
            label = f"{bay.day:%b} {bay.day.day}" if bay.day.weekday() == 0 else ""
        if bay.is_open and label and bay.left >= room_from:
            parts.append(_text(bay.left + 3, 12, label, "day"))
            room_from = bay.left + len(label) * DAY_LETTER_PX
        told = by_day.get(bay.day)
        if told is not None and bay.is_open and bay.width >= 30:
            kind = "stops" if told.stops else "air"
            parts.append(f"<g><title>{escape(told.words)}</title>")
            parts.append(_text(middle, 26, told.air, "air", anchor="middle"))
            if told.stops:
                wide = bay.width - 2
                box = f"M{bay.left + 1:g} 30h{wide:g}v13h-{wide:g}z"
                parts.append(f'<path class="stop-mark" d="{box}"/>')
                fit = _fit(told.stops, bay.width - 4)
                parts.append(_text(middle, 40, fit, kind, anchor="middle"))
            parts.append("</g>")
    parts.append(_plumb(bays, now))
    if freeze_until is not None and 0 < bays.x(freeze_until) < bays.width:
        parts.append(_text(bays.x(freeze_until) + 3, 54, "freeze ends", "freeze-word"))
    parts.append("</svg>")
    return "".join(parts)


def draw_promises(stakes: Sequence[Stake], bays: Bays) -> DrawnLine:
    """Return the promises as stakes on their days; a late one is hollow and says so."""
    inside = [s for s in stakes if bays.bays[0].day <= s.day <= bays.bays[-1].day]
    ends: list[float] = []
    drawn: list[str] = []
    for stake in sorted(inside, key=lambda row: (row.day, row.job)):
        left = bays.left_of(stake.day)
        label = f"{stake.job} late" if stake.is_late else stake.job
        lane = next((n for n, end in enumerate(ends) if end <= left), len(ends))
        end = left + 12 + len(label) * LETTER_PX
        if lane == len(ends):
            ends.append(end)
        else:
            ends[lane] = end
        y = 4 + 15 * lane
        kind = "stake late" if stake.is_late else "stake"
        drawn.append(
            f'<g class="{kind}"><title>{escape(stake.words)}</title>'
            f'<path d="M{left + 1:g} {y + 13:g}V{y:g}l8 4l-8 4"/>'
            f"{_text(left + 12, y + 10, label, 'stake-word')}</g>"
        )
    height = 8 + 15 * max(1, len(ends))
    svg = (
        f'<svg class="promises" width="{bays.width:g}" height="{height}" role="group" '
        f'aria-label="Promises"><use href="#bays"/>{"".join(drawn)}</svg>'
    )
    line = Line("promises", "Promises", f"{len(inside)} in these days")
    return DrawnLine(line, svg, height, f"{crc32(svg.encode()):08x}")


def _plumb(bays: Bays, now: datetime) -> str:
    """Return today's plumb bob, hanging from the head."""
    x = bays.x(now)
    if not 0 <= x < bays.width:
        return ""
    return (
        f'<g class="plumb"><title>Now</title><path d="M{x - 5:g} 46h10l-5 11z"/>'
        f"{_text(x + 7, 54, 'now', 'now-word')}</g>"
    )


def _lanes(bars: Sequence[Bar], bays: Bays) -> list[list[Bar]]:
    """Return bars in lanes without overlap, each as low as it fits, in order of time."""
    lanes: list[list[Bar]] = []
    ends: list[float] = []
    for bar in sorted(bars, key=lambda row: (row.starts_at, row.ends_at, row.key)):
        left, width = _span(bar, bays)
        lane = next((n for n, end in enumerate(ends) if end <= left + LEAST_BAR_PX), len(ends))
        if lane == len(ends):
            lanes.append([])
            ends.append(0.0)
        lanes[lane].append(bar)
        ends[lane] = left + width
    return lanes


def _lane(bars: Sequence[Bar], bays: Bays, top: float) -> Iterable[str]:
    """Yield the bars of a lane, and over each stay at a site the job's label."""
    stay_of: str | None = None
    for index, bar in enumerate(bars):
        left, width = _span(bar, bays)
        if bar.job != stay_of:
            stay_of = bar.job
            following = (b for b in bars[index + 1 :] if b.job != bar.job)
            nxt = next(following, None)
            room = (_span(nxt, bays)[0] if nxt else bays.width) - left - 3
            fit = _stay_words(bar, room)
            if fit:
                yield _text(left, top - 4, fit, "stay late" if bar.is_late else "stay")
        yield _bar(bar, left, top, width)


def _stay_words(bar: Bar, room: float) -> str:
    """Return the label of a stay as far as there is room: lateness first, the place last."""
    if not bar.label:
        return ""
    whole = f"late {bar.label}" if bar.is_late else bar.label
    told = (whole, f"late {bar.job}" if bar.is_late else bar.job, bar.job)
    return next((words for words in told if len(words) * LETTER_PX <= room), _fit(bar.job, room))


def _bar(bar: Bar, left: float, top: float, width: float) -> str:
    marks = [f'<path class="shape" d="{outline(bar.family, left, top, width, BAR_PX)}"/>']
    if bar.share_done and not bar.is_done:
        done = width * min(bar.share_done, 1.0)
        marks.append(f'<path class="share" d="M{left:g} {top + BAR_PX:g}h{done:g}"/>')
    inset = 3.0
    if bar.is_pinned:
        marks.append(f'<circle class="nail" cx="{left + 4:g}" cy="{top + 5:g}" r="{MARK_PX:g}"/>')
        inset = 9.0
    if bar.waits:
        marks.append(
            f'<circle class="ring" cx="{left + 4.5:g}" cy="{top + BAR_PX - 6:g}" r="{MARK_PX:g}"/>'
        )
        inset = 10.0
    fit = _fit(bar.short, width - inset - 1, whole=True, letter_px=WORD_LETTER_PX)
    if fit:
        marks.append(_text(left + inset, top + 15, fit, "word"))
    if not bar.key:
        named = f'class="{_classes(bar)}" role="img" aria-label="{escape(bar.name)}"'
        return f"<g {named}>{''.join(marks)}</g>"
    move = f' data-m="{bar.moves_from}"' if bar.moves_from else ""
    return (
        f'<a class="{_classes(bar)}" href="?phase={bar.key}" data-p="{bar.key}"{move} '
        f'aria-label="{escape(bar.name)}">{"".join(marks)}</a>'
    )


def _classes(bar: Bar) -> str:
    flags = (
        ("done", bar.is_done),
        ("under-way", bar.is_under_way),
        ("moved", bar.moved),
    )
    return " ".join(["bar", bar.family.value, *(name for name, on in flags if on)])


def _gap(gap: Gap, bays: Bays) -> str:
    left, right = bays.x(gap.starts_at), bays.x(gap.ends_at)
    width = right - left
    if width < 2:
        return ""
    middle = TOP_PX + BAR_PX / 2
    if gap.kind == "off":
        shape = f'<path class="off" d="M{left:g} {TOP_PX:g}h{width:g}v{BAR_PX:g}h-{width:g}z"/>'
    else:
        shape = f'<path class="slack" d="M{left:g} {middle:g}H{right:g}"/>'
    words = ""
    if width >= LEAST_GAP_PX:
        # In the middle of a box; above a string, which would strike it through.
        y = middle + 4 if gap.kind == "off" else middle - 3
        words = _text(left + 4, y, _fit(gap.words, width - 8), "why")
    return f'<g class="gap {gap.kind}"><title>{escape(gap.words)}</title>{shape}{words}</g>'


def _span(bar: Bar, bays: Bays) -> tuple[float, float]:
    left, right = bays.x(bar.starts_at), bays.x(bar.ends_at)
    return left, max(right - left - 1, LEAST_BAR_PX)


def _fit(words: str, room: float, *, whole: bool = False, letter_px: float = LETTER_PX) -> str:
    """Return words as far as they fit, with what is left out marked; `whole` or nothing."""
    letters = int(room / letter_px)
    if len(words) <= letters:
        return words
    return "" if whole or letters < 4 else f"{words[: letters - 1].rstrip()}…"


def _text(x: float, y: float, words: str, kind: str, *, anchor: str = "") -> str:
    where = f' text-anchor="{anchor}"' if anchor else ""
    return (
        f'<text class="{kind}" x="{x:g}" y="{y:g}"{where}>{escape(words)}</text>' if words else ""
    )
