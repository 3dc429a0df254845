"""What the desk's pages share: the admin's frame, and who may see them."""

from __future__ import annotations

from functools import wraps
from typing import TYPE_CHECKING, Any

from django.contrib import admin
from django.core.exceptions import PermissionDenied
from django.template.response import TemplateResponse

if TYPE_CHECKING:
    from collections.abc import Callable

    from django.http import HttpRequest, HttpResponse

VIEW, CHANGE = "jobs.view_plan", "jobs.change_plan"


def office_page(permission: str) -> Callable[[Callable[..., HttpResponse]], Any]:
    """Return a decorator that opens a page to signed-in staff with that permission."""

    def guarded(page: Callable[..., HttpResponse]) -> Any:
        @wraps(page)
        def opened(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            if not request.user.has_perm(permission):
                raise PermissionDenied
            return page(request, *args, **kwargs)

        return admin.site.admin_view(opened)

    return guarded


def rendered(
    request: HttpRequest, template: str, *, title: str, **context: Any
) -> TemplateResponse:
    """Return a page of the desk in the admin's frame."""
    framed = {
        **admin.site.each_context(request),
        "title": title,
        "may_change": request.user.has_perm(CHANGE),
        **context,
    }
    return TemplateResponse(request, f"admin/jobs/desk/{template}.html", framed)
