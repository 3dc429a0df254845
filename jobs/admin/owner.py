"""The owner's page: backlog, finishes against promises, load, slips and calibration, drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.utils.safestring import mark_safe

from jobs.admin.words import day, short_day
from jobs.drawing.plots import (
    CauseBar,
    CoverageDot,
    FinishBar,
    WeekBar,
    calibration_svg,
    causes_svg,
    finishes_svg,
    load_svg,
)
from jobs.selectors.owner import OwnersView, owners_view

if TYPE_CHECKING:
    from datetime import datetime

    from django.utils.safestring import SafeString


def owner_context(*, now: datetime) -> dict[str, Any]:
    """Return what the page shows: each plot, and its rows for the table beside it."""
    view = owners_view(now=now)
    scored = next((row for row in view.calibration if row.coverages), None)
    return {
        "view": view,
        "as_of": day(now),
        "not_earned": f"${view.backlog.total.not_earned_usd:,.0f}",
        "forecast_on": "" if view.forecast is None else day(view.forecast.as_of),
        "load_plot": _load(view),
        "finish_plot": _finishes(view),
        "cause_plot": _causes(view),
        "calibration_plot": _calibration(view),
        "weeks": [
            {
                "week": row.week,
                "hours": [
                    f"{booked:.0f} of {working:.0f}"
                    for working, booked in ((row.working_hours, row.booked_hours), *row.by_crew)
                ],
            }
            for row in view.weeks
        ],
        "finishes": [_finish_row(row) for row in view.finishes],
        "crews": [
            {
                "crew": row.crew.name,
                "crew_days": f"{row.crew_days:.1f}",
                "weeks": "–" if row.weeks is None else f"{row.weeks:.1f}",
                "free": short_day(row.comes_free_on),
            }
            for row in view.backlog.by_crew
        ],
        "scored": scored,
        "coverages": [
            {
                "name": row.name.upper(),
                "covered": f"{row.covered:.0%}",
                "of": row.due,
                "luck": f"{row.low:.0%} to {row.high:.0%}",
            }
            for row in (scored.coverages if scored else ())
        ],
    }


def _load(view: OwnersView) -> SafeString | None:
    bars = [WeekBar(w.monday, w.working_hours, w.booked_hours) for w in view.weeks]
    return mark_safe(load_svg("load", bars)) if bars else None


def _finishes(view: OwnersView) -> SafeString | None:
    bars = [
        FinishBar(row.job.number, row.p10, row.p50, row.p80, row.p90, row.promised_on)
        for row in view.finishes
        if row.p10 and row.p50 and row.p80 and row.p90
    ]
    return mark_safe(finishes_svg("finish", bars)) if bars else None


def _causes(view: OwnersView) -> SafeString | None:
    bars = [CauseBar(row.cause, row.days) for row in view.causes]
    return mark_safe(causes_svg("causes", bars)) if bars else None


def _calibration(view: OwnersView) -> SafeString | None:
    scored = next((row for row in view.calibration if row.coverages), None)
    if scored is None:
        return None
    dots = [CoverageDot(row.share, row.covered, row.low, row.high) for row in scored.coverages]
    return mark_safe(calibration_svg("calibration", dots))


def _finish_row(row: Any) -> dict[str, Any]:
    chance, late = row.keep_chance, row.expected_days_late
    return {
        "job": row.job,
        "promised": short_day(row.promised_on) if row.promised_on else "none",
        "half": short_day(row.p50),
        "four_in_five": short_day(row.p80),
        "chance": "–" if chance is None else f"{chance:.0%}",
        "late": "–" if late is None else f"{late:.1f}",
        "drivers": [f"{words} {share:.0%}" for words, share in row.drivers],
        "because": row.no_dates_because,
    }
