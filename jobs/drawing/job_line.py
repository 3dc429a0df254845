"""A job on a time axis: each phase as first published, as published now, as it was, as forecast."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo

from jobs.drawing.sheet import (
    CONCRETE,
    DASHED,
    DIMENSION,
    DOTTED,
    INK,
    PAPER,
    ROOF,
    SMALL_TEXT_SIZE,
    TIMBER,
    Sheet,
    text_width,
)

WIDTH = 980.0
LEFT, RIGHT = 190.0, 966.0
LEGEND, TOP = 18.0, 72.0
ROW, EXTRA_ROW, FOOT = 38.0, 26.0, 10.0
MARK_HALF, MARK_GAP = 6.0, 10.0
# The most ticks that leave room for their words; weeks are told up to there, then months.
MOST_TICKS = 14
LONGEST_LABEL = 24
DAY = timedelta(days=1)
MARGIN = timedelta(days=3)

Span = tuple[datetime, datetime]


@dataclass(frozen=True, slots=True)
class LineRow:
    """
    One phase. Spans are from–to, `waits` what it waits for, `finish` P10, P50 and P90.

    `words` tell the same to who cannot see the drawing.
    """

    label: str
    words: str
    first: Span | None = None
    published: Span | None = None
    actual: Span | None = None
    is_done: bool = False
    finish: tuple[datetime | None, datetime | None, datetime | None] | None = None
    waits: Sequence[Span] = ()


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment of the row of visits or deliveries; full is over, hollow is to come."""

    at: datetime
    label: str
    is_over: bool


@dataclass(frozen=True, slots=True)
class ExtraRow:
    """A row below the phases: marks, or spans such as the life of locate tickets."""

    label: str
    marks: Sequence[Mark] = ()
    spans: Sequence[Span] = ()


class _Axis:
    """From moments to sheet units, over whole days at the site."""

    def __init__(self, moments: Iterable[datetime], zone: tzinfo) -> None:
        days = [moment.astimezone(zone).date() for moment in moments]
        self.zone = zone
        self.first, self.last = min(days) - MARGIN, max(days) + MARGIN
        self.days = (self.last - self.first).days

    def edges(self) -> Span:
        first, last = (datetime.combine(d, time(), self.zone) for d in (self.first, self.last))
        return first, last

    def x(self, moment: datetime) -> float:
        start, _ = self.edges()
        return LEFT + (moment - start) / DAY / self.days * (RIGHT - LEFT)

    def x_of_day(self, day: date) -> float:
        return LEFT + (day - self.first).days / self.days * (RIGHT - LEFT)

    def ticks(self) -> Iterator[date]:
        """Yield Mondays, of every so many weeks, or the first of months where it is long."""
        weeks = next((n for n in (1, 2, 4) if self.days / (7 * n) <= MOST_TICKS), 0)
        months = next((n for n in (1, 2, 3, 6) if self.days / (30 * n) <= MOST_TICKS), 12)
        days = (self.first + n * DAY for n in range(self.days + 1))
        if weeks:
            yield from [day for day in days if day.weekday() == 0][::weeks]
        else:
            yield from (day for day in days if day.day == 1 and (day.month - 1) % months == 0)


def job_line_svg(
    *,
    name: str,
    of: str,
    rows: Sequence[LineRow],
    extras: Sequence[ExtraRow],
    now: datetime,
    promised_on: date | None,
    zone: tzinfo,
) -> str:
    """
    Return a job's life on a time axis as SVG, or "" if nothing of it has a date.

    `name` is the element's own in the page, `zone` that of the site.
    """
    moments = [*_moments(rows)] or [*_moments_below(extras)]
    if not moments:
        return ""
    if promised_on is not None:
        moments.append(datetime.combine(promised_on, time(12), zone))
    axis = _Axis([*moments, now], zone)
    extras = [kept for extra in extras if (kept := _within(extra, axis)).marks or kept.spans]
    lanes = [(extra, lane) for extra in extras for lane in _lanes(extra, axis)]
    bottom = TOP + ROW * len(rows) + EXTRA_ROW * len(lanes)
    sheet = Sheet(WIDTH, bottom + FOOT)
    _legend(sheet)
    _grid(sheet, axis, bottom)
    for index, row in enumerate(rows):
        _row(sheet, axis, row, TOP + ROW * index)
    for index, (extra, marks) in enumerate(lanes):
        is_first = index == 0 or lanes[index - 1][0] is not extra
        shown = ExtraRow(extra.label if is_first else "", marks, extra.spans if is_first else ())
        _extra(sheet, axis, shown, TOP + ROW * len(rows) + EXTRA_ROW * index)
    if promised_on is not None:
        _upright(sheet, axis.x_of_day(promised_on + DAY), bottom, "promised", TIMBER, "", 0)
    _upright(sheet, axis.x(now), bottom, "now", DIMENSION, DOTTED, 1)
    promise = f"promised for {promised_on:%b} {promised_on.day}" if promised_on else "no promise"
    return sheet.render(
        name=name,
        title=f"Job {of} in time",
        description="; ".join([*(f"{row.label}: {row.words}" for row in rows), promise]),
    )


