"""Field reports from phones and the office: taken one by one or many at once, read, and photos."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.parsers import MultiPartParser
from rest_framework.response import Response

from contractor.problems import Refused, TooLarge, errors_of
from contractor.roles import SiteReports
from contractor.trade.errors import Fault
from contractor.trade.phases import PHASE_TABLE
from crews.models import Crew
from jobs import tasks
from jobs.api.base import OwnersList, OwnersView, missing, refused
from jobs.api.queries import Query
from jobs.api.report_shapes import (
    CAUSES,
    NewReportShape,
    PhotoShape,
    ReportAnswersShape,
    ReportShape,
)
from jobs.api.shapes import answers
from jobs.api.take_off import ShortJson
from jobs.models import FieldReport, Phase, ReportPhoto
from jobs.selectors import reports as selector
from jobs.services import photos
from jobs.services.new_report import NewReport
from jobs.services.reporting import Answer, Outcome, take_reports

if TYPE_CHECKING:
    from rest_framework.request import Request

MOST_REPORTS = 50
LISTED_AT = "/api/v1/reports/"
TEXTS = ("job", "phase", "crew", "kind", "stopped_by", "note", "corrected_kind")
MOMENTS = ("made_at", "happened_at", "stopped_until")
NUMBERS = ("share_done", "crew_hours", "people", "part")
COUNTS = ("people", "part")
IDS = ("id", "corrects")
KNOWN = frozenset((*TEXTS, *MOMENTS, *NUMBERS, *IDS))
NEEDED = ("id", "job", "phase", "kind", "made_at")


class ReportsJson(ShortJson):
    """JSON of fifty reports with long notes."""

    largest_bytes = 256 * 1024


class ReportsQuery(Query):
    """Which reports."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        """Return the parameters; `from` cannot be written as an attribute."""
        return {
            "job": serializers.CharField(required=False, max_length=20),
            "phase": serializers.ChoiceField(required=False, choices=list(PHASE_TABLE)),
            "crew": serializers.CharField(required=False, max_length=60),
            "kind": serializers.ChoiceField(required=False, choices=FieldReport.Kind.choices),
            "cause": serializers.ChoiceField(required=False, choices=CAUSES),
            "from": serializers.DateField(
                required=False, help_text="Made on this day or later, at the sites."
            ),
            "to": serializers.DateField(required=False, help_text="Made on this day or earlier."),
        }


class Reports(OwnersList):
    """What was reported, and the door for more."""

    permission_classes = [SiteReports]
    parser_classes = [ReportsJson]
    serializer_class = ReportShape
    query_class = ReportsQuery

    @extend_schema(
        parameters=[ReportsQuery],
        responses=answers(ReportShape(many=True)),
        operation_id="reports_list",
    )
    def get(self, request: Request) -> Response:
        """List reports, newest first: all of them, or those of the crews one leads."""
        asked = dict(self.query)
        rows = selector.reports(selector.reporter(request.user))
        if "from" in asked:
            rows = rows.filter(made_at__date__gte=asked.pop("from"))
        if "to" in asked:
            rows = rows.filter(made_at__date__lte=asked.pop("to"))
        return self.answer(rows.filter(selector.report_filter(**asked)))

    def show(self, page: list[FieldReport]) -> list[dict[str, Any]]:
        """Return the reports of a page, each with what it counts as."""
        phases = {report.phase_id for report in page}
        beside = FieldReport.objects.filter(phase__in=phases)
        return [report_json(shown) for shown in selector.shown(page, beside)]

    @extend_schema(
        request=NewReportShape,
        responses=answers(ReportAnswersShape, 413, 415),
        operation_id="reports_take",
    )
    def post(self, request: Request) -> Response:
        """
        Take one report or a list of up to 50; sending one again changes nothing.

        One report that is refused is answered as a problem. Of a list, each is answered by itself,
        and one that is refused keeps no other from being taken.
        """
        body = request.data
        many = isinstance(body, list)
        entries = _entries(body)
        taken = take_reports(
            reports=[entry.report for entry in entries if entry.report],
            who=selector.reporter(request.user),
            now=timezone.now(),
        )
        if taken.plan_request:
            tasks.enqueue_repair(plan_request_id=taken.plan_request.pk)
        told = list(_answered(entries, taken.answers))
        if not many and told[0].faults:
            raise Refused(told[0].faults)
        return Response(ReportAnswersShape({"results": [_answer_json(row) for row in told]}).data)


class PhotoForm(serializers.Serializer[Any]):
    """The form of an upload."""

    photo = serializers.FileField(help_text=photos.REMEDY)


class PhotoUpload(OwnersView):
    """The door for one photo of a report."""

    permission_classes = [SiteReports]
    parser_classes = [MultiPartParser]

    @extend_schema(
        request={"multipart/form-data": PhotoForm},
        responses=answers(PhotoShape, 404, 413, 415),
        operation_id="reports_photo",
    )
    def post(self, request: Request, report_id: UUID) -> Response:
        """Take a photo, in the field `photo`; the same one again is one photo."""
        sent = request.FILES.get("photo")
        if sent is None:
            raise refused("photo", None, "this is missing", photos.REMEDY)
        if (sent.size or 0) > photos.LARGEST_BYTES:
            raise TooLarge(photos.REMEDY)
        try:
            photo, _ = photos.add_photo(
                report_id=report_id,
                data=sent.read(),
                who=selector.reporter(request.user),
                now=timezone.now(),
            )
        except photos.NotYours:
            raise missing("report", report_id, LISTED_AT) from None
        return Response(PhotoShape(photo_json(photo)).data)


class _AnyAccept(DefaultContentNegotiation):
    """Leaves `Accept` unread where one thing is given out, and it is no JSON (RFC 9110, 12.5.1)."""

    def select_renderer(self, request: Any, renderers: Any, format_suffix: Any = None) -> Any:
        """Return what problems are written with."""
        return renderers[0], renderers[0].media_type


class PhotoRead(OwnersView):
    """One photo, for whoever may read its report."""

    permission_classes = [SiteReports]
    content_negotiation_class = _AnyAccept

    @extend_schema(
        responses=answers(OpenApiTypes.BINARY, 404, kind="image/jpeg"),
        operation_id="reports_photo_read",
    )
    def get(self, request: Request, photo_id: int) -> HttpResponse:
        """Show the photo."""
        who = selector.reporter(request.user)
        photo = ReportPhoto.objects.select_related("report").filter(pk=photo_id).first()
        if photo is None or not (who.reads_all or photo.report.crew_id in who.crews):
            raise missing("photo", photo_id, LISTED_AT)
        try:
            with photo.file.open("rb") as stored:
                return HttpResponse(stored.read(), content_type="image/jpeg")
        except FileNotFoundError:
            # A database that was brought back without its folder of photos.
            raise missing("photo", photo_id, LISTED_AT) from None


@dataclass(frozen=True, slots=True)
class Entry:
    """One element of the body: a report, or what keeps it from being one."""

    id: object
    report: NewReport | None
    faults: tuple[Fault, ...]


def report_json(shown: selector.ShownReport) -> dict[str, Any]:
    """Return a report as the list shows it."""
    report, counts = shown.report, shown.counts
    return {
        "id": report.pk,
        "job": report.phase.job.number,
        "phase": report.phase.code,
        "part": report.phase.part,
        "crew": report.crew.name if report.crew else None,
        "kind": report.kind,
        "made_at": report.made_at,
        "happened_at": report.happened_at or report.made_at,
        "received_at": report.received_at,
        "by": report.by_name,
        "from_office": report.from_office,
        "share_done": report.share_done,
        "crew_hours": report.crew_hours,
        "people": report.people,
        "stopped_by": report.stopped_by,
        "stopped_until": report.stopped_until,
        "note": report.note,
        "corrects": report.corrects_id,
        "counts_as": None if counts is None else counts.kind.value,
        "photos": [photo_json(photo) for photo in report.photos.all()],
    }


def photo_json(photo: ReportPhoto) -> dict[str, Any]:
    """Return a photo as reports list it."""
    return {
        "id": photo.pk,
        "address": reverse("api:report-photo", args=[photo.pk]),
        "width_px": photo.width_px,
        "height_px": photo.height_px,
    }


def _entries(body: object) -> list[Entry]:
    """
    Return the body's elements as reports, jobs and crews looked up in two queries.

    Raises
    ------
    contractor.problems.Refused
        If the body is neither a report nor a list of at most 50.
    """
    rows = body if isinstance(body, list) else [body]
    if not 1 <= len(rows) <= MOST_REPORTS:
        message = f"these are {len(rows)} reports"
        raise refused("(body)", len(rows), message, f"Send 1 to {MOST_REPORTS} at once.")
    known = [row for row in rows if isinstance(row, dict)]
    numbers = {str(row.get("job")) for row in known}
    phases = {
        (phase.job.number, phase.code, phase.part): phase.pk
        for phase in Phase.objects.filter(job__number__in=numbers).select_related("job")
    }
    names = {str(row.get("crew")) for row in known if row.get("crew")}
    crews = dict(Crew.objects.filter(name__in=names).values_list("name", "pk"))
    return [_entry(row, phases, crews) for row in rows]


def _entry(
    row: object, phases: Mapping[tuple[str, str, int], int], crews: Mapping[str, int]
) -> Entry:
    if not isinstance(row, dict):
        remedy = 'Send an object like {"id": …, "job": "26-041", "phase": "DIG", …}.'
        return Entry(None, None, (Fault("(body)", row, "this is not an object", remedy),))
    faults: list[Fault] = []
    given = {name: _value(name, row[name], faults) for name in row.keys() & KNOWN}
    faults += [
        Fault(name, row[name], "there is no such field", f"Use {', '.join(sorted(KNOWN))}.")
        for name in sorted(row.keys() - KNOWN)
    ]
    faults += [
        Fault(name, None, "this is missing", _REMEDIES.get(name, "Enter it."))
        for name in NEEDED
        if row.get(name) in (None, "")
    ]
    job, code, crew = given.get("job"), given.get("phase"), given.get("crew")
    part = 1 if given.get("part") is None else given["part"]
    phase_id = phases.get((str(job), str(code), part))
    if job and code and phase_id is None:
        name, message = "phase", f"job {job} has no such phase"
        if (str(job), str(code), 1) in phases:
            name, message = "part", f"{code} of job {job} has no such part"
        faults.append(Fault(name, row.get(name), message, _REMEDIES[name]))
    if crew and crew not in crews:
        faults.append(Fault("crew", crew, "there is no such crew", _REMEDIES["crew"]))
    if faults or phase_id is None:
        return Entry(row.get("id"), None, tuple(faults))
    return Entry(row.get("id"), _report(given, phase_id, crews.get(str(crew))), ())


def _report(given: Mapping[str, Any], phase_id: int, crew_id: int | None) -> NewReport:
    return NewReport(
        id=given["id"],
        phase_id=phase_id,
        kind=given["kind"],
        made_at=given["made_at"],
        crew_id=crew_id,
        happened_at=given.get("happened_at"),
        share_done=given.get("share_done"),
        crew_hours=given.get("crew_hours"),
        people=given.get("people"),
        stopped_by=given.get("stopped_by") or "",
        stopped_until=given.get("stopped_until"),
        note=given.get("note") or "",
        corrects_id=given.get("corrects"),
        corrected_kind=given.get("corrected_kind") or "",
    )


def _value(name: str, value: object, faults: list[Fault]) -> Any:
    """Return one field as a value; None where it is empty, or wrong and added to the faults."""
    if value is None or value == "":
        return None
    if name in TEXTS and isinstance(value, str):
        return value
    if name in NUMBERS and _is_number(value, whole=name in COUNTS):
        return _number(name, value, faults)
    if name in IDS and isinstance(value, str):
        try:
            return UUID(value)
        except ValueError:
            pass
    if name in MOMENTS and isinstance(value, str):
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            pass
        else:
            if moment.tzinfo is not None:
                return moment
    faults.append(Fault(name, value, _WRONG[name], _REMEDIES.get(name, "Enter a text.")))
    return None


def _is_number(value: object, *, whole: bool) -> bool:
    return isinstance(value, int if whole else int | float) and not isinstance(value, bool)


def _number(name: str, value: Any, faults: list[Fault]) -> Any:
    try:
        return value if name in COUNTS else float(value)
    except OverflowError:
        faults.append(Fault(name, value, _WRONG[name], _REMEDIES[name]))
        return None


_WRONG = {
    **dict.fromkeys(TEXTS, "this is not a text"),
    **dict.fromkeys(NUMBERS, "this is not such a number"),
    **dict.fromkeys(IDS, "this is not a UUID"),
    **dict.fromkeys(MOMENTS, "this is not a moment with its offset"),
}
_MOMENT = "Enter it like 2026-06-01T15:30:00-04:00."
_REMEDIES = {
    "id": "Make a UUID where the report is made, and keep it for sending again.",
    "corrects": "Enter the id of the report that was wrong.",
    "job": "Enter a job's number, like 26-041.",
    "phase": "Enter a phase's code, as the job lists them.",
    "part": "Enter a part, as the job lists them, or leave it out.",
    "crew": "Enter a crew's name, as it is written on its page.",
    "kind": "Enter what is reported, like PROGRESS.",
    "share_done": "Enter 0 to 1, like 0.5 for one half.",
    "crew_hours": "Enter hours of all people together, like 24.",
    "people": "Enter how many were on the site, like 4.",
    **dict.fromkeys(MOMENTS, _MOMENT),
}


def _answered(entries: Iterable[Entry], taken: Iterable[Answer]) -> Iterable[Answer]:
    """Yield what became of each element, in the order in which they were sent."""
    rest = iter(taken)
    for entry in entries:
        if entry.report is None:
            yield Answer(entry.id, Outcome.REFUSED, entry.faults)  # type: ignore[arg-type]
        else:
            yield next(rest)


def _answer_json(answer: Answer) -> dict[str, Any]:
    return {
        "id": None if answer.id is None else str(answer.id)[:60],
        "result": answer.outcome.value,
        "errors": errors_of(answer.faults),
    }
