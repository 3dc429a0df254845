"""What a described building takes. Nothing is stored; the trade alone says what can be built."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from io import BytesIO
from typing import Any, get_args, get_origin, get_type_hints

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser
from rest_framework.request import Request
from rest_framework.response import Response

from contractor.problems import Refused, TooLarge
from contractor.trade.building import Building, LeanTo, Opening
from contractor.trade.checks import LEAN_TO_LIMITS, SIZE_LIMITS
from contractor.trade.errors import Fault, SpecError
from contractor.trade.labeled import Labeled
from contractor.trade.labor import PhaseLabor, phase_labor, total_hours
from contractor.trade.phases import INSPECTIONS, PHASE_TABLE, JobNetwork, job_network
from contractor.trade.takeoff import take_off
from jobs.api.base import OwnersView, refused
from jobs.api.jobs import cautions_of
from jobs.api.plan_shapes import TakeOffShape
from jobs.api.shapes import answers
from jobs.selectors.buildings import rates

LARGEST_BODY_BYTES = 64 * 1024
PARTS: Mapping[str, type] = {"openings": Opening, "lean_tos": LeanTo}


class ShortJson(JSONParser):
    """JSON up to 64 kB: a building with every door described takes a few."""

    largest_bytes = LARGEST_BODY_BYTES

    def parse(
        self,
        stream: Any,
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        """Return the value of the body; refuse one that is too long or nested too deep."""
        body = stream.read(self.largest_bytes + 1)
        if len(body) > self.largest_bytes:
            raise TooLarge(f"Send at most {self.largest_bytes} bytes of JSON.")
        try:
            return super().parse(BytesIO(body), media_type, parser_context)
        except RecursionError:
            raise ParseError("The JSON is nested too deep for a building.") from None


def _shape_of(part: type, name: str, limits: Mapping[str, Any]) -> type[serializers.Serializer]:  # type: ignore[type-arg]
    """Return the schema of one of the trade's parts, made from its own fields and limits."""
    hints = get_type_hints(part)
    shape = {
        field.name: _field_of(
            hints[field.name],
            required=field.default is dataclasses.MISSING,
            help_text=_usual(limits.get(field.name)),
        )
        for field in dataclasses.fields(part)
    }
    doc = (part.__doc__ or "").strip().split("\n")[0]
    return type(name, (serializers.Serializer,), {**shape, "__doc__": doc})


def _field_of(kind: Any, **given: Any) -> serializers.Field:  # type: ignore[type-arg]
    if get_origin(kind) is tuple:
        return _PART_SHAPES[get_args(kind)[0]](many=True, **given)
    if issubclass(kind, Labeled):
        return serializers.ChoiceField(choices=[choice.value for choice in kind], **given)
    plain: dict[type, Any] = {
        bool: serializers.BooleanField,
        int: serializers.IntegerField,
        float: serializers.FloatField,
    }
    return plain[kind](**given)


def _usual(limits: tuple[float, float, str] | None) -> str:
    return f"{limits[0]:g} to {limits[1]:g}, usually {limits[2]}." if limits else ""


_PART_SHAPES = {
    Opening: _shape_of(Opening, "OpeningShape", {}),
    LeanTo: _shape_of(LeanTo, "LeanToShape", LEAN_TO_LIMITS),
}
BuildingShape = _shape_of(Building, "BuildingShape", SIZE_LIMITS)


class TakeOffAnswer(OwnersView):
    """What a building would take, without entering it."""

    stores_nothing = True
    opens_to_sellers = True
    parser_classes = [ShortJson]

    @extend_schema(
        request=BuildingShape, responses=answers(TakeOffShape, 413, 415), operation_id="take_off"
    )
    def post(self, request: Request) -> Response:
        """Answer with take-off, labor hours, phases and cautions of the described building."""
        building = building_from(request.data)
        taken_off = take_off(building)
        labor = phase_labor(building=building, take_off=taken_off, rates=rates())
        network = job_network(building=building, inspections=INSPECTIONS)
        body = {
            "take_off": taken_off.lines,
            "labor": [_labor(row) for row in labor],
            "labor_hours": round(total_hours(labor), 2),
            "phases": list(_phases(network)),
            "cautions": cautions_of(building),
        }
        return Response(TakeOffShape(body).data)


def building_from(body: object) -> Building:
    """
    Return the building that a JSON body describes.

    Raises
    ------
    contractor.problems.Refused
        With every unknown, missing, wrong or impossible field.
    """
    if not isinstance(body, dict):
        raise refused(
            "(body)", body, "this is not an object", 'Send an object like {"width_ft": 30, …}.'
        )
    faults: list[Fault] = []
    absent: set[str] = set()
    given = _known(body, Building, "", faults, absent)
    for name, part in PARTS.items():
        if isinstance(given.get(name), list):
            given[name] = _parts(given[name], part, name, faults, absent)
    try:
        building = Building(**given)
    except SpecError as error:
        faults.extend(_told(error.faults, absent))
    if faults:
        raise Refused(faults)
    return building


def _parts(
    rows: list[Any], part: type, name: str, faults: list[Fault], absent: set[str]
) -> tuple[Any, ...]:
    built = []
    for index, row in enumerate(rows):
        where = f"{name}[{index}]"
        if isinstance(row, dict):
            built.append(part(**_known(row, part, f"{where}.", faults, absent)))
        else:
            names = ", ".join(field.name for field in dataclasses.fields(part))
            remedy = f"Enter an object with {names}."
            faults.append(Fault(where, row, "this is not an object", remedy))
    return tuple(built)


def _known(
    row: dict[str, Any], part: type, where: str, faults: list[Fault], absent: set[str]
) -> dict[str, Any]:
    """Return the fields that the trade knows; those it needs and that are absent become None."""
    fields = {field.name: field for field in dataclasses.fields(part)}
    for name in row.keys() - fields.keys():
        remedy = f"Leave it out; use {', '.join(fields)}."
        faults.append(Fault(f"{where}{name}", row[name], "there is no such field", remedy))
    known = {name: value for name, value in row.items() if name in fields}
    for name, field in fields.items():
        if field.default is dataclasses.MISSING and name not in row:
            known[name] = None
            absent.add(f"{where}{name}")
    return known


def _told(faults: tuple[Fault, ...], absent: set[str]) -> Iterator[Fault]:
    """Return the trade's faults; a field that was not sent is told as missing."""
    for fault in faults:
        if fault.field in absent:
            yield dataclasses.replace(fault, message="this is missing")
        else:
            yield fault


def _labor(row: PhaseLabor) -> dict[str, Any]:
    return {
        "phase": row.phase,
        "label": PHASE_TABLE[row.phase].label,
        "hours": round(row.hours, 2),
        "arithmetic": row.arithmetic,
    }


def _phases(network: JobNetwork) -> Iterator[dict[str, Any]]:
    for code in network.phases:
        kind = PHASE_TABLE[code]
        yield {
            "code": code,
            "label": kind.label,
            "performer": kind.performer.value,
            "follows": [link.before for link in network.follows if link.after == code],
            "caution": kind.caution,
        }
