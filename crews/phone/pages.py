"""What a crew does today and this week, and the page on which a link lets a phone in."""

from datetime import datetime
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.safestring import mark_safe
from django.views.decorators.cache import never_cache
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_http_methods, require_safe

from crews.models import Firm
from crews.phone.messages import CHOICES
from crews.phone.session import PhoneRequest, keep_signed_in, phone_required, private
from crews.selectors.phones import invited_phone
from crews.services import phones
from jobs.drawing import elevation_svg, plan_svg
from jobs.selectors.crew_week import crew_phase, crew_week
from jobs.selectors.crew_work import photo_of_crew, told_before


# Django's own guard against reading keys off the length of packed pages (BREACH) is in it.
@gzip_page
@require_safe
@phone_required
def week(request: PhoneRequest) -> HttpResponse:
    """Show today and the days to come of the phone's crew."""
    shown = crew_week(crew=request.phone.crew, now=timezone.now())
    return _page(request, "crews/phone/week.html", as_of=shown.as_of, week=shown)


@gzip_page
@require_safe
@phone_required
def phase(request: PhoneRequest, phase_id: int) -> HttpResponse:
    """Show all there is to know of one phase of the phone's crew."""
    now = timezone.now()
    row = crew_phase(crew=request.phone.crew, phase_id=phase_id, now=now)
    if row is None:
        return _page(request, "crews/phone/not_yours.html", as_of=now, status=404)
    building = row.building
    return _page(
        request,
        "crews/phone/phase.html",
        as_of=now,
        row=row,
        told=told_before(row.job),
        # Both are drawn by us from numbers, and escape what they write.
        plan=mark_safe(plan_svg(building)) if building else "",
        elevation=mark_safe(elevation_svg(building)) if building else "",
    )


@require_safe
@phone_required
def photo(request: PhoneRequest, photo_id: int) -> HttpResponseBase:
    """Show a photo of a site on which the phone's crew works or has worked."""
    found = photo_of_crew(crew=request.phone.crew, photo_id=photo_id)
    if found is None:
        raise Http404
    try:
        with found.file.open("rb") as stored:
            response = HttpResponse(stored.read(), content_type="image/jpeg")
    except FileNotFoundError:
        # A database that was brought back without its folder of photos.
        raise Http404 from None
    # A photo is never changed, so that a phone need not ask for it again.
    response.headers["Cache-Control"] = "private, max-age=31536000, immutable"
    return response


def _page(
    request: PhoneRequest, template: str, *, as_of: datetime, status: int = 200, **shown: Any
) -> HttpResponse:
    """Return a page with what every page shows: whose phone, as of when, the office's number."""
    firm = Firm.objects.order_by("pk").first()
    every = {"phone": request.phone, "firm": firm, "as_of": as_of, "report": CHOICES}
    return render(request, template, every | shown, status=status)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def enroll(request: HttpRequest, key: str) -> HttpResponseBase:
    """
    Let a phone in by its link: a page with one button, then today's work.

    Looking at the page uses nothing up, since programs that show a preview of a link look too.
    """
    now = timezone.now()
    if request.method == "POST":
        return _enroll(request, key)
    invited = invited_phone(key, now=now)
    return private(
        render(
            request, "crews/phone/enroll.html", {"invited": invited}, status=200 if invited else 404
        )
    )


def _enroll(request: HttpRequest, key: str) -> HttpResponseBase:
    client = request.headers.get("User-Agent", "")
    try:
        _, token = phones.enroll(key=key, client=client, now=timezone.now())
    except phones.PhoneLinkClosedError:
        return private(render(request, "crews/phone/enroll.html", {"invited": None}, status=404))
    response = private(redirect("phone:week"))
    keep_signed_in(response, token)
    return response
