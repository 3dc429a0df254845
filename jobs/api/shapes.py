"""The shapes of answers about jobs, backlog and crews, as the schema describes them."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from contractor.problems import PROBLEM_JSON

Shape = serializers.Serializer[Any]


READ_PROBLEMS = (400, 401, 403, 406, 429)


def usd(**given: Any) -> serializers.DecimalField:
    """Return a field of dollars and cents, written as text so that no cent is lost."""
    return serializers.DecimalField(max_digits=14, decimal_places=2, **given)


class JobShape(Shape):
    """A job in a list: what was sold, where it stands, what was promised, what is planned."""

    number = serializers.CharField()
    buyer = serializers.CharField()
    building = serializers.CharField(help_text="In words, sizes in ft.")
    use = serializers.CharField()
    foundation = serializers.CharField()
    status = serializers.CharField()
    stage = serializers.CharField(help_text="In words: what is under way, next, or waited for.")
    sold_on = serializers.DateField()
    promised = serializers.DateField(allow_null=True)
    planned_start = serializers.DateTimeField(allow_null=True)
    planned_finish = serializers.DateTimeField(
        allow_null=True, help_text="Null unless the published plan covers all that is left."
    )
    days_late = serializers.IntegerField(
        allow_null=True, help_text="Calendar days past the promise, 0 when kept."
    )
    contract_value_usd = usd()
    not_earned_usd = usd(help_text="Contract value × the share of labor hours left.")


class PlannedPhaseShape(Shape):
    """A phase of a job, with its hours and its place in the published plan."""

    code = serializers.CharField()
    part = serializers.IntegerField(help_text="Of a phase that was split ahead, else 1.")
    parts = serializers.IntegerField(help_text="Into how many it was split, else 1.")
    label = serializers.CharField()
    status = serializers.CharField()
    share_done = serializers.FloatField()
    labor_hours = serializers.FloatField(help_text="Hours of people: what the plan counts with.")
    arithmetic = serializers.CharField(help_text="How the take-off and the rates give the hours.")
    set_by_office = serializers.BooleanField()
    planned_start = serializers.DateTimeField(allow_null=True)
    planned_finish = serializers.DateTimeField(allow_null=True)
    crew = serializers.CharField(allow_null=True)
    because = serializers.CharField(allow_null=True, help_text="What binds the start.")
    pinned = serializers.BooleanField()
    caution = serializers.CharField(allow_blank=True)


class WaitShape(Shape):
    """Time with no crew: cure, notice, delivery, permit."""

    kind = serializers.CharField()
    after = serializers.CharField(allow_null=True)
    before = serializers.CharField()
    starts_at = serializers.DateTimeField()
    ends_at = serializers.DateTimeField()
    basis = serializers.CharField()


class TakeOffLineShape(Shape):
    """One line of a take-off."""

    code = serializers.CharField()
    label = serializers.CharField()
    quantity = serializers.FloatField()
    unit = serializers.CharField()
    arithmetic = serializers.CharField()


class CautionShape(Shape):
    """Something allowed but unusual, or something that can hurt people."""

    field = serializers.CharField()
    value = serializers.JSONField(help_text="As it was given: text, number, true, false or null.")
    message = serializers.CharField()


class FaultShape(CautionShape):
    """One thing that is wrong, and the way out."""

    remedy = serializers.CharField()


class ProblemShape(Shape):
    """Why a request was not answered: RFC 9457 problem details."""

    type = serializers.CharField(help_text="Always about:blank: the status says it all.")
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    errors = FaultShape(many=True)


def answers(shape: Any, *problems: int, kind: str = "application/json") -> dict[Any, Any]:
    """Return what a view may answer, for the schema: its shape, and the problems it can tell."""
    codes = sorted({*READ_PROBLEMS, *problems})
    # All keys alike, since the schema reads the first in order to see whether this is a list.
    return {
        (200, kind): shape,
        **{(code, PROBLEM_JSON): ProblemShape for code in codes},
    }


class JobDetailShape(JobShape):
    """A job with its phases, waits, take-off and cautions."""

    phases = PlannedPhaseShape(many=True)
    waits = WaitShape(many=True)
    take_off = TakeOffLineShape(many=True)
    cautions = CautionShape(many=True)
    faults = FaultShape(
        many=True, help_text="What keeps the stored building from being taken off; usually nothing."
    )


class WorkShape(Shape):
    """A part of the backlog."""

    jobs = serializers.IntegerField()
    labor_hours = serializers.FloatField()
    crew_days = serializers.FloatField(
        allow_null=True, help_text="Null when no active crew could do the work."
    )
    not_earned_usd = usd()


class UseWorkShape(WorkShape):
    """A part of the backlog by what the building is for."""

    use = serializers.CharField()


class FoundationWorkShape(WorkShape):
    """A part of the backlog by what the posts stand on."""

    foundation = serializers.CharField()


class CrewAheadShape(Shape):
    """What the published plan has ahead for one crew."""

    crew = serializers.CharField()
    crew_days = serializers.FloatField()
    work_days_a_week = serializers.FloatField(
        help_text="Mean of the coming 52 weeks, days off taken away."
    )
    weeks = serializers.FloatField(allow_null=True)
    comes_free_on = serializers.DateField(allow_null=True)


class BacklogShape(WorkShape):
    """Signed work that is left, in all and by part."""

    as_of = serializers.DateField()
    plan = serializers.IntegerField(allow_null=True, help_text="Number of the published plan.")
    unbooked_crew_days = serializers.FloatField(allow_null=True)
    weeks = serializers.FloatField(allow_null=True, help_text="For all active crews together.")
    by_use = UseWorkShape(many=True)
    by_foundation = FoundationWorkShape(many=True)
    by_crew = CrewAheadShape(many=True)


class WeekLoadShape(Shape):
    """One ISO week of a crew."""

    week = serializers.CharField(help_text="ISO 8601, like 2026-W23.")
    monday = serializers.DateField()
    working_hours = serializers.FloatField(help_text="The crew's shifts, not off or set aside.")
    booked_hours = serializers.FloatField(help_text="Driving included.")
    on_site_hours = serializers.FloatField(help_text="Without driving, as bookings count it.")


class CrewShape(Shape):
    """A crew, its weeks from this one to its last booking, and when it comes free."""

    name = serializers.CharField()
    size = serializers.IntegerField()
    skills = serializers.ListField(child=serializers.CharField())
    load = WeekLoadShape(many=True)
    comes_free_on = serializers.DateField(allow_null=True)
