"""Rows of authorities: who inspects, by which rules, and when they are closed."""

from datetime import time

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator
from django.db import models
from django.db.models import F, Q

from contractor.trade.notice import AskedWhen
from crews.models import STATE_CODE, validate_shifts

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
