"""The row of a job's permit."""

from django.db import models
from django.db.models import F, Q

from crews.models import NOT_TOO_FAR
from inspections.models.authority import Authority
from jobs.models import Job


class Permit(models.Model):
    """The authority over a job and where its permit stands."""

    job = models.OneToOneField(Job, on_delete=models.CASCADE, related_name="permit")
    authority = models.ForeignKey(Authority, on_delete=models.PROTECT, related_name="permits")
    number = models.CharField(max_length=40, blank=True)
    is_exempt = models.BooleanField(
        "exempt",
        default=False,
        help_text="No permit and no inspections, as for some farm buildings.",
    )
    drawings_received_on = models.DateField(
        null=True, blank=True, help_text="When the engineer's sealed drawings came."
    )
    applied_on = models.DateField(null=True, blank=True)
    expected_on = models.DateField(
        null=True,
        blank=True,
        validators=[NOT_TOO_FAR],
        help_text="When it should be issued; the plan waits for this day.",
    )
    issued_on = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="permit_issued_after_applied",
                condition=Q(issued_on__isnull=True)
                | Q(applied_on__isnull=True)
                | Q(issued_on__gte=F("applied_on")),
                violation_error_message="The permit was issued before it was applied for.",
            ),
        ]

    def __str__(self) -> str:
        return f"Permit of job {self.job.number}"
