"""What is put right after the work: punch lists and callbacks under warranty."""

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from crews.models import NOT_TOO_FAR
from jobs.models.board import SetAside
from jobs.models.job import Job


class Callback(models.Model):
    """
    One thing to put right at a job's site, and the day by which the buyer was told it will be.

    Its crew and its day are those of the time set aside for its round.
    """

    class Kind(models.TextChoices):
        PUNCH = "PUNCH", "Punch list"
        WARRANTY = "WARRANTY", "Under warranty"
        OUTSIDE = "OUTSIDE", "Outside warranty"

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="callbacks")
    kind = models.CharField(max_length=8, choices=Kind)
    what = models.CharField(max_length=200, help_text="What is to be put right, and where.")
    asked_on = models.DateField(help_text="The day the buyer called or the walk-through was.")
    asked_by = models.CharField(max_length=80, blank=True, help_text="Who asked.")
    promised_on = models.DateField(
        validators=[NOT_TOO_FAR], help_text="The day given to the buyer, at the latest."
    )
    labor_hours = models.FloatField(
        default=2,
        validators=[MinValueValidator(0.25), MaxValueValidator(200)],
        help_text="Hours of all people at the site, without driving.",
    )
    round = models.ForeignKey(
        SetAside, null=True, blank=True, on_delete=models.SET_NULL, related_name="callbacks"
    )
    done_on = models.DateField(null=True, blank=True)
    done_note = models.CharField(max_length=200, blank=True, help_text="What was done.")

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="callback_promised_after_it_was_asked_for",
                condition=Q(promised_on__gte=F("asked_on")),
                violation_error_message="The promise is before the day it was asked for.",
            ),
            models.CheckConstraint(
                name="callback_done_after_it_was_asked_for",
                condition=Q(done_on__isnull=True) | Q(done_on__gte=F("asked_on")),
                violation_error_message="This is before the day it was asked for.",
            ),
            models.CheckConstraint(
                name="callback_takes_hours",
                condition=Q(labor_hours__gt=0),
                violation_error_message="A callback takes more than 0 hours.",
            ),
        ]
        indexes = [models.Index(fields=["done_on", "promised_on"], name="callback_open")]

    def __str__(self) -> str:
        return f"{self.what} ({self.get_kind_display().lower()})"
