"""The shapes of field reports and of percent plan complete, as the schema describes them."""

from __future__ import annotations

from rest_framework import serializers

from contractor.trade.causes import TOLD_BY_PEOPLE, Cause
from contractor.trade.progress import FROM_SITE, Kind
from jobs.api.shapes import FaultShape, Shape
from jobs.services.reporting import Outcome

SENT_KINDS = [*(kind.value for kind in FROM_SITE), Kind.CORRECTION.value]
CAUSES = [cause.value for cause in TOLD_BY_PEOPLE]


class NewReportShape(Shape):
    """One thing to report of a phase."""

    id = serializers.UUIDField(help_text="Made where the report is made; the same one is one row.")
    job = serializers.CharField(help_text="A job's number, like 26-041.")
    phase = serializers.CharField(help_text="A phase's code, like DIG.")
    part = serializers.IntegerField(
        required=False, help_text="Of a phase that was split ahead; left out, 1."
    )
    crew = serializers.CharField(required=False, help_text="A crew's name.")
    kind = serializers.ChoiceField(choices=SENT_KINDS)
    made_at = serializers.DateTimeField(help_text="By the clock it is made with, offset included.")
    happened_at = serializers.DateTimeField(
        required=False, help_text="What it is about; left out, the moment it was made."
    )
    share_done = serializers.FloatField(
        required=False, help_text="Of the whole phase, or of its part, 0 to 1."
    )
    crew_hours = serializers.FloatField(
        required=False, help_text="Of all people together since the report before."
    )
    people = serializers.IntegerField(required=False, help_text="How many were on the site.")
    stopped_by = serializers.ChoiceField(choices=CAUSES, required=False)
    stopped_until = serializers.DateTimeField(required=False)
    note = serializers.CharField(required=False, allow_blank=True)
    corrects = serializers.UUIDField(
        required=False, help_text="With CORRECTION: the report that was wrong."
    )
    corrected_kind = serializers.ChoiceField(
        choices=[*(kind.value for kind in FROM_SITE), Kind.VOID.value],
        required=False,
        help_text="With CORRECTION: what it should have been. VOID: it never happened.",
    )


class ReportAnswerShape(Shape):
    """What became of one report."""

    id = serializers.CharField(allow_null=True)
    result = serializers.ChoiceField(choices=[outcome.value for outcome in Outcome])
    errors = FaultShape(many=True, help_text="Why it was refused.")


class ReportAnswersShape(Shape):
    """What became of each report, in the order in which they were sent."""

    results = ReportAnswerShape(many=True)


class PhotoShape(Shape):
    """A photo of a report."""

    id = serializers.IntegerField()
    address = serializers.CharField(help_text="Opens to whoever may read the report.")
    width_px = serializers.IntegerField()
    height_px = serializers.IntegerField()


class ReportShape(Shape):
    """One thing that was reported."""

    id = serializers.UUIDField()
    job = serializers.CharField()
    phase = serializers.CharField()
    part = serializers.IntegerField(help_text="Of a phase that was split ahead, else 1.")
    crew = serializers.CharField(allow_null=True)
    kind = serializers.CharField()
    made_at = serializers.DateTimeField()
    happened_at = serializers.DateTimeField()
    received_at = serializers.DateTimeField()
    by = serializers.CharField(allow_blank=True)
    from_office = serializers.BooleanField()
    share_done = serializers.FloatField(allow_null=True)
    crew_hours = serializers.FloatField(allow_null=True)
    people = serializers.IntegerField(allow_null=True)
    stopped_by = serializers.CharField(allow_blank=True)
    stopped_until = serializers.DateTimeField(allow_null=True)
    note = serializers.CharField(allow_blank=True)
    corrects = serializers.UUIDField(allow_null=True)
    counts_as = serializers.CharField(
        allow_null=True,
        help_text="What it counts as, corrections applied; null for a correction itself and for "
        "what was taken back.",
    )
    photos = PhotoShape(many=True)


class CauseCountShape(Shape):
    """How many misses go back to a cause."""

    cause = serializers.ChoiceField(
        choices=["", *(cause.value for cause in Cause)], help_text="Empty where nobody told one."
    )
    misses = serializers.IntegerField()


class TallyShape(Shape):
    """Promises made and kept."""

    promises = serializers.IntegerField()
    kept = serializers.IntegerField()
    percent = serializers.FloatField(allow_null=True, help_text="100 × kept ÷ promises.")
    causes = CauseCountShape(many=True)


class CrewTallyShape(TallyShape):
    """Promises of one crew."""

    crew = serializers.CharField()


class PpcWeekShape(TallyShape):
    """One week, of all crews together and by crew."""

    week = serializers.CharField(help_text="ISO 8601, like 2026-W23.")
    monday = serializers.DateField()
    crews = CrewTallyShape(many=True)


class PpcShape(TallyShape):
    """Percent plan complete of the weeks asked for, together and by week."""

    weeks = PpcWeekShape(many=True)
