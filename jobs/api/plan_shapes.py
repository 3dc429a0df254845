"""The shapes of answers about plans, bookings and take-offs, as the schema describes them."""

from __future__ import annotations

from rest_framework import serializers

from jobs.api.shapes import CautionShape, Shape, TakeOffLineShape, WaitShape

GAINED = "How much less it costs than the draft that it improves on, else than the first plan."


class BookingShape(Shape):
    """A phase on a crew from one moment to another."""

    job = serializers.CharField()
    phase = serializers.CharField()
    part = serializers.IntegerField(help_text="Of a phase that was split ahead, else 1.")
    crew = serializers.CharField(allow_null=True, help_text="Null for authorities and subs.")
    equipment = serializers.ListField(child=serializers.CharField())
    starts_at = serializers.DateTimeField()
    ends_at = serializers.DateTimeField()
    work_hours = serializers.FloatField(help_text="Working hours of the crew, not of its people.")
    pinned = serializers.BooleanField()
    because = serializers.CharField(help_text="What binds the start.")


class PlanShape(Shape):
    """A plan in a list."""

    id = serializers.IntegerField()
    status = serializers.CharField()
    as_of = serializers.DateTimeField()
    made_at = serializers.DateTimeField()
    published_at = serializers.DateTimeField(allow_null=True)
    source = serializers.CharField(help_text="Which rule or search found it.")
    seconds = serializers.FloatField(help_text="How long the planner took.")
    total = serializers.FloatField(allow_null=True, help_text="What it costs, all parts together.")
    bound = serializers.FloatField(allow_null=True, help_text="No plan costs less.")
    optimal = serializers.BooleanField(help_text="Whether it is proven that none costs less.")
    iterations = serializers.IntegerField(help_text="How many plans were tried.")
    gained = serializers.FloatField(allow_null=True, help_text=GAINED)
    bookings = serializers.IntegerField()
    unplanned = serializers.IntegerField(help_text="Phases without dates.")


class CouldBeginShape(Shape):
    """A phase that the freeze keeps as told, though an early finish lets it begin sooner."""

    job_id = serializers.IntegerField()
    job = serializers.CharField()
    phase = serializers.CharField()
    label = serializers.CharField()
    starts_at = serializers.DateTimeField()
    could_start_at = serializers.DateTimeField()
    why = serializers.CharField()


class PlanHeadShape(Shape):
    """What a plan is, and what it costs by part."""

    id = serializers.IntegerField()
    status = serializers.CharField()
    as_of = serializers.DateTimeField()
    made_at = serializers.DateTimeField()
    source = serializers.CharField()
    seconds = serializers.FloatField()
    objective = serializers.DictField()
    bound = serializers.DictField(allow_null=True)
    gap = serializers.FloatField(allow_null=True)
    optimal = serializers.BooleanField()
    iterations = serializers.IntegerField(help_text="How many plans were tried.")
    gained = serializers.FloatField(allow_null=True, help_text=GAINED)
    could_begin = CouldBeginShape(many=True)


class JobWaitShape(WaitShape):
    """A wait, and whose it is."""

    job = serializers.CharField()


class UnplannedShape(Shape):
    """A phase without dates, and why."""

    job = serializers.CharField()
    phase = serializers.CharField()
    label = serializers.CharField()
    reason = serializers.CharField()


class PromiseShape(Shape):
    """What a buyer was told against what the plan says."""

    job = serializers.CharField()
    promised = serializers.DateField(allow_null=True)
    planned = serializers.DateField(allow_null=True)
    days_late = serializers.IntegerField()


class PlanDetailShape(Shape):
    """A whole plan, as `manage.py plan --json` writes it."""

    plan = PlanHeadShape()
    bookings = BookingShape(many=True)
    waits = JobWaitShape(many=True)
    unplanned = UnplannedShape(many=True)
    promises = PromiseShape(many=True)


class StretchShape(Shape):
    """A booking that only one of two plans has."""

    job = serializers.CharField()
    phase = serializers.CharField()
    part = serializers.IntegerField(help_text="Of a phase that was split ahead, else 1.")
    crew = serializers.CharField(allow_null=True)
    starts_at = serializers.DateTimeField()
    ends_at = serializers.DateTimeField()


class MoveShape(Shape):
    """A booking that two plans have at different times or on different crews."""

    job = serializers.CharField()
    phase = serializers.CharField()
    part = serializers.IntegerField(help_text="Of a phase that was split ahead, else 1.")
    old_crew = serializers.CharField(allow_null=True)
    new_crew = serializers.CharField(allow_null=True)
    old_start = serializers.DateTimeField()
    new_start = serializers.DateTimeField()
    old_finish = serializers.DateTimeField()
    new_finish = serializers.DateTimeField()
    days = serializers.IntegerField(help_text="Calendar days the start moves; later is positive.")
    finish_days = serializers.IntegerField()


class PromiseChangeShape(Shape):
    """A promise that one plan keeps and the other does not."""

    job = serializers.CharField()
    promised = serializers.DateField()
    old_finish = serializers.DateField()
    new_finish = serializers.DateField()
    change = serializers.ChoiceField(choices=["kept -> lost", "lost -> kept"])


class ComparisonShape(Shape):
    """What changes when one plan replaces another."""

    plan = serializers.IntegerField()
    against = serializers.IntegerField(allow_null=True)
    moved = MoveShape(many=True)
    added = StretchShape(many=True)
    removed = StretchShape(many=True)
    same = serializers.IntegerField(help_text="How many bookings stay as they are.")
    promises = PromiseChangeShape(many=True)


class LaborShape(Shape):
    """Labor hours of one crew phase."""

    phase = serializers.CharField()
    label = serializers.CharField()
    hours = serializers.FloatField(help_text="Hours of people.")
    arithmetic = serializers.CharField()


class NetworkPhaseShape(Shape):
    """A phase of the building's network, what it follows and what to look out for."""

    code = serializers.CharField()
    label = serializers.CharField()
    performer = serializers.CharField()
    follows = serializers.ListField(child=serializers.CharField())
    caution = serializers.CharField(allow_blank=True)


class TakeOffShape(Shape):
    """What a described building takes."""

    take_off = TakeOffLineShape(many=True)
    labor = LaborShape(many=True)
    labor_hours = serializers.FloatField(help_text="All crew phases together.")
    phases = NetworkPhaseShape(many=True)
    cautions = CautionShape(many=True)
