"""The shapes of answers about weather and sites."""

from __future__ import annotations

from rest_framework import serializers

from contractor.trade.site import ShotKind, ShotPlace
from contractor.trade.weather import Level, WeatherGate
from jobs.api.shapes import Shape

LEVELS = [(level.name, level.word) for level in Level]
GATES = [(gate.value, gate.label) for gate in WeatherGate if gate]


class VerdictShape(Shape):
    """What a day's weather means for one kind of work."""

    gate = serializers.ChoiceField(choices=GATES)
    level = serializers.ChoiceField(
        choices=LEVELS, allow_null=True, help_text="STOP: the day is lost. Null: not known."
    )
    reasons = serializers.ListField(child=serializers.CharField())
    stopped_hours = serializers.FloatField(help_text="Of the hours from 7:00 to 17:00.")


class WeatherDayShape(Shape):
    """A day of an area's weather, by kind of work."""

    day = serializers.DateField()
    verdicts = VerdictShape(many=True)


class WeatherAreaShape(Shape):
    """An area with its next days, and the state of its source."""

    name = serializers.CharField()
    counties = serializers.ListField(child=serializers.CharField())
    default = serializers.BooleanField(help_text="Whether jobs of other counties are here.")
    last_good_at = serializers.DateTimeField(
        allow_null=True, help_text="When a forecast was last fetched."
    )
    last_error = serializers.CharField(
        allow_blank=True, help_text="What was wrong with the last try; empty when nothing was."
    )
    days = WeatherDayShape(many=True)


class StoppedWorkShape(Shape):
    """A booking that weather stops on the day."""

    job = serializers.CharField()
    phase = serializers.CharField()
    part = serializers.IntegerField(help_text="Of a phase that was split ahead, else 1.")
    why = serializers.CharField()


class OfferShape(Shape):
    """Work that the crew could do instead."""

    job = serializers.CharField()
    phase = serializers.CharField()
    part = serializers.IntegerField(help_text="Of a phase that was split ahead, else 1.")
    under_cover = serializers.BooleanField()
    booked_on = serializers.DateField(allow_null=True)


class CrewDayShape(Shape):
    """A crew's day with work that weather stops, and what it could do instead."""

    day = serializers.DateField()
    crew = serializers.CharField()
    stopped = StoppedWorkShape(many=True)
    offers = OfferShape(many=True)


class SiteCornerShape(Shape):
    """What one corner needs; heights over the lowest shot."""

    place = serializers.ChoiceField(choices=[(place.value, place.label) for place in ShotPlace])
    height_ft = serializers.FloatField()
    cut_ft = serializers.FloatField()
    fill_ft = serializers.FloatField()
    post_ft = serializers.FloatField(help_text="From the bottom of the hole.")


class SiteShotShape(Shape):
    """A grade shot of the latest set."""

    place = serializers.ChoiceField(choices=[(place.value, place.label) for place in ShotPlace])
    kind = serializers.ChoiceField(
        choices=[(kind.value, kind.label) for kind in ShotKind],
        help_text="ROD: larger is lower. HEIGHT: larger is higher.",
    )
    reading_ft = serializers.FloatField()


class SiteShape(Shape):
    """What the latest grade shots of a site say."""

    taken_on = serializers.DateField()
    taken_by = serializers.CharField(allow_blank=True)
    ready = serializers.BooleanField()
    text = serializers.CharField()
    most_fall_in = serializers.FloatField(help_text="What the building takes.")
    fall_in = serializers.FloatField(allow_null=True, help_text="Null when shots cannot be read.")
    high_point = serializers.CharField(allow_null=True)
    floor_ft = serializers.FloatField(allow_null=True, help_text="Over the lowest shot.")
    cut_cy = serializers.FloatField(allow_null=True, help_text="Rough.")
    fill_cy = serializers.FloatField(allow_null=True, help_text="Rough.")
    corners = SiteCornerShape(many=True)
    shots = SiteShotShape(many=True)
    expected_on = serializers.DateField(allow_null=True)
    released_on = serializers.DateField(allow_null=True)
    release_why = serializers.CharField(allow_blank=True)
