"""A rain day in one press: the day, the crews, and the proposal that follows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from django.contrib import messages
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone

from contractor.trade.errors import SpecError
from crews.selectors import NoFirm
from jobs.admin.words import count, day
from jobs.desk.base import CHANGE, office_page, rendered
from jobs.selectors.rain_days import CrewRain, RainDay, rain_days
from jobs.services import planning, rain

if TYPE_CHECKING:
    from django.http import HttpRequest, HttpResponse

RAIN = "desk:rain"


@dataclass(frozen=True, slots=True)
class DayLink:
    """A day to choose, and what the forecast says of it."""

    day: date
    words: str
    is_chosen: bool


@dataclass(frozen=True, slots=True)
class CrewRow:
    """A crew to tick: its work that day, and why the forecast stops it."""

    row: CrewRain
    work: str
    is_ticked: bool


@office_page(CHANGE)
def page(request: HttpRequest) -> HttpResponse:
    """Show the crews of a day that rain could stop; when posted, propose what follows."""
    now = timezone.now()
    if request.method == "POST":
        return _propose(request)
    days = rain_days(now=now)
    chosen = _chosen(days, request.GET.get("day", ""))
    is_today = chosen.day == timezone.localdate(now)
    # What the forecast stops is ticked; where it stops nothing, the office has looked outside.
    rows = [
        CrewRow(row, _work(row), bool(row.why) or (is_today and not chosen.stopped))
        for row in chosen.crews
    ]
    return rendered(
        request,
        "rain",
        title=f"Rain day, {day(chosen.day)}",
        days=[DayLink(one.day, _says(one), one is chosen) for one in days],
        chosen=chosen,
        is_today=is_today,
        rows=rows,
    )


def _propose(request: HttpRequest) -> HttpResponse:
    now = timezone.now()
    asked = request.POST.get("day", "")
    crews = [int(key) for key in request.POST.getlist("crew") if key.isascii() and key.isdigit()]
    again = f"{reverse(RAIN)}?day={asked}" if _date(asked) else reverse(RAIN)
    chosen = _date(asked)
    if chosen is None or not crews:
        messages.warning(request, "Choose a day and at least one crew.")
        return redirect(again)
    try:
        if chosen == timezone.localdate(now):
            row = rain.rain_day(day=chosen, crews=crews, now=now, by=request.user)
        else:
            row = rain.coming_rain_day(day=chosen, crews=crews, now=now)
    except (SpecError, NoFirm, planning.TooFarAheadError) as fault:
        messages.error(request, str(fault))
        return redirect(again)
    return redirect("admin:jobs_replanproposal_change", row.pk)


def _chosen(days: list[RainDay], asked: str) -> RainDay:
    """Return the day that is asked for, else the first that the forecast or rain could stop."""
    by_day = {str(one.day): one for one in days}
    stopped = (one for one in days if one.stopped)
    outdoors = (one for one in days if one.crews)
    return by_day.get(asked) or next(stopped, None) or next(outdoors, days[0])


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _work(row: CrewRain) -> str:
    return ", ".join(
        f"{booking.phase.get_code_display().lower()} of job {booking.phase.job.number}"
        for booking in row.bookings
    )


def _says(one: RainDay) -> str:
    if one.stopped:
        return f"stops {count(one.stopped, 'crew')}"
    return f"{count(len(one.crews), 'crew')} outdoors" if one.crews else "no crew outdoors"
