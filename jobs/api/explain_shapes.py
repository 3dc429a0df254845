"""The shapes of what explains a plan: its crews' report, and what one change would do."""

from __future__ import annotations

from rest_framework import serializers

from jobs.api.plan_shapes import MoveShape
from jobs.api.shapes import Shape

KIND = (
    "CREW or MACHINE: busy on other work. CURE, INSPECTION_NOTICE, LOCATE, DELIVERY, PERMIT, LAG, "
    "EARLIER_PHASE, EARLIEST_DATE, STOPPED: waited for. CALENDAR, WINDOW, PIN, FROZEN, FLOW: as in "
    "a booking's reasons. OTHERS: visits and outside trades on other jobs. OWN_WORK: the job's own."
)


class ReasonShape(Shape):
    """What was waited for."""

    kind = serializers.CharField(help_text=KIND)
    who = serializers.CharField(allow_blank=True, help_text="The crew or machine that was busy.")
    label = serializers.CharField()


class IdleShape(ReasonShape):
    """Idle hours of a crew by what its next booking was bound by."""

    hours = serializers.FloatField()


class DaysLateShape(ReasonShape):
    """Days late that go back to one reason."""

    days = serializers.FloatField()


class JobDaysShape(Shape):
    """Days late of one job that go back to waiting for a crew."""

    job = serializers.CharField()
    days = serializers.FloatField()


class PlanWeekShape(Shape):
    """One ISO week of a crew in a plan."""

    week = serializers.CharField(help_text="ISO 8601, like 2026-W23.")
    monday = serializers.DateField()
    working_hours = serializers.FloatField(help_text="The crew's shifts, not off or set aside.")
    booked_hours = serializers.FloatField(help_text="Those of them that a booking takes.")


class PlanCrewShape(Shape):
    """One crew in a plan."""

    crew = serializers.CharField()
    working_hours = serializers.FloatField()
    booked_hours = serializers.FloatField()
    idle_hours = serializers.FloatField(help_text="Between its first and its last booking.")
    driving_hours = serializers.FloatField(help_text="In the gaps between bookings.")
    days_late = serializers.FloatField(help_text="Go back to waiting for this crew.")
    weeks = PlanWeekShape(many=True)
    idle = IdleShape(many=True)
    late = JobDaysShape(many=True)


class LateJobShape(Shape):
    """A late job and what its days late go back to."""

    job = serializers.CharField()
    days_late = serializers.IntegerField()
    reasons = DaysLateShape(many=True)


class PlanCrewsShape(Shape):
    """The crews' report of a plan."""

    plan = serializers.IntegerField()
    days_late = serializers.IntegerField(help_text="All jobs together.")
    crews = PlanCrewShape(many=True)
    late_jobs = LateJobShape(many=True)
    reasons = DaysLateShape(many=True)


class JobChangeShape(Shape):
    """A job as it is and with the change."""

    job = serializers.CharField()
    promised = serializers.DateField(allow_null=True, help_text="Null when dropped.")
    old_finish = serializers.DateField(allow_null=True)
    new_finish = serializers.DateField(allow_null=True)
    old_days_late = serializers.IntegerField()
    new_days_late = serializers.IntegerField()
    promise = serializers.ChoiceField(choices=["", "kept again", "lost"])


class CrewDaysShape(Shape):
    """A crew's days of work as it is and with the change."""

    crew = serializers.CharField()
    old_crew_days = serializers.FloatField()
    new_crew_days = serializers.FloatField()


class WhatIfShape(Shape):
    """What one change would do. Nothing is saved."""

    question = serializers.CharField()
    plan = serializers.IntegerField(
        allow_null=True, help_text="The plan whose order and crews were tried first."
    )
    found_as_is = serializers.CharField(help_text="Which order gave the plan as it is.")
    found_with_change = serializers.CharField()
    old_days_late = serializers.IntegerField(help_text="All jobs together.")
    new_days_late = serializers.IntegerField()
    old_unplanned = serializers.IntegerField(help_text="Phases without dates.")
    new_unplanned = serializers.IntegerField()
    jobs = JobChangeShape(many=True)
    crews = CrewDaysShape(many=True)
    moved = MoveShape(many=True)
    same = serializers.IntegerField(help_text="How many bookings stay as they are.")


class QuestionShape(Shape):
    """One change. `crew`, `job`, `item`, `day` and `authority` go with the question they are of."""

    question = serializers.ChoiceField(
        choices=["MORE_PEOPLE", "DELIVERY_ON", "WITHOUT_PROMISE", "NO_DAYS_OFF", "SHORTER_NOTICE"]
    )
    plan = serializers.IntegerField(
        required=False, help_text="The plan to start from; without it, the published plan."
    )
    crew = serializers.CharField(required=False, help_text="With MORE_PEOPLE and NO_DAYS_OFF.")
    job = serializers.CharField(required=False, help_text="With DELIVERY_ON and WITHOUT_PROMISE.")
    item = serializers.CharField(required=False, help_text="With DELIVERY_ON, like TRUSSES.")
    day = serializers.DateField(required=False, help_text="With DELIVERY_ON.")
    authority = serializers.CharField(required=False, help_text="With SHORTER_NOTICE.")
