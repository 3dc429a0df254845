"""What every view of the API shares: who may use it, what its parameters may be, how it caches."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar

from django.http import HttpResponsePermanentRedirect
from django.urls import resolve
from django.utils.cache import patch_cache_control, patch_vary_headers
from django.utils.decorators import method_decorator
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import conditional_page
from drf_spectacular.utils import extend_schema
from drf_spectacular.views import SpectacularJSONAPIView
from rest_framework.exceptions import AuthenticationFailed, MethodNotAllowed, NotFound
from rest_framework.generics import GenericAPIView
from rest_framework.response import Response
from rest_framework.views import APIView

from contractor.problems import Refused
from contractor.trade.errors import Fault
from jobs.api.queries import Query

if TYPE_CHECKING:
    from django.http import HttpRequest
    from django.http.response import HttpResponseBase
    from rest_framework.request import Request
    from rest_framework.serializers import BaseSerializer


@method_decorator(conditional_page, name="dispatch")
class OwnersView(APIView):
    """
    A view whose answers may be kept by the reader, who asks again with If-None-Match.

    The ETag is a digest of the answer (RFC 9110 section 8.8.3): an unchanged answer costs its
    computation but no transfer.
    """

    query_class: ClassVar[type[Query]] = Query

    def perform_authentication(self, request: Request) -> None:
        """Count whoever brings a token that opens nothing, as all others are counted."""
        try:
            super().perform_authentication(request)
        except AuthenticationFailed:
            self.check_throttles(request)
            raise

    def check_permissions(self, request: Request) -> None:
        """
        Tell a wrong method as such before it is told as a missing right.

        Who has no sign-in is counted first: rates are otherwise looked at after permissions, and
        so only for those who come in.
        """
        if not request.user.is_authenticated:
            self.check_throttles(request)
        if request.user.is_authenticated and request.method not in self.allowed_methods:
            raise MethodNotAllowed(str(request.method))
        super().check_permissions(request)

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Read the parameters before any work is done, so that all refuse alike."""
        super().initial(request, *args, **kwargs)
        self.query: dict[str, Any] = self.query_class.read(
            request.query_params, beside=self.parameters_beside()
        )

    def parameters_beside(self) -> frozenset[str]:
        """Return the parameters that are read elsewhere."""
        return frozenset()

    def finalize_response(
        self, request: Request, response: Response, *args: Any, **kwargs: Any
    ) -> Response:
        """Keep answers out of shared caches: they are one person's to read."""
        final = super().finalize_response(request, response, *args, **kwargs)
        patch_cache_control(final, private=True, no_cache=True)
        patch_vary_headers(final, ["Authorization", "Cookie"])
        return final


class OwnersList(OwnersView, GenericAPIView[Any]):
    """
    A list in pages. A subclass says its rows and how each is shown.

    `shows_json` says that `show` gives the rows as JSON has them, so that the shape only describes
    them: large pages take half their time to be copied by it, field by field.
    """

    shows_json: ClassVar[bool] = False

    def parameters_beside(self) -> frozenset[str]:
        """Return the parameters that the pages read."""
        return frozenset({"page", "page_size"})

    def answer(self, rows: Any) -> Response:
        """Return one page of `rows`."""
        shown = self.show(self.paginate_queryset(rows))
        if self.shows_json:
            return self.get_paginated_response(shown)
        shape: BaseSerializer[Any] = self.get_serializer(shown, many=True)
        return self.get_paginated_response(shape.data)

    def show(self, page: Any) -> list[Any]:
        """Return the rows of a page as the shape reads them."""
        return list(page)


@extend_schema(exclude=True)
class NoSuchAddress(OwnersView):
    """What is answered where the API has nothing."""

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Answer before asking who asks: there is nothing to protect."""
        raise NotFound("There is nothing at this address. GET /api/v1/schema/ lists what there is.")


no_such_address = NoSuchAddress.as_view()


@csrf_exempt
def without_slash(request: HttpRequest) -> HttpResponseBase:
    """
    Send an address without its last slash on to the one with it, method and body kept.

    Source: RFC 9110, section 15.4.9. What Django does on its own, a 301, loses the body of a POST.
    """
    there = request.get_full_path(force_append_slash=True)
    if resolve(f"{request.path_info}/").func is no_such_address:
        return no_such_address(request)
    return HttpResponsePermanentRedirect(there, preserve_request=True)


class SchemaRead(OwnersView, SpectacularJSONAPIView):
    """The OpenAPI document, which takes no parameters and caches like all else."""

    opens_to_sellers = True


def missing(what: str, key: object, lists: str) -> NotFound:
    """Return the answer for a row that does not exist."""
    return NotFound(f"There is no {what} {key}. GET {lists} lists what there is.")


def refused(field: str, value: object, message: str, remedy: str) -> Refused:
    """Return the answer for one parameter that cannot be used."""
    return Refused([Fault(field, value, message, remedy)])
