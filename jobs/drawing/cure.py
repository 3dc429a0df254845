"""The strength of a pour against time, with the gate of each phase that waits for it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from jobs.drawing.sheet import (
    CONCRETE,
    DASHED,
    DIMENSION,
    DOTTED,
    INK,
    SMALL_TEXT_SIZE,
    TIMBER,
    Point,
    Sheet,
    text_width,
)

WIDTH, HEIGHT = 344.0, 232.0
LEFT, RIGHT, TOP, BOTTOM = 50.0, 334.0, 14.0, 188.0
DAY = 24.0
# The days drawn: enough for all gates, in steps that leave room for their numbers.
_SPANS_DAYS = (4, 7, 14, 28, 56, 112, 224, 366)
_SHARE_STEP = 0.2


@dataclass(frozen=True, slots=True)
class StrengthGate:
    """A phase that waits: the share it needs, and the hours after placing when that is there."""

    label: str
    share: float
    ready_hours: float | None
    ready_words: str


@dataclass(frozen=True, slots=True)
class StrengthCurve:
    """
    Shares of 28-day strength by whole hours after placing, and how far they are measured.

    `now_hours` is None for a pour that is still to come.
    """

    shares: Sequence[float]
    measured_hours: float
    now_hours: float | None


def hours_drawn(gates: Sequence[StrengthGate], now_hours: float | None = None) -> int:
    """Return how many hours a drawing shows: room for the last gate, and for today."""
    last = max([0.0, *(gate.ready_hours or 0.0 for gate in gates)])
    wanted_days = max(last * 1.15, min(now_hours or 0.0, 28 * DAY)) / DAY
    return int(DAY) * next((days for days in _SPANS_DAYS if days >= wanted_days), _SPANS_DAYS[-1])


def cure_svg(*, name: str, of: str, curve: StrengthCurve, gates: Sequence[StrengthGate]) -> str:
    """
    Return the strength of a pour against time as SVG; `name` is the element's own in the page.

    What was measured is a full line, what is expected a dashed one.
    """
    hours = len(curve.shares) - 1
    top_share = max(1.0, *curve.shares)
    sheet = Sheet(WIDTH, HEIGHT)

    def at(hour: float, share: float) -> Point:
        x = LEFT + hour / max(1, hours) * (RIGHT - LEFT)
        return x, BOTTOM - share / top_share * (BOTTOM - TOP)

    steps = range(0, hours + 1, max(1, hours // 96))
    points = [at(hour, curve.shares[hour]) for hour in steps]
    sheet.shape([at(0, 0), *points, at(steps[-1], 0)], fill=CONCRETE, stroke="none")
    measured = sum(hour <= curve.measured_hours for hour in steps) if curve.measured_hours else 1
    sheet.polyline(points[:measured], stroke=INK, thick=2.4)
    sheet.polyline(points[measured - 1 :], stroke=INK, thick=2.4, dash=DASHED)
    _axes(sheet, hours, top_share)
    if curve.now_hours is not None and curve.now_hours <= hours:
        x, _ = at(curve.now_hours, 0)
        sheet.line((x, TOP), (x, BOTTOM), stroke=DIMENSION, dash=DOTTED)
        sheet.text((x, TOP - 3), "now", size=SMALL_TEXT_SIZE, fill=DIMENSION)
    for number, gate in enumerate(gates, start=1):
        _gate(sheet, number, gate, at=at, hours=hours)
    return sheet.render(
        name=name,
        title=f"Strength of {of} against time",
        description=_in_words(curve, gates),
    )


def _axes(sheet: Sheet, hours: int, top_share: float) -> None:
    sheet.line((LEFT, BOTTOM), (RIGHT, BOTTOM))
    sheet.line((LEFT, TOP), (LEFT, BOTTOM))
    share = 0.0
    while share <= top_share + 1e-9:
        y = BOTTOM - share / top_share * (BOTTOM - TOP)
        sheet.line((LEFT - 4, y), (LEFT, y))
        sheet.text((LEFT - 7, y + 4), f"{share:.0%}", anchor="end", size=SMALL_TEXT_SIZE)
        share += _SHARE_STEP
    days = hours // int(DAY)
    step = max(1, -(-days // 7))
    for day in range(0, days + 1, step):
        x = LEFT + day / max(1, days) * (RIGHT - LEFT)
        sheet.line((x, BOTTOM), (x, BOTTOM + 4))
        sheet.text((x, BOTTOM + 18), f"{day}", size=SMALL_TEXT_SIZE)
    middle = (LEFT + RIGHT) / 2
    sheet.text((middle, BOTTOM + 36), "days after placing", size=SMALL_TEXT_SIZE)


def _gate(
    sheet: Sheet,
    number: int,
    gate: StrengthGate,
    *,
    at: Callable[[float, float], Point],
    hours: int,
) -> None:
    """Mark where a gate opens: the share it needs across, the moment it is there down."""
    ready = gate.ready_hours
    level = at(0, gate.share)[1]
    end = RIGHT if ready is None or ready > hours else at(ready, 0)[0]
    sheet.line((LEFT, level), (end, level), stroke=TIMBER, thick=1.4)
    if ready is not None and ready <= hours:
        sheet.line((end, level), (end, BOTTOM), stroke=TIMBER, thick=1.4)
        sheet.box((end - 3.5, level - 3.5), (end + 3.5, level + 3.5), fill=TIMBER, stroke=TIMBER)
    label = f"{number}"
    left = min(end + 7, RIGHT - text_width(label, SMALL_TEXT_SIZE))
    sheet.text((left, level - 4), label, anchor="start", size=SMALL_TEXT_SIZE, fill=TIMBER)


def _in_words(curve: StrengthCurve, gates: Sequence[StrengthGate]) -> str:
    whole_days = range(0, len(curve.shares), int(DAY))
    shown = [day for day in whole_days if day // DAY in (1, 2, 3, 7, 14, 28)]
    ages = [f"{curve.shares[hour]:.0%} after {hour // int(DAY)} d" for hour in shown]
    opens = [
        f"gate {number}, {gate.label}: {gate.share:.0%}, {gate.ready_words}"
        for number, gate in enumerate(gates, start=1)
    ]
    measured = round(curve.measured_hours)
    told = f"measured for {measured} h" if measured else "nothing measured"
    return "; ".join([*ages, told, *opens])
