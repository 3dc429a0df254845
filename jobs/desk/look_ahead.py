"""The look-ahead of three weeks, as a page and as a PDF to print."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

from django.http import Http404, HttpResponse
from django.utils import timezone

from jobs.desk.base import VIEW, office_page, rendered
from jobs.drawing.look_ahead import look_ahead_pdf
from jobs.selectors.look_ahead import WEEKS, first_monday, look_ahead

if TYPE_CHECKING:
    from django.http import HttpRequest

MOST_DAYS_AWAY = 366


@office_page(VIEW)
def page(request: HttpRequest) -> HttpResponse:
    """Show the three weeks by crew and by job."""
    now = timezone.now()
    monday = _monday(request) or first_monday(timezone.localdate(now))
    sheet = look_ahead(now=now, monday=monday)
    return rendered(
        request,
        "look_ahead",
        title=sheet.title if sheet else "Look-ahead",
        sheet=sheet,
        monday=monday,
        before=monday - timedelta(weeks=1),
        after=monday + timedelta(weeks=1),
        weeks=WEEKS,
    )


@office_page(VIEW)
def pdf(request: HttpRequest) -> HttpResponse:
    """Return the three weeks as a PDF on letter paper."""
    now = timezone.now()
    monday = _monday(request) or first_monday(timezone.localdate(now))
    sheet = look_ahead(now=now, monday=monday)
    if sheet is None:
        raise Http404("Nothing is published, so there is nothing to look ahead to.")
    response = HttpResponse(look_ahead_pdf(sheet), content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="look-ahead-{monday.isoformat()}.pdf"'
    return response


def _monday(request: HttpRequest) -> date | None:
    """Return the Monday of the week that is asked for, within a year of today; else None."""
    try:
        asked = date.fromisoformat(request.GET.get("from", ""))
    except ValueError:
        return None
    if abs((asked - timezone.localdate()).days) > MOST_DAYS_AWAY:
        return None
    return asked - timedelta(days=asked.weekday())
