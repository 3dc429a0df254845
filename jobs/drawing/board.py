"""
The board's rows drawn: a string line for each crew, machine or job, hung with bars.

Pure: values in, SVG text out. Every state is told by shape and by the bar's name in words; color
only helps. No bar depends on another row, so that a row that did not change stays the same text.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, NamedTuple
from zlib import crc32

from jobs.drawing.board_shapes import outline
from jobs.drawing.board_text import LETTER_PX, WORD_LETTER_PX, fit, fits, in_two_lines, text
from jobs.drawing.board_values import DrawnLine

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from jobs.drawing.board_bays import Bays
    from jobs.drawing.board_values import Bar, Gap, Line

BAR_PX, LANE_PX, TOP_PX = 22.0, 42.0, 17.0
UNDER_PX = 10.0
"""What a lane is taller with words under its narrow bars, and where they stand below them."""
LENT_PX = 15.0
NAME_LETTERS, ABOUT_LETTERS = 13, 18
"""So many letters of a row's name, and of what is said under it, go on one line."""
MARK_PX = 3.0
LEAST_BAR_PX = 5.0
LEAST_GAP_PX = 26.0
LEAST_BAY_FOR_WORDS_PX = 28.0
"""On narrower days a season is looked over: no words under bars."""


class _Hung(NamedTuple):
    """A bar where it hangs."""

    bar: Bar
    left: float
    width: float
    inset: float
    word: str
    begun: float


def draw_line(line: Line, bays: Bays) -> DrawnLine:
    """Return a row drawn; bars that overlap hang on lines of their own."""
    lanes = _lanes(line.bars, bays)
    under = [_words_under(lane, bays) for lane in lanes]
    pitch = LANE_PX + (UNDER_PX if any(under) else 0.0)
    lent = [gap for gap in line.gaps if gap.kind == "lent"]
    foot = TOP_PX + pitch * max(1, len(lanes)) - 14
    height = max(int(foot + LENT_PX * len(lent)), _name_px(line))
    parts = [
        f'<svg class="string-line" width="{bays.width:g}" height="{height}" role="group" '
        f'aria-label="{escape(line.title)}"><use href="#bays"/>'
    ]
    for n in range(max(1, len(lanes))):
        y = TOP_PX + n * pitch + BAR_PX / 2
        parts.append(f'<path class="string" d="M0 {y:g}H{bays.width:g}"/>')
    parts += _waits([gap for gap in line.gaps if gap.kind == "wait"], lanes, bays)
    for n, lane in enumerate(lanes):
        top = TOP_PX + n * pitch
        parts += _lane(lane, bays, top)
        parts += [text(x, top + BAR_PX + UNDER_PX, words, "under") for x, words in under[n]]
    tops = [TOP_PX + n * pitch for n in range(max(1, len(lanes)))]
    parts += [_off(gap, bays, tops) for gap in line.gaps if gap.kind == "off"]
    parts += [_lent(gap, bays, foot + LENT_PX * n) for n, gap in enumerate(lent)]
    parts.append("</svg>")
    svg = "".join(parts)
    digest = f"{crc32(f'{line.title}{line.about}{svg}'.encode()):08x}"
    return DrawnLine(line, svg, height, digest)


def _name_px(line: Line) -> int:
    """Return about how high a row's name stands beside it."""
    return 8 + 15 * (_rows_of(line.title, NAME_LETTERS) + _rows_of(line.about, ABOUT_LETTERS))


