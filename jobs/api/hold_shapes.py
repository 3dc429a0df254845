"""The shapes of what is waited for: holds, locate tickets that will not do, calls to suppliers."""

from __future__ import annotations

from rest_framework import serializers

from jobs.api.shapes import JobDetailShape, Shape, usd
from jobs.api.weather_shapes import SiteShape
from jobs.selectors.call_ahead import Standing
from jobs.selectors.hold_facts import Clears, HoldKind


class HoldCostShape(Shape):
    """What one more day of a hold costs, by the published plan, else the newest draft."""

    promise_days = serializers.IntegerField(
        help_text="Days by which the promise (or finish) moves per day of hold: 0 while it lasts."
    )
    weight = serializers.IntegerField(help_text="The job's weight of a late day.")
    weighted_days = serializers.IntegerField(help_text="promise_days × weight.")
    margin_days = serializers.IntegerField(
        help_text="Between the day it should clear and the booked start."
    )
    float_days = serializers.IntegerField(
        help_text="By which the start may then move without moving the promise."
    )
    crew_usd = usd(
        help_text="A day of the booked crew, where it cannot begin then and has no work on another "
        "job that begins within two weeks; else 0."
    )
    words = serializers.CharField()


class HoldShape(Shape):
    """One thing that must clear before a phase may start."""

    job = serializers.CharField()
    phase = serializers.CharField()
    kind = serializers.ChoiceField(choices=[(kind.value, kind.label) for kind in HoldKind])
    what = serializers.CharField()
    since = serializers.DateField(allow_null=True)
    expected_on = serializers.DateField(allow_null=True)
    cleared_on = serializers.DateField(allow_null=True, help_text="Null while it is open.")
    clears = serializers.ChoiceField(
        choices=[(who.value, who.label) for who in Clears], help_text="Who can clear it."
    )
    who = serializers.CharField(allow_blank=True, help_text="By name, where one is known.")
    cost = HoldCostShape(allow_null=True, help_text="Null without dates, and when cleared.")


class TicketWarningShape(Shape):
    """A dig that its locate ticket will not cover."""

    job = serializers.CharField()
    kind = serializers.CharField()
    ticket = serializers.CharField(allow_null=True)
    plan = serializers.IntegerField(allow_null=True, help_text="The plan that books the dig.")
    call_by = serializers.DateField(
        allow_null=True, help_text="The last day to call so that the dig need not move."
    )
    words = serializers.CharField()


class JobReadShape(JobDetailShape):
    """One job with all that is planned for it and all that it waits for."""

    holds = HoldShape(many=True, help_text="Open ones, then cleared ones.")
    ticket_warnings = TicketWarningShape(many=True)
    site = SiteShape(allow_null=True, help_text="By the latest grade shots; null without any.")


class CallShape(Shape):
    """A delivery to call a supplier about."""

    job = serializers.CharField()
    item = serializers.CharField()
    supplier = serializers.CharField(allow_blank=True)
    quantity = serializers.CharField(allow_blank=True)
    phase = serializers.CharField(help_text="The phase that waits for it.")
    standing = serializers.ChoiceField(choices=[(s.value, s.label) for s in Standing])
    promised_on = serializers.DateField(allow_null=True)
    confirmed_on = serializers.DateField(allow_null=True)
    arrived_on = serializers.DateField(allow_null=True, help_text="With a shortage only.")
    shortage = serializers.CharField(allow_blank=True)
    due_on = serializers.DateField(help_text="Promised, else by the lead time.")
    why = serializers.CharField()
    lead_days = serializers.IntegerField()
    needed_by = serializers.DateField(
        allow_null=True, help_text="The day before the phase is first booked."
    )
    order_by = serializers.DateField(
        allow_null=True, help_text="needed_by less the reserve and the lead time."
    )
    days_late = serializers.IntegerField(
        allow_null=True, help_text="Calendar days from needed to due, negative when early."
    )


class CallAheadShape(Shape):
    """The week's calls to suppliers, late ones first."""

    plan = serializers.IntegerField(allow_null=True, help_text="The plan that the days are of.")
    reserve_days = serializers.IntegerField()
    to_confirm = CallShape(many=True)
    to_order = CallShape(many=True)
