"""What was reported from the sites: rows that are never changed, and their photos."""

import uuid

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q

from contractor.trade.causes import TOLD_BY_PEOPLE
from contractor.trade.progress import FROM_SITE, Kind
from crews.models import Crew
from jobs.models.job import Phase

CAUSE_CHOICES = [(cause.value, cause.label) for cause in TOLD_BY_PEOPLE]
CORRECTED_KINDS = [
    *((kind.value, kind.label) for kind in FROM_SITE),
    (Kind.VOID.value, "Never happened"),
]


class FieldReport(models.Model):
    """
    One thing that was said of a phase, at the moment it was made.

    Its id comes from the phone, so that a report sent twice is one row. Rows are never changed or
    deleted: a correction is a report of its own.
    """

    class Kind(models.TextChoices):
        STARTED = Kind.STARTED.value, "Started"
        PROGRESS = Kind.PROGRESS.value, "Progress"
        DONE = Kind.DONE.value, "Done"
        STOPPED = Kind.STOPPED.value, "Stopped"
        NOTE = Kind.NOTE.value, "Note"
        CORRECTION = Kind.CORRECTION.value, "Correction"
        OFFICE = Kind.OFFICE.value, "Set by the office"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    phase = models.ForeignKey(Phase, on_delete=models.PROTECT, related_name="reports")
    kind = models.CharField(max_length=10, choices=Kind)
    made_at = models.DateTimeField(help_text="By the clock of the phone it was made on.")
    happened_at = models.DateTimeField(
        null=True, blank=True, help_text="What it is about; empty is the moment it was made."
    )
    received_at = models.DateTimeField()
    crew = models.ForeignKey(
        Crew, null=True, blank=True, on_delete=models.PROTECT, related_name="reports"
    )
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL
    )
    by_name = models.CharField("by", max_length=80, blank=True)
    from_office = models.BooleanField(default=False)
    share_done = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(0), MaxValueValidator(1)]
    )
    crew_hours = models.FloatField(
        "hours of all people",
        null=True,
        blank=True,
        validators=[MinValueValidator(0), MaxValueValidator(5000)],
        help_text="Since the report before, all people together.",
    )
    people = models.PositiveSmallIntegerField(
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(40)],
        help_text="How many were on the site.",
    )
    stopped_by = models.CharField(max_length=14, choices=CAUSE_CHOICES, blank=True)
    stopped_until = models.DateTimeField(null=True, blank=True)
    note = models.TextField(max_length=2000, blank=True)
    # Not a foreign key: a correction may come before the report that it corrects.
    corrects_id = models.UUIDField("corrects", null=True, blank=True)
    corrected_kind = models.CharField(
        max_length=10,
        choices=CORRECTED_KINDS,
        blank=True,
        help_text="What the corrected report should have said.",
    )
    set_status = models.CharField(
        max_length=9, choices=[(s, s.label) for s in Phase.Status if s != "DROPPED"], blank=True
    )
    set_started_at = models.DateTimeField(null=True, blank=True)
    set_done_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="report_correction_names_what_it_corrects",
                condition=(Q(kind="CORRECTION", corrects_id__isnull=False) & ~Q(corrected_kind=""))
                | (~Q(kind="CORRECTION") & Q(corrects_id__isnull=True, corrected_kind="")),
                violation_error_message="A correction names a report and what it should have said.",
            ),
            models.CheckConstraint(
                name="report_office_sets_a_status",
                condition=(Q(kind="OFFICE") & ~Q(set_status=""))
                | (~Q(kind="OFFICE") & Q(set_status="")),
                violation_error_message="What the office sets has a status.",
            ),
            models.CheckConstraint(
                name="report_share_between_0_and_1",
                condition=Q(share_done__isnull=True) | Q(share_done__gte=0, share_done__lte=1),
                violation_error_message="The share done is between 0 and 1.",
            ),
        ]
        indexes = [models.Index(fields=["made_at"], name="report_made_at")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {self.made_at:%Y-%m-%d %H:%M}"

    def clean(self) -> None:
        """Refuse what cannot be told together."""
        begun, ended = self.set_started_at, self.set_done_at
        stops = Kind.STOPPED.value in (self.kind, self.corrected_kind)
        faults = {
            "stopped_by": ("A stop needs its cause.", stops and not self.stopped_by),
            "set_done_at": (
                "Give the end exactly when the status is DONE.",
                (self.set_status == Phase.Status.DONE) != (ended is not None),
            ),
            "set_started_at": (
                "Work under way needs its start, and no work ends before it starts.",
                (self.set_status == Phase.Status.UNDER_WAY and begun is None)
                or (begun is not None and ended is not None and ended < begun),
            ),
        }
        wrong = {name: text for name, (text, is_wrong) in faults.items() if is_wrong}
        if wrong:
            raise ValidationError(wrong)


class ReportPhoto(models.Model):
    """A photo of a report, made small and without the place it was taken at."""

    report = models.ForeignKey(FieldReport, on_delete=models.PROTECT, related_name="photos")
    sha256 = models.CharField(
        max_length=64, editable=False, help_text="Of the file as it was sent: twice is once."
    )
    file = models.FileField(upload_to="reports", max_length=160)
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    received_at = models.DateTimeField()
    is_released = models.BooleanField(
        "shown to the buyer", default=False, help_text="The buyer's page shows it."
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["report", "sha256"], name="photo_once_per_report"),
        ]

    def __str__(self) -> str:
        return f"Photo {self.pk}"