def _moments(rows: Sequence[LineRow]) -> Iterator[datetime]:
    for row in rows:
        for span in (row.first, row.published, row.actual, *row.waits):
            yield from span or ()
        yield from (moment for moment in row.finish or () if moment is not None)


def _moments_below(extras: Sequence[ExtraRow]) -> Iterator[datetime]:
    for extra in extras:
        yield from (mark.at for mark in extra.marks)
        for span in extra.spans:
            yield from span


def _within(extra: ExtraRow, axis: _Axis) -> ExtraRow:
    """
    Return what of a row lies on the axis.

    The phases say how long that is: posts that came half a year early would leave them no room.
    """
    start, end = axis.edges()
    return ExtraRow(
        extra.label,
        [mark for mark in extra.marks if start <= mark.at <= end],
        [(max(a, start), min(b, end)) for a, b in extra.spans if a < end and b > start],
    )


def _lanes(extra: ExtraRow, axis: _Axis) -> list[list[Mark]]:
    """Return the marks of a row in as many lanes as their words need side by side; at least one."""
    lanes: list[list[Mark]] = [[]]
    free_from = [LEFT]
    for mark in sorted(extra.marks, key=lambda mark: mark.at):
        begins, ends = _mark_width(mark, axis)
        lane = next((n for n, free in enumerate(free_from) if free <= begins), len(lanes))
        if lane == len(lanes):
            lanes.append([])
            free_from.append(LEFT)
        lanes[lane].append(mark)
        free_from[lane] = ends + MARK_GAP
    return lanes


def _mark_width(mark: Mark, axis: _Axis) -> tuple[float, float]:
    """Return from where to where a mark goes with its words: to its left where the sheet ends."""
    x, wide = axis.x(mark.at), MARK_HALF + 3 + text_width(mark.label, SMALL_TEXT_SIZE)
    if x + wide <= WIDTH:
        return x - MARK_HALF, x + wide
    return x - wide, x + MARK_HALF


def _legend(sheet: Sheet) -> None:
    """Write what the shapes mean; each differs in form, so that it reads in black and white."""
    x = LEFT
    for label in ("first published", "published", "as it was", "forecast P10–P50–P90", "wait"):
        middle, end = LEGEND - 4, x + 30
        if label == "first published":
            sheet.box((x, middle - 3), (end, middle + 3), fill=PAPER, stroke=INK, dash="3 2")
        elif label == "published":
            sheet.box((x, middle - 5), (end, middle + 5), fill=ROOF)
        elif label == "as it was":
            sheet.box((x, middle - 3), (end, middle + 3), fill=INK)
        elif label == "wait":
            sheet.line((x, middle), (end, middle), stroke=INK, dash=DASHED)
        else:
            _whisker(sheet, x, (x + end) / 2, end, middle)
        sheet.text((end + 6, LEGEND), label, anchor="start", size=SMALL_TEXT_SIZE)
        x = end + text_width(label, SMALL_TEXT_SIZE) + 26


def _grid(sheet: Sheet, axis: _Axis, bottom: float) -> None:
    for day in axis.ticks():
        x = axis.x_of_day(day)
        sheet.line((x, TOP - 4), (x, bottom), stroke=CONCRETE, thick=0.8)
        label = (
            f"{day:%b} {day.day}"
            if day.year == axis.first.year
            else f"{day:%b} {day.day} ’{day:%y}"
        )
        if x + text_width(label, SMALL_TEXT_SIZE) <= WIDTH:
            sheet.text((x + 2, TOP - 8), label, anchor="start", size=SMALL_TEXT_SIZE)
    sheet.line((LEFT, TOP), (RIGHT, TOP))