def _rows_of(words: str, letters: int) -> int:
    return -(-len(words) // letters)


def _lanes(bars: Sequence[Bar], bays: Bays) -> list[list[_Hung]]:
    """Return bars in lanes without overlap, each as high as it fits, in order of time."""
    lanes: list[list[_Hung]] = []
    ends: list[float] = []
    for bar in sorted(bars, key=lambda row: (row.starts_at, row.ends_at, row.key)):
        left = bays.x(bar.starts_at)
        begun = bays.x(bar.begun_at) if bar.begun_at else left
        width = max(bays.x(bar.ends_at) - left - 1, LEAST_BAR_PX)
        lane = next((n for n, end in enumerate(ends) if end <= left + LEAST_BAR_PX), len(ends))
        if lane == len(ends):
            lanes.append([])
            ends.append(0.0)
        inset = 10.0 if bar.waits else 9.0 if bar.is_pinned else 3.0
        inside = fits(bar.short, width - inset - 1, letter_px=WORD_LETTER_PX)
        lanes[lane].append(_Hung(bar, left, width, inset, bar.short if inside else "", begun))
        ends[lane] = left + width
    return lanes


def _words_under(lane: Sequence[_Hung], bays: Bays) -> list[tuple[float, str]]:
    """
    Return the words of bars that are too narrow for them, and where they stand below the lane.

    Narrow bars that follow each other share one line of words, in their order.
    """
    if max(bay.width for bay in bays.bays) < LEAST_BAY_FOR_WORDS_PX:
        return []
    runs: list[tuple[float, list[str]]] = []
    told_to = 0.0
    for hung in lane:
        if hung.word:
            continue
        if runs and hung.left < told_to + WORD_LETTER_PX:
            runs[-1][1].append(hung.bar.short)
        else:
            runs.append((hung.left, [hung.bar.short]))
        told_to = runs[-1][0] + len(" ".join(runs[-1][1])) * WORD_LETTER_PX
    rooms = [*(x for x, _ in runs[1:]), bays.width] if runs else []
    told = [(x, _as_many(words, room - x)) for (x, words), room in zip(runs, rooms, strict=True)]
    return [(x, words) for x, words in told if words]


def _as_many(words: Sequence[str], room: float) -> str:
    """Return as many words as fit whole, from the first on."""
    for many in range(len(words), 0, -1):
        told = " ".join(words[:many])
        if fits(told, room, letter_px=WORD_LETTER_PX):
            return told
    return ""


def _lane(lane: Sequence[_Hung], bays: Bays, top: float) -> Iterator[str]:
    """Yield the bars of a lane, and over each stay at a site the job's label."""
    stay_ends = bays.width
    labels: dict[int, float] = {}
    for index in range(len(lane) - 1, -1, -1):
        begins = index == 0 or lane[index - 1].bar.job != lane[index].bar.job
        if begins:
            labels[index] = stay_ends - lane[index].left - 3
            stay_ends = lane[index].left
    for index, hung in enumerate(lane):
        kind = "stay late" if hung.bar.is_late else "stay"
        if index in labels:
            yield text(hung.left, top - 4, _stay_words(hung.bar, labels[index]), kind)
        if hung.begun < hung.left:
            room = min(other.left for other in lane if other.left >= hung.begun) - hung.begun - 3
            yield text(hung.begun, top - 4, _stay_words(hung.bar, room), kind)
        yield _bar(hung, top)


def _stay_words(bar: Bar, room: float) -> str:
    """
    Return the label of a stay as far as there is room: lateness first, the place last.

    A number cut short would be another job's, so its end is told alone where no more fits.
    """
    if not bar.label:
        return ""
    late, end = ("late " if bar.is_late else ""), bar.job.rsplit("-", 1)[-1]
    told = (f"{late}{bar.label}", f"{late}{bar.job}", bar.job, end)
    return next((words for words in told if len(words) * LETTER_PX <= room), "")


def _bar(hung: _Hung, top: float) -> str:
    bar, left, width = hung.bar, hung.left, hung.width
    marks = [f'<path class="shape" d="{outline(bar.family, left, top, width, BAR_PX)}"/>']
    if hung.begun < left:
        middle = top + BAR_PX / 2
        marks.insert(0, f'<path class="begun" d="M{hung.begun:g} {middle:g}H{left:g}"/>')
    if bar.share_done and not bar.is_done:
        done = width * min(bar.share_done, 1.0)
        marks.append(f'<path class="share" d="M{left:g} {top + BAR_PX:g}h{done:g}"/>')
    if bar.is_pinned:
        marks.append(f'<circle class="nail" cx="{left + 4:g}" cy="{top + 5:g}" r="{MARK_PX:g}"/>')
    if bar.waits:
        marks.append(
            f'<circle class="ring" cx="{left + 4.5:g}" cy="{top + BAR_PX - 6:g}" r="{MARK_PX:g}"/>'
        )
    marks.append(text(left + hung.inset, top + 15, hung.word, "word"))
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


def _waits(gaps: Sequence[Gap], lanes: Sequence[Sequence[_Hung]], bays: Bays) -> Iterator[str]:
    """
    Yield stretches without work, and on and below their string what the next work waits for.

    Waits of a job run side by side and beside its work, so the words of each stand where neither
    a bar nor other words are, or nowhere; its title tells them all the same.
    """
    taken = [(hung.left, hung.left + hung.width) for hung in (lanes[0] if lanes else ())]
    middle, said = TOP_PX + BAR_PX / 2, dict[str, float]()
    for gap in gaps:
        left, right = bays.x(gap.starts_at), bays.x(gap.ends_at)
        if right - left < 2:
            continue
        words = ""
        begins, room = _widest(left, right, taken)
        if room >= LEAST_GAP_PX:
            lines = in_two_lines(gap.words, gap.short, room - 8)
            words = "".join(
                text(begins + 4, middle - 3 + 13 * n, told, "why") for n, told in enumerate(lines)
            )
            if lines == (gap.short,):
                # Several waits for one kind of thing at once are told by one word.
                words = "" if said.get(gap.short, left) > left else words
                said[gap.short] = right
            if not words:
                lines = ()
            taken.append((begins, begins + 8 + LETTER_PX * max(map(len, lines), default=0)))
        yield (
            f'<g class="gap wait"><title>{escape(gap.words)}</title>'
            f'<path class="slack" d="M{left:g} {middle:g}H{right:g}"/>{words}</g>'
        )


def _widest(left: float, right: float, taken: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return where the widest free stretch between two places begins, and how wide it is."""
    best, free_from = (left, 0.0), left
    for begins, ends in (*sorted(taken), (right, right)):
        room = min(begins, right) - free_from
        if room > best[1]:
            best = (free_from, room)
        free_from = max(free_from, ends)
    return best


def _off(gap: Gap, bays: Bays, tops: Sequence[float]) -> str:
    """Return a day off as a box over each line of the row: whatever lies under it pauses."""
    left, right = bays.x(gap.starts_at), bays.x(gap.ends_at)
    width = right - left
    if width < 2:
        return ""
    boxes = "".join(f"M{left:g} {top:g}h{width:g}v{BAR_PX:g}h-{width:g}z" for top in tops)
    box = f'<path class="off" d="{boxes}"/>'
    lines = in_two_lines(gap.words, "off", width - 6) if width >= LEAST_GAP_PX else ()
    y = TOP_PX + (15 if len(lines) < 2 else 9)
    words = "".join(text(left + 3, y + 11 * n, line, "why") for n, line in enumerate(lines))
    return f'<g class="gap off"><title>{escape(gap.words)}</title>{box}{words}</g>'


def _lent(gap: Gap, bays: Bays, top: float) -> str:
    """Return who is lent or borrowed, on a dotted string of its own below the bars."""
    left, right = bays.x(gap.starts_at), bays.x(gap.ends_at)
    width = right - left
    if width < 2:
        return ""
    room = max(width, min(bays.width - left, len(gap.words) * LETTER_PX + 4))
    words = text(left + 2, top + 9, fit(gap.words, room), "why")
    return (
        f'<g class="gap lent"><title>{escape(gap.words)}</title>'
        f'<path class="slack" d="M{left:g} {top + 12:g}H{right:g}"/>{words}</g>'
    )
