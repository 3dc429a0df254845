"""The doors by which a phone reports: the outbox's, and that of forms where no script runs."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from functools import wraps
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

from contractor.trade.errors import Fault, SpecError
from crews.models import Phone
from crews.phone.messages import Sent, phone_report
from crews.phone.session import PhoneRequest, phone_required
from crews.services.phone_reports import (
    PhoneAnswer,
    PhoneReport,
    PhoneTaken,
    fault_words,
    reporter_at,
    take_phone_reports,
)
from jobs import tasks
from jobs.models import FieldReport
from jobs.services import photos
from jobs.services.reporting import Outcome

MOST_REPORTS = 50
OUTBOX_HEADER = "X-Outbox"
View = Callable[..., HttpResponseBase]


def from_outbox(view: View) -> View:
    """
    Take requests of our own script only, without a token in a page that may be days old.

    A header of our own cannot be set by a form, nor by a script of another site without being
    asked for first; and a browser that says where a request comes from is believed. The cookie is
    SameSite besides. Source: OWASP Cross-Site Request Forgery Prevention Cheat Sheet, custom
    request headers and origin check (from memory).
    """

    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        origin = request.headers.get("Origin", "")
        is_ours = not origin or urlsplit(origin).netloc == request.get_host()
        if OUTBOX_HEADER not in request.headers or not is_ours:
            return JsonResponse({"error": "not_from_here"}, status=403)
        return view(request, *args, **kwargs)

    return csrf_exempt(guarded)


@from_outbox
@require_POST
@phone_required
def reports(request: PhoneRequest) -> HttpResponse:
    """
    Take up to 50 reports: {"reports": [{"id", "made_at", and the fields of a form}]}.

    Answers {"results": [{"id", "result", "words", "stands"}]}, each by itself; sending a report
    again changes nothing.
    """
    rows = _rows(request.body)
    if rows is None:
        return JsonResponse({"error": "unreadable"}, status=400)
    answers: dict[int, dict[str, Any]] = {}
    read: dict[int, PhoneReport] = {}
    for place, row in enumerate(rows):
        try:
            read[place] = _read(row, request.phone)
        except SpecError as refusal:
            answers[place] = _answer_json(_refused(row, refusal))
    taken = _take(request.phone, list(read.values()))
    told = map(_answer_json, taken.answers)
    answers |= dict(zip(read, told, strict=True))
    return JsonResponse({"results": [answers[place] for place in sorted(answers)]})


@from_outbox
@require_POST
@phone_required
def photo(request: PhoneRequest, report_id: UUID) -> HttpResponse:
    """Take one photo of a report, in the field `photo`; answers {"result", "words"}."""
    sent = request.FILES.get("photo")
    try:
        if sent is None or (sent.size or 0) > photos.LARGEST_BYTES:
            return JsonResponse({"result": Outcome.REFUSED.value, "words": [photos.REMEDY]})
        _keep_photo(request.phone, report_id, sent.read())
    except photos.NotYours:
        words = ["The report of this photo is not there. Call the office."]
        return JsonResponse({"result": Outcome.REFUSED.value, "words": words})
    except SpecError as refusal:
        words = fault_words(refusal)
        return JsonResponse({"result": Outcome.REFUSED.value, "words": words})
    return JsonResponse({"result": Outcome.RECEIVED.value, "words": []})


@require_POST
@phone_required
def form(request: PhoneRequest) -> HttpResponse:
    """Take one report of a page's form, with its photos, and show today's work again."""
    fields = {name: str(value) for name, value in request.POST.items()}
    # Not named "id": a form whose field is named so hides its own id from scripts.
    fields["id"] = fields.pop("report_id", "")
    pictures = request.FILES.getlist("photo")
    fields["photos"] = str(len(pictures) or "")
    try:
        report = phone_report(Sent(fields, request.phone, _made_at(fields["id"])))
    except SpecError as refusal:
        _say(request, messages.ERROR, fault_words(refusal))
        return redirect("phone:week")
    (answer,) = _take(request.phone, [report]).answers
    if answer.outcome is Outcome.REFUSED:
        _say(request, messages.ERROR, answer.words)
        return redirect("phone:week")
    for picture in pictures:
        try:
            _keep_photo(request.phone, report.report.id, picture.read())
        except SpecError as refusal:
            _say(request, messages.ERROR, fault_words(refusal))
    _say(request, messages.SUCCESS, ["Received.", *answer.words])
    return redirect("phone:week")


def _take(phone: Phone, read: list[PhoneReport]) -> PhoneTaken:
    taken = take_phone_reports(phone=phone, reports=read, now=timezone.now())
    if taken.repair is not None:
        tasks.enqueue_repair(plan_request_id=taken.repair.pk)
    for wanted in taken.better:
        tasks.enqueue_plan(plan_request_id=wanted.pk)
    return taken


def _rows(body: bytes) -> list[dict[str, str]] | None:
    """Return the reports of a body as forms; None where it is nothing of that kind."""
    try:
        rows = json.loads(body)["reports"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    if not isinstance(rows, list) or not 1 <= len(rows) <= MOST_REPORTS:
        return None
    if not all(isinstance(row, dict) for row in rows):
        return None
    return [{name: str(value) for name, value in row.items()} for row in rows]


def _read(row: dict[str, str], phone: Phone) -> PhoneReport:
    try:
        made_at = parse_datetime(row.get("made_at", ""))
    except ValueError:
        made_at = None
    if made_at is None or made_at.tzinfo is None:
        # Never the present moment in its place: sent again, it would be another report.
        fault = Fault("made_at", row.get("made_at"), "it is not told when", "Say it again.")
        raise SpecError([fault])
    return phone_report(Sent(row, phone, made_at))


def _refused(row: dict[str, str], refusal: SpecError) -> PhoneAnswer:
    return PhoneAnswer(row.get("id", "")[:60], Outcome.REFUSED, tuple(fault_words(refusal)))


def _answer_json(answer: PhoneAnswer) -> dict[str, Any]:
    return {
        "id": str(answer.id),
        "result": answer.outcome.value,
        "words": answer.words,
        "stands": answer.stands,
    }


def _made_at(report_id: str) -> datetime:
    """Return when a form was sent first: sent again, it is the same report."""
    try:
        known = FieldReport.objects.filter(pk=UUID(report_id)).first()
    except ValueError:
        known = None
    return known.made_at if known else timezone.now()


def _keep_photo(phone: Phone, report_id: UUID, data: bytes) -> None:
    photos.add_photo(report_id=report_id, data=data, who=reporter_at(phone), now=timezone.now())


def _say(request: HttpRequest, level: int, words: Any) -> None:
    messages.add_message(request, level, " ".join(words))
