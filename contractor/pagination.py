"""How API lists are cut into pages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rest_framework.exceptions import NotFound
from rest_framework.pagination import PageNumberPagination

from contractor.problems import Refused
from contractor.trade.errors import Fault

if TYPE_CHECKING:
    from rest_framework.request import Request


class Pages(PageNumberPagination):
    """Fifty rows a page; `page_size` up to 200. What cannot be given is refused, never bent."""

    page_size = 50
    page_size_query_param = "page_size"
    max_page_size = 200

    def get_page_size(self, request: Request) -> int:
        """Return how many rows a page has."""
        text = request.query_params.get("page_size")
        if text is None:
            return self.page_size
        if not (text.isascii() and text.isdigit() and 1 <= _number(text) <= self.max_page_size):
            raise Refused([self._fault("page_size", text, self.max_page_size)])
        return _number(text)

    def get_page_number(self, request: Request, paginator: Any) -> int | str:
        """Return which page is asked for; an empty one is no page, and not the first."""
        text = request.query_params.get(self.page_query_param, 1)
        last: int = paginator.num_pages
        return last if text in self.last_page_strings else text

    def paginate_queryset(self, queryset: Any, request: Request, view: Any = None) -> Any:
        """Return the rows of the page that is asked for."""
        try:
            return super().paginate_queryset(queryset, request, view)
        except NotFound:
            rows = self.get_page_size(request)
            last = self.django_paginator_class(queryset, rows).num_pages
            text = request.query_params.get("page", "")
            raise Refused([self._fault("page", text, last)]) from None

    def _fault(self, name: str, text: str, most: int) -> Fault:
        what = "there is no such page" if name == "page" else "a page cannot have so many rows"
        return Fault(name, text, what, f"Enter a whole number from 1 to {most}.")


def _number(text: str) -> int:
    # Nine digits are more than any page has; Python refuses to read thousands of them.
    return int(text[:9])
