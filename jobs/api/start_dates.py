"""When a building that is not sold yet could start and finish, by option. Nothing is stored."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.response import Response

from contractor.problems import Refused
from contractor.trade.errors import Fault
from crews.models import farthest_day
from crews.selectors import NoFirm, firm
from inspections.models import Authority
from inspections.selectors.locate import locate_rules
from jobs.api.base import OwnersView, refused
from jobs.api.jobs import cautions_of
from jobs.api.shapes import CautionShape, Shape, answers
from jobs.api.take_off import BuildingShape, ShortJson, building_from
from jobs.services.plan_making import TooFarAheadError
from jobs.services.start_date_answer import Answer, Likely, OptionDates
from jobs.services.start_date_options import OPTIONS, options_for
from jobs.services.start_dates import ask
from jobs.services.unsold_jobs import LONGEST_DRIVE_MINUTES, MOST_PERMIT_DAYS, Site

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rest_framework.request import Request

    from contractor.trade.building import Building
    from jobs.services.start_date_options import Option

USUAL_DRIVE_MINUTES, USUAL_PERMIT_DAYS = 30, 21
BY_CODE = {option.code: option for option in OPTIONS}
CODES = sorted(BY_CODE)
DAYS_PLACES, CHANCE_PLACES = 1, 3
KIND = (
    "WORK: the job's own, with its nights and weekends. QUEUE: crews and machines that are busy. "
    "PERMIT, LOCATE, DELIVERY, CURE, INSPECTION_NOTICE, LAG, EARLIEST_DATE: waited for. "
    "calendar: closings before a phase."
)


class StartDatesQuestionShape(Shape):
    """A building that is not sold yet, and where it would stand."""

    building = BuildingShape()
    options = serializers.ListField(
        child=serializers.ChoiceField(choices=CODES),
        required=False,
        help_text="Ways to build otherwise; left out, all that would make another building.",
    )
    wanted_on = serializers.DateField(required=False, help_text="The day the buyer wants it by.")
    county = serializers.CharField(required=False, help_text="Left out: the firm's own.")
    state = serializers.CharField(required=False, help_text="Left out: the firm's own.")
    drive_minutes = serializers.IntegerField(
        required=False,
        help_text=f"One way from the yard, 0 to {LONGEST_DRIVE_MINUTES}; usually 30.",
    )
    authority = serializers.CharField(
        required=False, help_text="By name; left out, the only one of the county."
    )
    exempt = serializers.BooleanField(
        required=False, help_text="True: no permit and no inspections."
    )
    permit_days = serializers.IntegerField(
        required=False,
        help_text=f"Days until the permit is in hand, 0 to {MOST_PERMIT_DAYS}; left out, 21.",
    )
    earliest_start_on = serializers.DateField(required=False, help_text="Not before that day.")


class LikelyShape(Shape):
    """Days that are not passed with a chance of 10, 50, 80 and 90 %; null beyond the axis."""

    p10 = serializers.DateField(allow_null=True)
    p50 = serializers.DateField(allow_null=True)
    p80 = serializers.DateField(allow_null=True)
    p90 = serializers.DateField(allow_null=True)


class StartReasonShape(Shape):
    """What the days until the finish go to; those of one option add up to all of them."""

    kind = serializers.CharField(help_text=KIND)
    label = serializers.CharField()
    days = serializers.FloatField()
    more_days = serializers.FloatField(help_text="Against the building as described.")


class HoursMoreShape(Shape):
    """A phase that takes other labor hours than in the building as described."""

    phase = serializers.CharField()
    hours = serializers.FloatField()


class EndangeredShape(Shape):
    """A sold job whose promise is less sure with the new building."""

    job = serializers.CharField()
    promised = serializers.DateField()
    chance_before = serializers.FloatField(help_text="To keep the promise without it, 0 to 1.")
    chance_after = serializers.FloatField(help_text="With it, in the same luck.")
    days_late_before = serializers.IntegerField(help_text="As planned.")
    days_late_after = serializers.IntegerField(help_text="As planned, with it.")


class OptionDatesShape(Shape):
    """One way to build."""

    code = serializers.CharField(
        help_text="AS_DESCRIBED; WANTED_BY: put before all that is not fixed; or an option's code."
    )
    label = serializers.CharField()
    because = serializers.CharField(allow_blank=True, help_text="Why there are no dates.")
    labor_hours = serializers.FloatField()
    draws = serializers.IntegerField(
        help_text="How often it was drawn; fewer with much open work, see the documentation."
    )
    crew = serializers.CharField(allow_blank=True, help_text="Who would do most of it.")
    planned_start = serializers.DateField(
        allow_null=True,
        help_text="The earliest on which the job runs through in the gaps of the plan.",
    )
    planned_finish = serializers.DateField(allow_null=True)
    likely_start = LikelyShape(allow_null=True)
    likely_finish = LikelyShape(allow_null=True)
    chance_by_planned = serializers.FloatField(
        allow_null=True,
        help_text="Share of draws done by the planned day; small behind much sold work.",
    )
    chance_by_wanted = serializers.FloatField(allow_null=True)
    more_days = serializers.FloatField(
        allow_null=True, help_text="Planned finish against as described."
    )
    likely_more_days = serializers.FloatField(allow_null=True, help_text="The same at P50.")
    reasons = StartReasonShape(many=True)
    hours_more = HoursMoreShape(many=True)
    endangers = EndangeredShape(many=True)
    moved_jobs = serializers.IntegerField(help_text="Sold jobs that would move.")


class StartDatesShape(Shape):
    """The building as described, then each option."""

    as_of = serializers.DateTimeField()
    draws = serializers.IntegerField(help_text="How often the coming months were drawn.")
    wanted_on = serializers.DateField(allow_null=True)
    options = OptionDatesShape(many=True)
    cautions = CautionShape(many=True)


class StartDates(OwnersView):
    """When a building could start and finish, without entering it."""

    stores_nothing = True
    opens_to_sellers = True
    parser_classes = [ShortJson]

    @extend_schema(
        request=StartDatesQuestionShape,
        responses=answers(StartDatesShape, 413, 415),
        operation_id="start_dates",
    )
    def post(self, request: Request) -> Response:
        """Answer with planned and likely dates of a described building and of its options."""
        try:
            building, site, options, wanted_on = question_from(request.data)
            answer = ask(
                building=building,
                site=site,
                options=options,
                now=timezone.now(),
                wanted_on=wanted_on,
            )
        except (TooFarAheadError, NoFirm) as reason:
            remedy = "Mend that in the office pages, then ask again."
            raise refused("(body)", "", str(reason), remedy) from reason
        return Response(
            StartDatesShape({**_answer(answer), "cautions": cautions_of(building)}).data
        )


def question_from(
    body: object,
) -> tuple[Building, Site, tuple[Option, ...], date | None]:
    """
    Return the building, its site, the options and the day wanted that a JSON body asks about.

    Raises
    ------
    contractor.problems.Refused
        With every unknown, missing or wrong field.
    """
    if not isinstance(body, dict):
        remedy = 'Send an object like {"building": {"use": "SHOP", …}}.'
        raise refused("(body)", body, "this is not an object", remedy)
    faults: list[Fault] = []
    fields = StartDatesQuestionShape().fields
    for name in body.keys() - fields.keys():
        remedy = f"Leave it out; use {', '.join(fields)}."
        faults.append(Fault(name, body[name], "there is no such field", remedy))
    building = _building(body, faults)
    site = _site(body, faults)
    wanted_on = _day("wanted_on", body, faults)
    options = _options(body, building, faults)
    if faults or building is None or site is None:
        raise Refused(faults)
    return building, site, options, wanted_on


def _building(body: Mapping[str, Any], faults: list[Fault]) -> Building | None:
    if "building" not in body:
        remedy = "Describe the building as for /api/v1/take-off/."
        faults.append(Fault("building", None, "this is missing", remedy))
        return None
    try:
        return building_from(body["building"])
    except Refused as refusal:
        faults += [
            replace(row, field=f"building.{row.field}".removesuffix(".(body)"))
            for row in refusal.faults
        ]
        return None


def _options(
    body: Mapping[str, Any], building: Building | None, faults: list[Fault]
) -> tuple[Option, ...]:
    given = body.get("options")
    if given is None:
        return options_for(building) if building else ()
    remedy = f"Enter a list of {', '.join(CODES)}, each once."
    if not isinstance(given, list) or len(given) > len(CODES):
        faults.append(Fault("options", str(given)[:80], "this is no list of options", remedy))
        return ()
    chosen = []
    for index, code in enumerate(given):
        if not isinstance(code, str) or code not in BY_CODE or code in given[:index]:
            faults.append(
                Fault(f"options[{index}]", code, "this is not one of the choices", remedy)
            )
        else:
            chosen.append(BY_CODE[code])
    return tuple(chosen)


def _site(body: Mapping[str, Any], faults: list[Fault]) -> Site | None:
    own = firm()
    county, state = (
        _text("county", own.county, body, faults),
        _text("state", own.state, body, faults),
    )
    if state is not None and state not in locate_rules():
        remedy = "Enter the two capital letters of the site's state, like OH."
        faults.append(Fault("state", state, "no locate rule is known for this state", remedy))
        state = None
    exempt = body.get("exempt", False)
    if not isinstance(exempt, bool):
        faults.append(Fault("exempt", exempt, "this is neither yes nor no", "Enter true or false."))
    drive = _number("drive_minutes", USUAL_DRIVE_MINUTES, LONGEST_DRIVE_MINUTES, body, faults)
    permit_days = _number("permit_days", USUAL_PERMIT_DAYS, MOST_PERMIT_DAYS, body, faults)
    earliest = _day("earliest_start_on", body, faults)
    if county is None or state is None:
        return None
    authority = None if exempt is True else _authority(county, state, body, faults)
    return Site(
        county=county,
        state=state,
        drive_minutes=drive,
        authority=authority,
        permit_days=permit_days,
        earliest_start_on=earliest,
    )


def _authority(
    county: str, state: str, body: Mapping[str, Any], faults: list[Fault]
) -> Authority | None:
    rows = Authority.objects.prefetch_related("closures", "inspection_rules")
    name = body.get("authority")
    if name is not None:
        found = rows.filter(name=name).first() if isinstance(name, str) else None
        if found is None:
            remedy = "Enter an authority's name, or exempt true where none inspects."
            faults.append(Fault("authority", name, "there is no such authority", remedy))
        return found
    of_county = list(rows.filter(county=county, state=state).order_by("name")[:2])
    if len(of_county) == 1:
        return of_county[0]
    known = "more than one authority is" if of_county else "no authority is"
    remedy = "Enter an authority's name, or exempt true where none inspects."
    faults.append(Fault("authority", None, f"{known} known in {county}", remedy))
    return None


def _text(name: str, usual: str, body: Mapping[str, Any], faults: list[Fault]) -> str | None:
    value = body.get(name, usual)
    if isinstance(value, str) and 0 < len(value) <= 60:
        return value
    faults.append(Fault(name, value, "this is not a text of up to 60 letters", "Enter a name."))
    return None


def _number(name: str, usual: int, most: int, body: Mapping[str, Any], faults: list[Fault]) -> int:
    value = body.get(name, usual)
    if type(value) is int and 0 <= value <= most:
        return value
    message = "this is not a whole number in its range"
    faults.append(Fault(name, value, message, f"Enter 0 to {most}, usually {usual}."))
    return usual


def _day(name: str, body: Mapping[str, Any], faults: list[Fault]) -> date | None:
    value = body.get(name)
    if value is None:
        return None
    try:
        day = date.fromisoformat(value)
    except (TypeError, ValueError):
        remedy = "Enter year, month and day, like 2026-06-01."
        faults.append(Fault(name, value, "this is not a day", remedy))
        return None
    today = timezone.localdate()
    if today <= day <= farthest_day() - timedelta(days=1):
        return day
    remedy = f"Enter {today} or later, within five years."
    faults.append(Fault(name, value, "this is not between today and five years ahead", remedy))
    return None


def _answer(answer: Answer) -> dict[str, Any]:
    return {
        "as_of": answer.as_of,
        "draws": answer.runs,
        "wanted_on": answer.wanted_on,
        "options": [_option(row) for row in answer.options],
    }


def _option(row: OptionDates) -> dict[str, Any]:
    return {
        "code": row.code,
        "label": row.label,
        "because": row.because,
        "labor_hours": round(row.labor_hours, 1),
        "draws": row.runs,
        "crew": row.crew,
        "planned_start": row.planned_start_on,
        "planned_finish": row.planned_finish_on,
        "likely_start": _likely(row.likely_start),
        "likely_finish": _likely(row.likely_finish),
        "chance_by_planned": _rounded(row.chance_by_planned, CHANCE_PLACES),
        "chance_by_wanted": _rounded(row.chance_by_wanted, CHANCE_PLACES),
        "more_days": _rounded(row.more_days, DAYS_PLACES),
        "likely_more_days": _rounded(row.likely_more_days, DAYS_PLACES),
        "reasons": [
            {
                "kind": reason.kind,
                "label": reason.label,
                "days": round(reason.days, DAYS_PLACES),
                "more_days": round(reason.more_days, DAYS_PLACES),
            }
            for reason in row.reasons
        ],
        "hours_more": [
            {"phase": more.phase, "hours": round(more.hours, 1)} for more in row.hours_more
        ],
        "endangers": [
            {
                "job": found.job.number,
                "promised": found.job.promised_on,
                "chance_before": round(found.chance_before, CHANCE_PLACES),
                "chance_after": round(found.chance_after, CHANCE_PLACES),
                "days_late_before": found.days_late_before,
                "days_late_after": found.days_late_after,
            }
            for found in row.endangered
        ],
        "moved_jobs": row.moved_jobs,
    }


def _likely(days: Likely | None) -> dict[str, date | None] | None:
    if days is None:
        return None
    return {"p10": days.p10, "p50": days.p50, "p80": days.p80, "p90": days.p90}


def _rounded(number: float | None, places: int) -> float | None:
    return None if number is None else round(number, places)
