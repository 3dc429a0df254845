"""The shapes of concrete: a pour, its readings, its strength, and the phases that wait for it."""

from __future__ import annotations

from rest_framework import serializers

from inspections.models import Pour, PourReading
from jobs.api.shapes import Shape


class ReadingShape(Shape):
    """A temperature that was read."""

    taken_at = serializers.DateTimeField()
    temp_degf = serializers.FloatField()
    of = serializers.ChoiceField(choices=PourReading.Of.choices)


class GateShape(Shape):
    """A phase that waits for the pour, and when the strength it needs is expected."""

    before = serializers.CharField(help_text="The phase that waits.")
    strength_share = serializers.FloatField(help_text="Of 28-day strength, 0 to 1.")
    minimum_hours = serializers.FloatField()
    stated_by = serializers.CharField(
        allow_blank=True, help_text="Whose figure it is; empty for the starter value."
    )
    ready_at = serializers.DateTimeField(
        allow_null=True, help_text="Null where it is not reached within a year."
    )
    mean_degf = serializers.FloatField(
        allow_null=True, help_text="Mean temperature from placing until then."
    )


class PourShape(Shape):
    """Concrete of a job: poured, or to come by the published plan."""

    phase = serializers.CharField()
    part = serializers.CharField(allow_blank=True, help_text="Empty: all of the phase.")
    planned = serializers.BooleanField(
        help_text="True where no pour is recorded: an ordinary mix is counted, from the planned "
        "or reported end of the phase."
    )
    poured_at = serializers.DateTimeField()
    mix_psi = serializers.IntegerField()
    cement = serializers.ChoiceField(choices=Pour.Cement.choices)
    cured = serializers.ChoiceField(choices=Pour.Cured.choices)
    strength_share = serializers.FloatField(help_text="Now, of 28-day strength, 0 to 1.")
    strength_psi = serializers.FloatField(help_text="strength_share × mix_psi: an estimate.")
    equivalent_age_hours = serializers.FloatField(help_text="At 20 °C, ASTM C1074.")
    maturity_degc_hours = serializers.FloatField(help_text="Above 0 °C, ASTM C1074.")
    measured_until = serializers.DateTimeField(
        allow_null=True, help_text="To when readings of the concrete count; null without any."
    )
    readings = ReadingShape(many=True)
    gates = GateShape(many=True)
    cautions = serializers.ListField(child=serializers.CharField())


class JobPoursShape(Shape):
    """The concrete of one job, in build order: what is poured, then what is to come."""

    job = serializers.CharField()
    pours = PourShape(many=True)
