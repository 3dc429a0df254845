"""A job, what it is built of, and the phases it is built in."""

from datetime import datetime

from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models
from django.db.models import F, Q

from contractor.trade.building import OpeningKind
from contractor.trade.causes import TOLD_BY_PEOPLE
from contractor.trade.phases import PHASE_TABLE
from crews.models import NOT_TOO_FAR, STATE_CODE, Crew
from jobs.models.specification import Specification

NUMBER = RegexValidator(
    r"^[A-Z0-9][A-Z0-9-]{0,19}$", "Use capital letters, digits and dashes, like 26-041."
)
PHASE_CHOICES = [(kind.code, kind.label) for kind in PHASE_TABLE.values()]


def label_of(code: str, part: int = 1, parts: int = 1) -> str:
    """Return a phase's name, with its part where it was split: "Roof steel, part 1 of 2"."""
    kind = PHASE_TABLE.get(code)
    label = kind.label if kind else code
    return f"{label}, part {part} of {parts}" if parts > 1 else label


class Job(Specification):
    """One building under contract, at one site, for one buyer."""

    class Status(models.TextChoices):
        SIGNED = "SIGNED", "Signed"
        ON_HOLD = "ON_HOLD", "On hold"
        DONE = "DONE", "Done"
        CANCELLED = "CANCELLED", "Cancelled"

    number = models.CharField(max_length=20, unique=True, validators=[NUMBER])
    status = models.CharField(max_length=9, choices=Status, default=Status.SIGNED)
    sold_on = models.DateField(help_text="The day the contract was signed.")
    promised_on = models.DateField(
        null=True,
        blank=True,
        validators=[NOT_TOO_FAR],
        help_text="The completion date given to the buyer.",
    )
    earliest_start_on = models.DateField(
        null=True,
        blank=True,
        validators=[NOT_TOO_FAR],
        help_text="Not before: site ready, or the buyer's wish.",
    )
    completed_on = models.DateField(null=True, blank=True)
    contract_value_usd = models.DecimalField(
        "contract value (USD)",
        max_digits=10,
        decimal_places=2,
        validators=[MinValueValidator(0)],
    )
    promise_weight = models.PositiveSmallIntegerField(
        default=1,
        validators=[MinValueValidator(1), MaxValueValidator(10)],
        help_text="1 is usual; 10 means a late day here costs as much as ten elsewhere.",
    )
    preferred_crew = models.ForeignKey(
        Crew, null=True, blank=True, on_delete=models.SET_NULL, related_name="preferred_by"
    )

    buyer_name = models.CharField(max_length=80)
    buyer_phone = models.CharField(max_length=30, blank=True)
    buyer_email = models.EmailField(blank=True)
    tells_buyer = models.BooleanField(
        "tells the buyer",
        default=False,
        help_text="Send the buyer a message when the published start or finish day moves.",
    )
    crew_may_call_buyer = models.BooleanField(
        "crews may call the buyer",
        default=False,
        help_text="Show the buyer's name and phone to the crew on the job.",
    )

    site_address = models.CharField(max_length=120)
    site_town = models.CharField(max_length=60)
    site_county = models.CharField(max_length=60)
    site_state = models.CharField(max_length=2, validators=[STATE_CODE])
    gate_code = models.CharField(
        max_length=40,
        blank=True,
        help_text="How a crew gets in: the gate's code, or where the key is.",
    )
    drive_minutes = models.PositiveSmallIntegerField(
        default=30,
        validators=[MaxValueValidator(180)],
        help_text="From the yard, one way. It comes off the working day.",
    )
    site_latitude_deg = models.FloatField(
        "latitude (°)",
        null=True,
        blank=True,
        validators=[MinValueValidator(-90), MaxValueValidator(90)],
        help_text="North is above 0. With it, drives between sites are known better.",
    )
    site_longitude_deg = models.FloatField(
        "longitude (°)",
        null=True,
        blank=True,
        validators=[MinValueValidator(-180), MaxValueValidator(180)],
        help_text="West is below 0.",
    )
    notes = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="job_site_has_both_degrees_or_none",
                condition=Q(site_latitude_deg__isnull=True, site_longitude_deg__isnull=True)
                | Q(site_latitude_deg__isnull=False, site_longitude_deg__isnull=False),
                violation_error_message="Enter latitude and longitude, or neither.",
            ),
            models.CheckConstraint(
                name="job_done_has_its_day",
                condition=~Q(status="DONE") | Q(completed_on__isnull=False),
                violation_error_message="A job that is done needs its completion date.",
            ),
            models.CheckConstraint(
                name="job_promise_after_sale",
                condition=Q(promised_on__isnull=True) | Q(promised_on__gte=F("sold_on")),
                violation_error_message="The promise is before the day of the sale.",
            ),
            models.CheckConstraint(
                name="job_completed_after_sale",
                condition=Q(completed_on__isnull=True) | Q(completed_on__gte=F("sold_on")),
                violation_error_message="The completion is before the day of the sale.",
            ),
            models.CheckConstraint(
                name="job_sizes_above_zero",
                condition=Q(width_ft__gt=0, length_ft__gt=0, eave_ft__gt=0, bay_ft__gt=0),
                violation_error_message="Width, length, eave and bay are above 0 ft.",
            ),
            models.CheckConstraint(
                name="job_bay_within_length",
                condition=Q(bay_ft__lte=F("length_ft")),
                violation_error_message="A bay cannot be longer than the building.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.buyer_name}"


class Opening(models.Model):
    """A kind of door or window of a job's building, and how many."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="openings")
    kind = models.CharField(
        max_length=14, choices=[(kind.value, kind.label) for kind in OpeningKind]
    )
    width_ft = models.FloatField("width (ft)")
    height_ft = models.FloatField("height (ft)")
    count = models.PositiveSmallIntegerField(default=1, validators=[MinValueValidator(1)])

    class Meta:
        verbose_name = "door or window"
        verbose_name_plural = "doors and windows"

    def __str__(self) -> str:
        return f"{self.count} × {self.get_kind_display()} {self.width_ft:g}×{self.height_ft:g}"


class LeanTo(models.Model):
    """A lean-to along a side of a job's building."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="lean_tos")
    width_ft = models.FloatField("width (ft)")
    length_ft = models.FloatField("length (ft)")
    low_eave_ft = models.FloatField("low eave (ft)")
    enclosed = models.BooleanField(default=False)

    class Meta:
        verbose_name_plural = "lean-tos"

    def __str__(self) -> str:
        return f"Lean-to {self.width_ft:g}×{self.length_ft:g}"


class Phase(models.Model):
    """
    A stretch of work on a job, or an inspection of it.

    One that was split ahead is several rows of the same code, its `parts`: 1 comes first, and each
    has its `share_of_whole`.
    """

    class Status(models.TextChoices):
        OPEN = "OPEN", "Open"
        UNDER_WAY = "UNDER_WAY", "Under way"
        DONE = "DONE", "Done"
        DROPPED = "DROPPED", "Left out"

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="phases")
    code = models.CharField(max_length=20, choices=PHASE_CHOICES)
    part = models.PositiveSmallIntegerField(default=1, editable=False)
    parts = models.PositiveSmallIntegerField(default=1, editable=False)
    share_of_whole = models.FloatField(default=1, editable=False)
    sequence = models.PositiveSmallIntegerField(help_text="Build order within the job.")
    labor_hours = models.FloatField(default=0, help_text="From the take-off and the rates.")
    labor_arithmetic = models.TextField(blank=True)
    office_hours = models.FloatField(
        "hours set by the office",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.25), MaxValueValidator(5000)],
        help_text="Used instead of the computed hours.",
    )
    status = models.CharField(max_length=9, choices=Status, default=Status.OPEN)
    crew = models.ForeignKey(
        Crew,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="phases_worked",
        help_text="Who is on it or did it.",
    )
    started_at = models.DateTimeField(null=True, blank=True)
    done_at = models.DateTimeField(null=True, blank=True)
    share_done = models.FloatField(
        default=0, validators=[MinValueValidator(0), MaxValueValidator(1)]
    )
    share_at = models.DateTimeField(
        "share done as of",
        null=True,
        blank=True,
        help_text="When the share was true; work since then is taken to go on as planned.",
    )
    reported_hours = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    partly_passed = models.BooleanField(
        default=False,
        editable=False,
        help_text="An inspection that has released a part of what it holds.",
    )
    hours_at_share = models.FloatField(
        null=True,
        blank=True,
        editable=False,
        help_text="The hours reported when the share was told.",
    )
    stopped_by = models.CharField(
        max_length=14,
        choices=[(cause.value, cause.label) for cause in TOLD_BY_PEOPLE],
        blank=True,
        help_text="What keeps begun or planned work from going on.",
    )
    stopped_at = models.DateTimeField(null=True, blank=True, editable=False)
    stopped_until = models.DateTimeField(
        null=True, blank=True, help_text="It is planned to go on then; empty is not known."
    )
    pinned_crew = models.ForeignKey(
        Crew, null=True, blank=True, on_delete=models.PROTECT, related_name="pinned_phases"
    )
    pinned_start_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["job", "code", "part"], name="phase_part_once_per_job"),
            models.CheckConstraint(
                name="phase_part_has_its_number", condition=Q(part__gte=1, parts__gte=1)
            ),
            models.CheckConstraint(
                name="phase_share_of_whole_above_zero",
                condition=Q(share_of_whole__gt=0, share_of_whole__lte=1),
                violation_error_message="The share of the whole is above 0 and at most 1.",
            ),
            models.CheckConstraint(
                name="phase_share_between_0_and_1",
                condition=Q(share_done__gte=0, share_done__lte=1),
                violation_error_message="The share done is between 0 and 1.",
            ),
            models.CheckConstraint(
                name="phase_done_has_its_moment",
                condition=(Q(status="DONE") & Q(done_at__isnull=False))
                | (~Q(status="DONE") & Q(done_at__isnull=True)),
                violation_error_message="A phase has an end exactly when it is done.",
            ),
            models.CheckConstraint(
                name="phase_under_way_has_started",
                condition=~Q(status="UNDER_WAY") | Q(started_at__isnull=False),
                violation_error_message="A phase under way needs its start.",
            ),
            models.CheckConstraint(
                name="phase_ends_after_it_starts",
                condition=Q(started_at__isnull=True)
                | Q(done_at__isnull=True)
                | Q(done_at__gte=F("started_at")),
                violation_error_message="The end is before the start.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_code_display()}, job {self.job.number}"

    def get_code_display(self) -> str:  # type: ignore[no-redef]  # Django leaves it as it is
        """Return the phase's name, and which part of it where it was split ahead."""
        return label_of(self.code, self.part, self.parts)

    @property
    def share_known_at(self) -> datetime | None:
        """Return the moment for which the share done was told; None means now."""
        if self.share_at is None and self.share_done == 0:
            return self.started_at
        return self.share_at

    @property
    def planned_hours(self) -> float:
        """Return the labor hours the plan uses: the office's figure, else the computed one."""
        return self.labor_hours if self.office_hours is None else self.office_hours


class LaborRate(models.Model):
    """The firm's own rate in place of a starter rate."""

    code = models.CharField(max_length=40, unique=True)
    hours_per_unit = models.FloatField(validators=[MinValueValidator(0.0001)])
    note = models.CharField(max_length=120, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(name="labor_rate_above_zero", condition=Q(hours_per_unit__gt=0)),
        ]

    def __str__(self) -> str:
        return self.code
