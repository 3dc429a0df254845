"""
The owner's plots, drawn by matplotlib as SVG to stand in a page: text stays text.

Every plot says in its title and description what it shows; the page has the same as a table. Marks
differ in shape as well as in color, and each color has at least 3:1 against white (WCAG 2.2,
1.4.11), so that a plot can be printed in black and white.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import timedelta
from functools import cache
from html import escape
from io import StringIO
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, QUIET, BLUE, RED = "#1a1a1a", "#595959", "#1f5f99", "#a32020"
# Readable where a phone shows the whole width of 390 px.
WIDTH_IN, ROW_IN, TEXT_PT = 4.4, 0.22, 9
STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    # Names in a drawing are made of this, so that the same rows give the same bytes.
    "svg.hashsalt": "owner",
    "font.family": "sans-serif",
    "font.size": TEXT_PT,
    "text.color": INK,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
}
MOST_JOBS = 60
MOST_MONTHS_NAMED = 7


@dataclass(frozen=True, slots=True)
class WeekBar:
    """A week by its Monday: hours that crews work, and those of them that are booked."""

    monday: date
    working_hours: float
    booked_hours: float


@dataclass(frozen=True, slots=True)
class FinishBar:
    """A job's finish: the days not passed with 10, 50, 80 and 90 %, and the promise."""

    job: str
    p10: date
    p50: date
    p80: date
    p90: date
    promised: date | None


@dataclass(frozen=True, slots=True)
class CauseBar:
    """Working days that jobs end later by one cause."""

    label: str
    days: float


@dataclass(frozen=True, slots=True)
class CoverageDot:
    """How often a quantile was not passed, and between which shares it lies by luck alone."""

    share: float
    covered: float
    low: float
    high: float


