"""Rows of an authority's visits, and the record of what was said of each."""

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from jobs.models import Phase


class Inspection(models.Model):
    """A visit by the authority that is asked for or has been made."""

    class Status(models.TextChoices):
        REQUESTED = "REQUESTED", "Requested"
        CONFIRMED = "CONFIRMED", "Confirmed"
        PASSED = "PASSED", "Passed"
        PASSED_CORRECTIONS = "PASSED_CORRECTIONS", "Passed with corrections"
        PARTIAL = "PARTIAL", "Passed in part"
        FAILED = "FAILED", "Failed"
        NOT_READY = "NOT_READY", "Not ready or no access"
        ABSENT = "ABSENT", "Inspector absent"
        CANCELLED_BY_US = "CANCELLED_BY_US", "Cancelled by us"
        CANCELLED_BY_THEM = "CANCELLED_BY_THEM", "Cancelled by them"
        CANCELLED_WEATHER = "CANCELLED_WEATHER", "Cancelled for weather"
        TAKEN_BACK = "TAKEN_BACK", "Entered by mistake"

    phase = models.ForeignKey(Phase, on_delete=models.CASCADE, related_name="inspections")
    status = models.CharField(max_length=20, choices=Status, default=Status.REQUESTED)
    requested_at = models.DateTimeField()
    visit_from = models.DateTimeField(null=True, blank=True)
    visit_until = models.DateTimeField(null=True, blank=True)
    decided_at = models.DateTimeField(
        null=True, blank=True, help_text="When it was made, or fell through."
    )
    released = models.CharField(
        max_length=200, blank=True, help_text="Passed in part: which holes or bays are free."
    )
    released_share = models.FloatField(
        null=True,
        blank=True,
        validators=[MinValueValidator(0.01), MaxValueValidator(0.99)],
        help_text="Passed in part: which share of the work is free, 0 to 1.",
    )
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="visit_ends_after_it_starts",
                condition=(Q(visit_from__isnull=True) & Q(visit_until__isnull=True))
                | Q(visit_until__gt=F("visit_from")),
                violation_error_message="A visit has a start and a later end, or neither.",
            ),
            models.CheckConstraint(
                name="confirmed_visit_has_its_time",
                condition=~Q(status="CONFIRMED") | Q(visit_from__isnull=False),
                violation_error_message="A confirmed visit needs its time.",
            ),
            models.CheckConstraint(
                name="part_passed_visit_says_what_is_free",
                condition=~Q(status="PARTIAL") | ~Q(released=""),
                violation_error_message="Say which holes or bays are free.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.phase}, {self.get_status_display().lower()}"


class InspectionEvent(models.Model):
    """
    One line of a visit's record: who said what when, and what it changed. Never changed itself.

    `before` and `after` hold the visit and its job's phases as they were and as they became, so
    that a later event can restore what was before this one.
    """

    inspection = models.ForeignKey(Inspection, on_delete=models.CASCADE, related_name="events")
    number = models.PositiveSmallIntegerField(help_text="Counts the events of a visit from 1.")
    at = models.DateTimeField()
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="+",
        help_text="Who entered it.",
    )
    said_by = models.CharField(max_length=60, blank=True, help_text="Who said it.")
    from_status = models.CharField(max_length=20, choices=Inspection.Status, blank=True)
    to_status = models.CharField(max_length=20, choices=Inspection.Status)
    note = models.CharField(max_length=200, blank=True)
    before = models.JSONField(default=dict, blank=True)
    after = models.JSONField(default=dict, blank=True)
    undoes = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.CASCADE, related_name="undone_by"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["inspection", "number"], name="inspection_event_once_per_number"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.inspection_id}.{self.number} {self.get_to_status_display()}"

    @property
    def teller(self) -> str:
        """Return who said it and who entered it, as far as either is known."""
        entered = f"entered by {self.by}" if self.by else ""
        return ", ".join(filter(None, (self.said_by, entered)))
