"""Rows of an authority's visits."""

from django.db import models
from django.db.models import F, Q

from jobs.models import Phase


class Inspection(models.Model):
    """A visit by the authority that is asked for or has been made."""

    class Status(models.TextChoices):
        REQUESTED = "REQUESTED", "Requested"
        CONFIRMED = "CONFIRMED", "Confirmed"
        PASSED = "PASSED", "Passed"
        FAILED = "FAILED", "Failed"

    phase = models.ForeignKey(Phase, on_delete=models.CASCADE, related_name="inspections")
    status = models.CharField(max_length=9, choices=Status, default=Status.REQUESTED)
    requested_at = models.DateTimeField()
    visit_from = models.DateTimeField(null=True, blank=True)
    visit_until = models.DateTimeField(null=True, blank=True)
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
        ]

    def __str__(self) -> str:
        return f"{self.phase}, {self.get_status_display().lower()}"
