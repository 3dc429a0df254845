"""
The look-ahead as values, and as a PDF to print: three weeks by crew, then job by job.

US letter paper, landscape, black on white, so that any printer does and it reads on a dashboard.
The type stays at 9 points or more; lines and words tell what color would.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    from reportlab.platypus import Flowable

FONT, BOLD = "DejaVuSans", "DejaVuSans-Bold"
SMALL_PT, TEXT_PT, TITLE_PT = 9, 10, 15
MARGIN_PT = 30
GREY = 0.9
# No row is higher than half a page, so that it moves to the next one whole.
MOST_ROW_PT = 240
PADDING_PT = 3


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing in a day: what in bold, then where or whose, then when or why."""

    what: str
    where: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """A crew, or a kind of visitor, over the days of a week; `about` is its lead and telephone."""

    name: str
    about: str
    cells: tuple[tuple[Entry, ...], ...]


@dataclass(frozen=True, slots=True)
class Week:
    """A week from Monday on, with the days that have work or could have; rows in turn."""

    days: tuple[date, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Line:
    """One phase, visit or delivery of a job: what, who, when, and what it waits for."""

    what: str
    who: str
    when: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class JobBlock:
    """A job with its lines in order of time; `about` is where it is and what was promised."""

    number: str
    title: str
    about: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class LookAhead:
    """Three weeks of a plan; `plan` names it, `made` says when this was printed."""

    title: str
    plan: str
    made: str
    weeks: tuple[Week, ...]
    jobs: tuple[JobBlock, ...]
    caution: str


def look_ahead_pdf(sheet: LookAhead) -> bytes:
    """Return the look-ahead as a PDF; the same sheet gives the same bytes."""
    from reportlab.lib.pagesizes import landscape, letter
    from reportlab.platypus import PageBreak, Paragraph, SimpleDocTemplate, Spacer

    _register_fonts()
    styles = _styles()
    story: list[Flowable] = []
    for week in sheet.weeks:
        first, last = week.days[0], week.days[-1]
        story.append(Paragraph(escape(f"Crews, {_day(first)} to {_day(last)}"), styles["title"]))
        story += [_week_table(week, styles), PageBreak()]
    story.append(Paragraph("Job by job", styles["title"]))
    for block in sheet.jobs:
        story += _job_table(block, styles)
    if not sheet.jobs:
        story.append(Paragraph("No work is booked in these weeks.", styles["text"]))
    story += [Spacer(0, 8), Paragraph(escape(sheet.caution), styles["text"])]
    out = BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=landscape(letter),
        leftMargin=MARGIN_PT,
        rightMargin=MARGIN_PT,
        topMargin=MARGIN_PT,
        bottomMargin=MARGIN_PT + 12,
        title=sheet.title,
        author="",
        invariant=1,
    )

    def foot(canvas: Any, drawn: Any) -> None:
        canvas.setFont(FONT, SMALL_PT)
        canvas.drawString(MARGIN_PT, MARGIN_PT - 8, f"{sheet.title}. {sheet.plan}. {sheet.made}")
        canvas.drawRightString(
            landscape(letter)[0] - MARGIN_PT, MARGIN_PT - 8, f"Page {drawn.page}"
        )

    document.build(story, onFirstPage=foot, onLaterPages=foot)
    return out.getvalue()


def _week_table(week: Week, styles: dict[str, Any]) -> Flowable:
    from reportlab.platypus import Paragraph, Table

    wide = 792 - 2 * MARGIN_PT
    first = 96
    each = (wide - first) / len(week.days)
    head = [Paragraph("Crew", styles["head"])]
    head += [Paragraph(escape(_day(day)), styles["head"]) for day in week.days]
    rows: list[list[Any]] = [head]
    for row in week.rows:
        name = f"<font name='{BOLD}'>{escape(row.name)}</font>"
        if row.about:
            name += f"<br/>{escape(row.about)}"
        cells = [[_entry(entry, styles) for entry in cell] for cell in row.cells]
        for part in _parts(cells, each - 2 * PADDING_PT):
            rows.append([Paragraph(name, styles["cell"]), *part])
    widths = [first, *[each] * len(week.days)]
    table = Table(rows, colWidths=widths, repeatRows=1)
    table.setStyle(_grid(head=True))
    return table


def _parts(cells: list[list[Flowable]], wide_pt: float) -> Iterator[list[list[Flowable]]]:
    """Yield a row's cells in parts, of each day as many entries as half a page takes."""
    left = cells
    while True:
        counts = [_count_that_fits(cell, wide_pt) for cell in left]
        yield [cell[:n] for cell, n in zip(left, counts, strict=True)]
        left = [cell[n:] for cell, n in zip(left, counts, strict=True)]
        if not any(left):
            return


def _count_that_fits(cell: list[Flowable], wide_pt: float) -> int:
    high_pt = 0.0
    for n, entry in enumerate(cell):
        high_pt += entry.wrap(wide_pt, MOST_ROW_PT)[1] + entry.getSpaceAfter()
        if n and high_pt > MOST_ROW_PT:
            return n
    return len(cell)


def _entry(entry: Entry, styles: dict[str, Any]) -> Flowable:
    from reportlab.platypus import Paragraph

    words = f"<font name='{BOLD}'>{escape(entry.what)}</font>"
    words += "".join(f"<br/>{escape(text)}" for text in (entry.where, entry.note) if text)
    return Paragraph(words, styles["cell"])


def _job_table(block: JobBlock, styles: dict[str, Any]) -> list[Flowable]:
    from reportlab.platypus import Paragraph, Spacer, Table

    wide = 792 - 2 * MARGIN_PT
    title = f"<font name='{BOLD}'>{escape(block.number)}  {escape(block.title)}</font>"
    rows: list[list[Any]] = [
        [Paragraph(f"{title}<br/>{escape(block.about)}", styles["text"]), "", "", ""]
    ]
    for line in block.lines:
        texts = (line.what, line.who, line.when, line.note)
        rows.append([Paragraph(escape(text), styles["cell"]) for text in texts])
    table = Table(rows, colWidths=[150, 120, 190, wide - 460], repeatRows=1)
    table.setStyle([*_grid(head=True), ("SPAN", (0, 0), (-1, 0))])
    return [table, Spacer(0, 8)]


def _grid(*, head: bool) -> list[tuple[Any, ...]]:
    from reportlab.lib import colors

    lines: list[tuple[Any, ...]] = [
        ("GRID", (0, 0), (-1, -1), 0.7, colors.black),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), PADDING_PT),
        ("RIGHTPADDING", (0, 0), (-1, -1), PADDING_PT),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
    ]
    if head:
        lines.append(("BACKGROUND", (0, 0), (-1, 0), colors.Color(GREY, GREY, GREY)))
    return lines


def _styles() -> dict[str, Any]:
    from reportlab.lib.styles import ParagraphStyle

    def style(name: str, font: str, size: int, **more: Any) -> Any:
        return ParagraphStyle(name, fontName=font, fontSize=size, leading=size * 1.2, **more)

    return {
        "title": style("title", BOLD, TITLE_PT, spaceAfter=6),
        "head": style("head", BOLD, TEXT_PT),
        "text": style("text", FONT, TEXT_PT),
        "cell": style("cell", FONT, SMALL_PT, spaceAfter=2),
    }


@cache
def _register_fonts() -> None:
    """Take the fonts that come with the plotting library: they have every letter of a name."""
    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name in (FONT, BOLD):
        pdfmetrics.registerFont(TTFont(name, folder / f"{name}.ttf"))


def _day(day: date) -> str:
    return f"{day:%a %b} {day.day}"
