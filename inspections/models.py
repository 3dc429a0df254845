"""Rows of authorities and of what a job must have from them before work goes on."""

from datetime import time

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator
from django.db import models
from django.db.models import F, Q

from contractor.trade.notice import AskedWhen
from crews.models import NOT_TOO_FAR, STATE_CODE, validate_shifts
from jobs.models import Job, Phase

WEEKDAY_NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def validate_weekdays(value: str) -> None:
    """Refuse a text that is not a list of weekdays."""
    wrong = [part for part in value.split() if part not in WEEKDAY_NAMES]
    if wrong or not value.split():
        raise ValidationError(
            f"{value!r} is not a list of weekdays. Write some of {' '.join(WEEKDAY_NAMES)}."
        )


class Authority(models.Model):
    """Who inspects (the code's authority having jurisdiction), and by which rules."""

    name = models.CharField(max_length=80, unique=True)
    county = models.CharField(max_length=60)
    state = models.CharField(max_length=2, validators=[STATE_CODE])
    phone = models.CharField(max_length=30, blank=True)
    inspects_holes = models.BooleanField(default=True)
    inspects_slab = models.BooleanField(default=True)
    inspects_frame = models.BooleanField(default=True)
    inspects_final = models.BooleanField(default=True)
    request_cutoff = models.TimeField(
        default=time(16, 0), help_text="A request after this counts for the next working day."
    )
    notice_working_days = models.PositiveSmallIntegerField(
        default=1, validators=[MaxValueValidator(15)]
    )
    asked_when = models.CharField(
        max_length=12,
        choices=[(when.value, when.label) for when in AskedWhen],
        default=AskedWhen.WORK_STARTED.value,
        help_text="The earliest moment at which they take the request.",
    )
    visit_windows = models.CharField(
        max_length=60,
        default="08:00-12:00 12:00-16:00",
        validators=[validate_shifts],
        help_text="The inspector comes some time within a window.",
    )
    weekdays = models.CharField(
        max_length=30, default="Mon Tue Wed Thu Fri", validators=[validate_weekdays]
    )

    class Meta:
        verbose_name_plural = "authorities"

    def __str__(self) -> str:
        return self.name

    def required_inspections(self) -> frozenset[str]:
        """Return the phase codes of the inspections this authority makes."""
        wanted = {
            "HOLE_INSPECTION": self.inspects_holes,
            "SLAB_INSPECTION": self.inspects_slab,
            "FRAME_INSPECTION": self.inspects_frame,
            "FINAL_INSPECTION": self.inspects_final,
        }
        return frozenset(code for code, required in wanted.items() if required)


class AuthorityClosure(models.Model):
    """Days on which an authority makes no inspections, beside public holidays."""

    authority = models.ForeignKey(Authority, on_delete=models.CASCADE, related_name="closures")
    first_day = models.DateField()
    last_day = models.DateField()
    reason = models.CharField(max_length=80)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="closure_ends_after_it_starts",
                condition=Q(last_day__gte=F("first_day")),
                violation_error_message="The last day is before the first day.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.reason}, {self.first_day}"


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


class LocateTicket(models.Model):
    """The buried-line notice of a site: when digging may begin and when the ticket dies."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="locate_tickets")
    number = models.CharField(max_length=40, unique=True)
    called_on = models.DateField()
    dig_from = models.DateField()
    expires_on = models.DateField(help_text="The last day on which it covers digging.")

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="ticket_dates_in_order",
                condition=Q(dig_from__gte=F("called_on")) & Q(expires_on__gte=F("dig_from")),
                violation_error_message="Called, dig from and expires must be in this order.",
            ),
        ]

    def __str__(self) -> str:
        return self.number


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
