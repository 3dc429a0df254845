"""What a crew does today and this week, and the page on which a link lets a phone in."""

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from crews.phone.session import PhoneRequest, keep_signed_in, phone_required, private
from crews.selectors.phones import invited_phone
from crews.services import phones
from jobs.selectors.crew_week import crew_phase, crew_week


@require_safe
@phone_required
def week(request: PhoneRequest) -> HttpResponse:
    """Show today and the days to come of the phone's crew."""
    shown = crew_week(crew=request.phone.crew, now=timezone.now())
    return render(request, "crews/phone/week.html", {"week": shown, "phone": request.phone})


@require_safe
@phone_required
def phase(request: PhoneRequest, phase_id: int) -> HttpResponse:
    """Show all there is to know of one phase of the phone's crew."""
    row = crew_phase(crew=request.phone.crew, phase_id=phase_id, now=timezone.now())
    if row is None:
        raise Http404("This phase is not work of your crew.")
    return render(request, "crews/phone/phase.html", {"row": row, "phone": request.phone})


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
