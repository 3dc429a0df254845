"""Where a button leads back to: the page it stood on, if it says so and is one of ours."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.shortcuts import redirect
from django.utils.http import url_has_allowed_host_and_scheme

if TYPE_CHECKING:
    from django.http import HttpRequest, HttpResponse


def back(request: HttpRequest, usual: str) -> HttpResponse:
    """Return the way to the address in `next` if it is on this host, else to the usual page."""
    asked = request.POST.get("next", "")
    if url_has_allowed_host_and_scheme(
        asked, allowed_hosts={request.get_host()}, require_https=request.is_secure()
    ):
        return redirect(asked)
    return redirect(usual)