def load_svg(name: str, weeks: Sequence[WeekBar]) -> str:
    """Return booked hours by week before the hours that crews work."""
    figure, axes = _sheet(2.6)
    places = range(len(weeks))
    axes.bar(places, [w.working_hours for w in weeks], 0.8, color="white", edgecolor=INK)
    axes.bar(places, [w.booked_hours for w in weeks], 0.8, color=BLUE, edgecolor=INK)
    every = max(1, -(-len(weeks) // 8))
    shown = list(places)[::every]
    axes.set_xticks(shown, [f"{weeks[n].monday:%b} {weeks[n].monday.day}" for n in shown])
    axes.set_ylabel("hours of crews")
    return _svg(
        figure,
        name,
        "Booked hours by week against the hours that crews work",
        "; ".join(
            f"week of {w.monday:%b} {w.monday.day}: {w.booked_hours:.0f} of {w.working_hours:.0f} h"
            for w in weeks
        ),
    )


def finishes_svg(name: str, jobs: Sequence[FinishBar]) -> str:
    """Return each job's finish as an interval, with its promise."""
    jobs = jobs[:MOST_JOBS]
    figure, axes = _sheet(1.0 + ROW_IN * len(jobs))
    for row, job in enumerate(jobs):
        p10, p50, p80, p90 = (day.toordinal() for day in (job.p10, job.p50, job.p80, job.p90))
        axes.plot([p10, p90], [row, row], color=QUIET, linewidth=1.5)
        axes.plot([p10, p80], [row, row], color=BLUE, linewidth=5, solid_capstyle="butt")
        axes.plot([p50], [row], marker="|", color=INK, markersize=11, markeredgewidth=2)
        if job.promised is not None:
            late = job.promised < job.p80
            axes.plot(
                [job.promised.toordinal()],
                [row],
                marker="D",
                color=RED if late else INK,
                markerfacecolor=RED if late else "white",
                markersize=5,
            )
    axes.set_yticks(range(len(jobs)), [job.job for job in jobs])
    axes.set_ylim(len(jobs) - 0.4, -0.6)
    if jobs:
        _name_months(axes, jobs)
    return _svg(
        figure,
        name,
        "Finish of each job against its promise",
        "; ".join(
            f"{job.job}: {job.p10} to {job.p90}, half by {job.p50}, "
            + (f"promised {job.promised}" if job.promised else "no promise")
            for job in jobs
        ),
    )


def causes_svg(name: str, causes: Sequence[CauseBar]) -> str:
    """Return days of slips by cause, the most first."""
    figure, axes = _sheet(0.9 + ROW_IN * len(causes))
    axes.barh(range(len(causes)), [c.days for c in causes], 0.7, color=BLUE, edgecolor=INK)
    axes.set_yticks(range(len(causes)), [cause.label for cause in causes])
    axes.invert_yaxis()
    axes.set_xlabel("working days later")
    return _svg(
        figure,
        name,
        "Slips by cause",
        "; ".join(f"{cause.label}: {cause.days:.1f} days" for cause in causes),
    )


def calibration_svg(name: str, dots: Sequence[CoverageDot]) -> str:
    """Return how often finishes came by the day forecast, against how often they should have."""
    figure, axes = _sheet(3.2)
    axes.plot([0, 100], [0, 100], color=QUIET, linestyle="--", linewidth=1)
    for dot in dots:
        axes.plot([100 * dot.share] * 2, [100 * dot.low, 100 * dot.high], color=QUIET, linewidth=6)
        axes.plot([100 * dot.share], [100 * dot.covered], marker="o", color=INK, markersize=7)
    axes.set_xlim(0, 100)
    axes.set_ylim(0, 103)
    axes.set_xlabel("% of finishes that should come by the day forecast")
    axes.set_ylabel("% that did")
    return _svg(
        figure,
        name,
        "How often finishes came by the day forecast",
        "; ".join(
            f"P{100 * dot.share:.0f}: {100 * dot.covered:.0f} %, by luck alone "
            f"{100 * dot.low:.0f} to {100 * dot.high:.0f} %"
            for dot in dots
        ),
    )


@cache
def _figure_class() -> type[Figure]:
    """
    Return matplotlib's figure with our style.

    The style is set once, as a setting for one drawing would be seen by other threads. Loaded
    at the first plot, as it takes most of a second and few processes draw.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    mpl.rcParams.update(STYLE)
    return Figure


def _sheet(height_in: float) -> tuple[Figure, Axes]:
    """Return a figure of its own: no window, and nothing shared between requests."""
    figure = _figure_class()(figsize=(WIDTH_IN, height_in), layout="constrained")
    return figure, figure.add_subplot()


def _name_months(axes: Axes, jobs: Sequence[FinishBar]) -> None:
    """Mark the first days of months along the days; a January tells its year."""
    days = [day for job in jobs for day in (job.p10, job.p90, job.promised) if day is not None]
    month, last = min(days).replace(day=1), max(days)
    months = []
    while month <= last:
        months.append(month)
        month = (month + timedelta(days=31)).replace(day=1)
    shown = months[:: -(-len(months) // MOST_MONTHS_NAMED)]
    axes.set_xlim(min(days).toordinal() - 2, last.toordinal() + 2)
    axes.set_xticks(
        [day.toordinal() for day in shown if day >= min(days)],
        [
            f"{day:%b}\n{day.year}" if day.month == 1 or day == shown[0] else f"{day:%b}"
            for day in shown
            if day >= min(days)
        ],
    )


def _svg(figure: Figure, name: str, title: str, description: str) -> str:
    """Return a figure as an element for a page; `name` keeps its ids apart from other plots'."""
    out = StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    body = text[text.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = re.sub(r"<style.*?</style>", "", body, flags=re.DOTALL)
    body = re.sub(r"<!--.*?-->\s*", "", body, flags=re.DOTALL)
    body = re.sub(r'\bid="', f'id="{name}-', body)
    body = re.sub(r'"#', f'"#{name}-', body).replace("url(#", f"url(#{name}-")
    body = re.sub(r' style="([^"]*)"', lambda found: _attributes(found[1]), body)
    box = re.search(r'viewBox="([^"]*)"', body)
    assert box is not None
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'viewBox="{box[1]}" width="100%" role="img" '
        f'aria-labelledby="{name}-title {name}-desc" stroke-linejoin="round" '
        f'stroke-linecap="butt"><title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-desc">{escape(description)}</desc>'
        # Dark pages too have a plot on white, as it is printed.
        '<rect width="100%" height="100%" fill="#ffffff"/>'
    )
    return head + body[body.index(">") + 1 :].strip()


def _attributes(style: str) -> str:
    """Return declarations as attributes, as a page's own rules may forbid styles in elements."""
    found = []
    for declaration in style.split(";"):
        key, _, value = declaration.partition(":")
        key, value = key.strip(), value.strip().replace("&quot;", "'")
        if key == "font":
            size, _, family = value.partition(" ")
            found += [f'font-size="{size}"', f'font-family="{family}"']
        elif key:
            found.append(f'{key}="{value}"')
    return "".join(f" {attribute}" for attribute in found)