def _row(sheet: Sheet, axis: _Axis, row: LineRow, top: float) -> None:
    sheet.text((LEFT - 8, top + 20), _short(row.label), anchor="end", size=SMALL_TEXT_SIZE)
    sheet.line((LEFT, top + ROW), (RIGHT, top + ROW), stroke=CONCRETE, thick=0.8)
    for start, end in row.waits:
        y = top + 16
        sheet.line((axis.x(start), y), (axis.x(end), y), stroke=INK, thick=1.4, dash=DASHED)
    if row.first:
        _bar(sheet, axis, row.first, top + 3, top + 9, fill=PAPER, dash="3 2")
    if row.published:
        _bar(sheet, axis, row.published, top + 11, top + 21, fill=ROOF)
    if row.actual:
        _bar(sheet, axis, row.actual, top + 23, top + 29, fill=INK)
        if not row.is_done:
            # Work under way has no end yet: an open arrow says that it goes on.
            x, y = axis.x(row.actual[1]), top + 26
            sheet.polyline([(x + 2, y - 5), (x + 8, y), (x + 2, y + 5)], thick=1.8)
    if row.finish:
        p10, p50, p90 = row.finish
        if p10 is not None and p50 is not None:
            high = axis.x(p90) if p90 is not None else RIGHT
            _whisker(sheet, axis.x(p10), axis.x(p50), high, top + 33)


def _bar(
    sheet: Sheet, axis: _Axis, span: Span, top: float, bottom: float, *, fill: str, dash: str = ""
) -> None:
    left, right = axis.x(span[0]), axis.x(span[1])
    sheet.box((left, top), (max(right, left + 3), bottom), fill=fill, thick=1, dash=dash)


def _whisker(sheet: Sheet, low: float, middle: float, high: float, y: float) -> None:
    """Draw a spread: a line between two ticks, with a square at the median."""
    sheet.line((low, y), (high, y), stroke=TIMBER, thick=1.6)
    for x in (low, high):
        sheet.line((x, y - 3.5), (x, y + 3.5), stroke=TIMBER, thick=1.6)
    sheet.box((middle - 3, y - 3), (middle + 3, y + 3), fill=TIMBER, stroke=TIMBER)


def _extra(sheet: Sheet, axis: _Axis, extra: ExtraRow, top: float) -> None:
    y = top + EXTRA_ROW / 2
    sheet.text((LEFT - 8, y + 5), _short(extra.label), anchor="end", size=SMALL_TEXT_SIZE)
    sheet.line((LEFT, top + EXTRA_ROW), (RIGHT, top + EXTRA_ROW), stroke=CONCRETE, thick=0.8)
    for start, end in extra.spans:
        x1, x2 = axis.x(start), axis.x(end)
        sheet.line((x1, y), (x2, y), stroke=INK, thick=1.6)
        for x in (x1, x2):
            sheet.line((x, y - 5), (x, y + 5), stroke=INK, thick=1.6)
    for mark in extra.marks:
        x, half = axis.x(mark.at), MARK_HALF
        points = [(x, y - half), (x + half, y), (x, y + half), (x - half, y)]
        sheet.shape(points, fill=INK if mark.is_over else PAPER, thick=1.4)
        begins, ends = _mark_width(mark, axis)
        words_at = x + half + 3 if ends > x + half else begins
        sheet.text((words_at, y + 5), mark.label, anchor="start", size=SMALL_TEXT_SIZE)


def _upright(
    sheet: Sheet, x: float, bottom: float, label: str, stroke: str, dash: str, level: int
) -> None:
    """Draw an upright line through all rows, its word above the axis."""
    top = TOP - 34 - 12 * level
    sheet.line((x, top), (x, bottom), stroke=stroke, thick=1.8, dash=dash)
    width = text_width(label, SMALL_TEXT_SIZE)
    left = x + 4 if x + 4 + width <= WIDTH else x - 4 - width
    sheet.text((left, top + 10), label, anchor="start", size=SMALL_TEXT_SIZE, fill=stroke)


def _short(label: str) -> str:
    return label if len(label) <= LONGEST_LABEL else label[: LONGEST_LABEL - 1] + "…"
