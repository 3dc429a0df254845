"""What no page of the admin sends and Django's own views stumble over, refused as bad requests."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.apps import apps
from django.contrib.admin import ModelAdmin, site
from django.contrib.admin.options import TO_FIELD_VAR
from django.core.exceptions import BadRequest, FieldDoesNotExist, ValidationError
from django.db.models import ForeignKey

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from django.http import HttpRequest, HttpResponse, QueryDict

    AnyKey = ForeignKey[Any, Any]


_PATTERNS = ("__regex", "__iregex")


class ForgedInputMiddleware:
    """
    Answers 400 to what only a forged request of staff holds.

    - An empty `_to_field`: the stock views look for a field without a name.
    - A row chosen from a list that is searched, by what cannot be its key: the form is shown
      again with what was chosen, for which the list asks the database.
    - A search in such a list for a character that no text may hold, or by what is no field.
    - A list narrowed by a pattern: whoever writes one can keep a processor busy for hours.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Answer as the view does, if it is asked at all."""
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., HttpResponse], args: Any, given: Any
    ) -> None:
        """
        Look at what staff send to the admin's stock views.

        Raises
        ------
        django.core.exceptions.BadRequest
            If only a forged request could hold it.
        """
        if request.resolver_match is None or not site.has_permission(request):
            return  # the view asks who it is
        name = request.resolver_match.view_name
        if name == "admin:autocomplete":
            _check_search(request.GET)
        model_admin = getattr(view, "model_admin", None)
        if not isinstance(model_admin, ModelAdmin):
            return
        patterns = [name for name in request.GET if name.endswith(_PATTERNS)]
        if patterns:
            raise BadRequest(f"{patterns[0]}: lists are not searched by pattern. Use the search.")
        for values in (request.GET, request.POST):
            if values.get(TO_FIELD_VAR) == "":
                raise BadRequest(f"{TO_FIELD_VAR} is empty. Name a field, or leave it out.")
            # A form to add a row takes from the address what it begins with.
            if name.endswith(("_add", "_change")):
                _check_keys(values, dict(_searched(model_admin)))


def _check_search(asked: QueryDict) -> None:
    if "\0" in asked.get("term", ""):
        raise BadRequest("term holds a character that no text may hold. Search for other words.")
    try:
        model = apps.get_model(asked.get("app_label", ""), asked.get("model_name", ""))
        field = model._meta.get_field(asked.get("field_name", ""))
    except (LookupError, ValueError, FieldDoesNotExist):
        return  # the view refuses it
    if not field.concrete:
        raise BadRequest(f"field_name {field.name}: nothing is chosen there. Name a field.")


def _searched(model_admin: ModelAdmin[Any]) -> Iterator[tuple[str, AnyKey]]:
    """Yield the fields, those of rows below too, whose choices are found by searching."""
    below = (inline(model_admin.model, site) for inline in model_admin.inlines)
    for shown in (model_admin, *below):
        for name in shown.autocomplete_fields:
            field = shown.model._meta.get_field(name)
            if isinstance(field, ForeignKey):
                yield name, field


def _check_keys(values: QueryDict, searched: dict[str, AnyKey]) -> None:
    for name, texts in values.lists():
        field = searched.get(name.rpartition("-")[2])
        for text in texts:
            if field is not None and text and not _could_be_key(field, text):
                raise BadRequest(f"{name} {text[:40]!r}: this is no key. Choose from the list.")


def _could_be_key(field: AnyKey, text: str) -> bool:
    """Return whether a row could have this key: of the right kind, and not too long a number."""
    try:
        field.target_field.clean(text, None)
    except ValidationError:
        return False
    return True
