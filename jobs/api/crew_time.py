"""What takes crews' time beside jobs: days off, people lent, time set aside, callbacks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers

from jobs.api.base import OwnersList
from jobs.api.queries import Query
from jobs.api.shapes import Shape, answers
from jobs.models import Callback, SetAside
from jobs.selectors import callbacks, crew_time

if TYPE_CHECKING:
    from datetime import date

    from rest_framework.request import Request
    from rest_framework.response import Response

    from crews.models import DayOff
    from jobs.models import LentPeople


class SinceQuery(Query):
    """From which day on."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        """Return the parameter: from."""
        return {
            "from": serializers.DateField(
                required=False, help_text="What is over before this day is left out; usually today."
            )
        }


class CallbacksQuery(Query):
    """Which callbacks."""

    open = serializers.BooleanField(
        required=False, help_text="Only open ones, or only those done; without it, all."
    )
    job = serializers.CharField(required=False, help_text="A job's number.")


class DayOffShape(Shape):
    """Days on which a crew, a machine or everyone is off, both included."""

    first_day = serializers.DateField()
    last_day = serializers.DateField()
    crew = serializers.CharField(allow_null=True, help_text="Null with no machine: everyone.")
    machine = serializers.CharField(allow_null=True)
    reason = serializers.CharField()
    public_holiday = serializers.BooleanField()


class LentPeopleShape(Shape):
    """People of one crew who work with another, both days included."""

    from_crew = serializers.CharField()
    to_crew = serializers.CharField()
    people = serializers.IntegerField()
    first_day = serializers.DateField()
    last_day = serializers.DateField()
    note = serializers.CharField()


class SetAsideShape(Shape):
    """Time of a crew that is kept for other work than the phases of open jobs."""

    crew = serializers.CharField()
    kind = serializers.ChoiceField(choices=SetAside.Kind.choices)
    starts_at = serializers.DateTimeField()
    ends_at = serializers.DateTimeField()
    job = serializers.CharField(allow_null=True)
    note = serializers.CharField()


class CallbackShape(Shape):
    """One thing to put right after the work, and the day promised to the buyer."""

    job = serializers.CharField()
    kind = serializers.ChoiceField(choices=Callback.Kind.choices)
    what = serializers.CharField()
    asked_on = serializers.DateField()
    promised_on = serializers.DateField()
    labor_hours = serializers.FloatField(help_text="Of all people at the site, without driving.")
    crew = serializers.CharField(allow_null=True, help_text="Who visits; null: nobody yet.")
    visit_starts_at = serializers.DateTimeField(allow_null=True)
    done_on = serializers.DateField(allow_null=True)


class _SinceList(OwnersList):
    query_class = SinceQuery

    def since(self) -> date:
        """Return the day before which what is over is left out."""
        return self.query.get("from") or timezone.localdate()


class DayOffList(_SinceList):
    """Days off and blocked days."""

    serializer_class = DayOffShape

    @extend_schema(
        parameters=[SinceQuery],
        responses=answers(DayOffShape(many=True)),
        operation_id="days_off_list",
    )
    def get(self, request: Request) -> Response:
        """List days on which a crew, a machine or everyone is off, in order."""
        return self.answer(crew_time.days_off(since=self.since()))

    def show(self, page: list[DayOff]) -> list[dict[str, Any]]:
        """Return the days of a page."""
        return [
            {
                "first_day": row.first_day,
                "last_day": row.last_day,
                "crew": row.crew.name if row.crew else None,
                "machine": row.equipment.name if row.equipment else None,
                "reason": row.reason,
                "public_holiday": row.is_public_holiday,
            }
            for row in page
        ]


class LentPeopleList(_SinceList):
    """People lent by one crew to another."""

    serializer_class = LentPeopleShape

    @extend_schema(
        parameters=[SinceQuery],
        responses=answers(LentPeopleShape(many=True)),
        operation_id="lent_people_list",
    )
    def get(self, request: Request) -> Response:
        """List people who work with another crew, in order of their first day."""
        return self.answer(crew_time.lent_people(since=self.since()))

    def show(self, page: list[LentPeople]) -> list[dict[str, Any]]:
        """Return the lends of a page."""
        return [
            {
                "from_crew": row.from_crew.name,
                "to_crew": row.to_crew.name,
                "people": row.people,
                "first_day": row.first_day,
                "last_day": row.last_day,
                "note": row.note,
            }
            for row in page
        ]


class SetAsideList(_SinceList):
    """Time set aside."""

    serializer_class = SetAsideShape

    @extend_schema(
        parameters=[SinceQuery],
        responses=answers(SetAsideShape(many=True)),
        operation_id="set_aside_list",
    )
    def get(self, request: Request) -> Response:
        """List shop days, callback visits and other work, in order of their start."""
        return self.answer(crew_time.set_aside(since=self.since()))

    def show(self, page: list[SetAside]) -> list[dict[str, Any]]:
        """Return the times of a page."""
        return [
            {
                "crew": row.crew.name,
                "kind": row.kind,
                "starts_at": row.starts_at,
                "ends_at": row.ends_at,
                "job": row.job.number if row.job else None,
                "note": row.note,
            }
            for row in page
        ]


class CallbackList(OwnersList):
    """Punch lists and callbacks."""

    query_class = CallbacksQuery
    serializer_class = CallbackShape

    @extend_schema(
        parameters=[CallbacksQuery],
        responses=answers(CallbackShape(many=True)),
        operation_id="callbacks_list",
    )
    def get(self, request: Request) -> Response:
        """List what is to be put right, open ones first, by the day promised."""
        rows = callbacks.all_callbacks()
        if "open" in self.query:
            rows = rows.filter(done_on__isnull=self.query["open"])
        if "job" in self.query:
            rows = rows.filter(job__number=self.query["job"])
        return self.answer(rows)

    def show(self, page: list[Callback]) -> list[dict[str, Any]]:
        """Return the callbacks of a page."""
        return [
            {
                "job": row.job.number,
                "kind": row.kind,
                "what": row.what,
                "asked_on": row.asked_on,
                "promised_on": row.promised_on,
                "labor_hours": row.labor_hours,
                "crew": row.round.crew.name if row.round else None,
                "visit_starts_at": row.round.starts_at if row.round else None,
                "done_on": row.done_on,
            }
            for row in page
        ]
