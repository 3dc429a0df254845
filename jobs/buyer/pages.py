"""How the building is coming on, for its buyer."""

from __future__ import annotations

from functools import wraps
from typing import TYPE_CHECKING, Any

from django.http import FileResponse, Http404, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_safe

from jobs.selectors import buyer_page as selector
from jobs.services import buyer_links

if TYPE_CHECKING:
    from collections.abc import Callable

    from django.http import HttpRequest, HttpResponseBase

    from jobs.models import BuyerLink


def _behind_a_link(view: Callable[..., HttpResponseBase]) -> Callable[..., HttpResponseBase]:
    """Open a page to who has its link; all others find nothing, and no page is kept or listed."""

    @wraps(view)
    def opened(request: HttpRequest, token: str, **parts: Any) -> HttpResponseBase:
        link = selector.buyer_link_for(token)
        if link is None:
            response: HttpResponseBase = render(request, "jobs/buyer/closed.html", status=404)
        else:
            response = view(request, link, **parts)
        response.headers["Referrer-Policy"] = "no-referrer"
        response.headers["X-Robots-Tag"] = "noindex"
        response.headers.setdefault("Cache-Control", "private, no-store")
        return response

    return require_safe(opened)


# Django's own guard against reading keys off the length of packed pages (BREACH) is in it.
@gzip_page
@_behind_a_link
def page(request: HttpRequest, link: BuyerLink) -> HttpResponse:
    """Show one job to its buyer."""
    now = timezone.now()
    if request.method == "GET":
        buyer_links.record_opening(link=link, now=now)
    shown = selector.buyer_page(job=link.job, now=now)
    token = request.resolver_match.kwargs["token"] if request.resolver_match else ""
    return render(request, "jobs/buyer/page.html", {"page": shown, "token": token})


@_behind_a_link
def photo(request: HttpRequest, link: BuyerLink, photo_id: int) -> FileResponse:
    """Show one photo that the office released."""
    found = selector.released_photo(job=link.job, photo_id=photo_id)
    if found is None:
        raise Http404("No such photo.")
    try:
        response = FileResponse(found.file.open("rb"), content_type="image/jpeg")
    except FileNotFoundError:
        # A database that was brought back without its folder of photos.
        raise Http404("No such photo.") from None
    # Taken back by the office, it is gone within the hour.
    response.headers["Cache-Control"] = "private, max-age=3600"
    return response
