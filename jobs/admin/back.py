"""Where a button leads back to: the page it stood on, if it says so and is one of ours."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.contrib import admin
from django.shortcuts import redirect
from django.utils.http import url_has_allowed_host_and_scheme

if TYPE_CHECKING:
    from django.db.models import Model
    from django.http import HttpRequest, HttpResponse


def back(request: HttpRequest, usual: str) -> HttpResponse:
    """Return the way to the address in `next` if it is on this host, else to the usual page."""
    return redirect(_page_of(request) or usual)


class ComesBack(admin.ModelAdmin):
    """A row's form that leads back, once it is saved, to the page whose link named itself."""

    def response_post_save_add(self, request: HttpRequest, obj: Model) -> HttpResponse:
        """Go back to the page that asked for a new row, else to the list."""
        usual = super().response_post_save_add(request, obj)
        return back(request, usual.headers["Location"])

    def response_post_save_change(self, request: HttpRequest, obj: Model) -> HttpResponse:
        """Go back to the page that the row was opened from, else to the list."""
        usual = super().response_post_save_change(request, obj)
        return back(request, usual.headers["Location"])


def _page_of(request: HttpRequest) -> str:
    """Return the address in `next`, sent with a button or a link; "" for another host's."""
    asked = request.POST.get("next") or request.GET.get("next", "")
    is_ours = url_has_allowed_host_and_scheme(
        asked, allowed_hosts={request.get_host()}, require_https=request.is_secure()
    )
    return asked if is_ours else ""
