"""Rows of concrete: pours with the temperatures that were read, and the strength others need."""

from datetime import datetime

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from contractor.trade.phases import CURE_LINKS, PHASE_TABLE
from jobs.models import Job, Phase

POURED_PHASES = tuple(dict.fromkeys(before for before, _ in CURE_LINKS))
POURED_CHOICES = [(code, PHASE_TABLE[code].label) for code in POURED_PHASES]
FOLLOWING_CHOICES = [
    (code, PHASE_TABLE[code].label) for code in dict.fromkeys(after for _, after in CURE_LINKS)
]
# No thermometer in or over concrete that we wait for reads beyond these.
_DEGF = [MinValueValidator(-60), MaxValueValidator(200)]


class Pour(models.Model):
    """Concrete that was placed: what it is, when, how warm, and how it was kept."""

    class Cement(models.TextChoices):
        I = "I", "Type I, ordinary"  # noqa: E741 - the standard's own name
        III = "III", "Type III, high early strength"

    class Cured(models.TextChoices):
        MOIST = "MOIST", "Moist: in the ground, wet or covered"
        STEAM = "STEAM", "Steam"

    phase = models.ForeignKey(Phase, on_delete=models.CASCADE, related_name="pours")
    poured_at = models.DateTimeField(help_text="When the last of it was placed, site time.")
    part = models.CharField(
        max_length=60,
        blank=True,
        help_text="Where a phase is poured in parts, which of them, like holes 1-8. "
        "Empty means all of it.",
    )
    mix_psi = models.PositiveIntegerField(
        "mix (psi)",
        default=3000,
        validators=[MinValueValidator(1000), MaxValueValidator(15000)],
        help_text="28-day strength as ordered, f'c.",
    )
    cement = models.CharField(max_length=3, choices=Cement, default=Cement.I)
    cured = models.CharField(max_length=5, choices=Cured, default=Cured.MOIST)
    is_accelerated = models.BooleanField(
        "accelerator",
        default=False,
        help_text="An accelerator or 100 lb more cement to the yard. It shortens the protection "
        "against cold; strength is counted without it.",
    )
    placed_degf = models.FloatField(
        "placed at (°F)", null=True, blank=True, validators=_DEGF, help_text="The concrete's own."
    )
    ground_degf = models.FloatField(
        "ground (°F)",
        null=True,
        blank=True,
        validators=_DEGF,
        help_text="The ground it was placed on. Never place on frozen ground.",
    )
    protected_until = models.DateTimeField(
        null=True, blank=True, help_text="Covered or heated against the cold until then."
    )
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["phase", "poured_at", "part"], name="pour_once"),
            models.CheckConstraint(
                name="pour_protected_after_it_is_placed",
                condition=Q(protected_until__isnull=True) | Q(protected_until__gt=F("poured_at")),
                violation_error_message="The protection ends before the pour. Enter a later time.",
            ),
        ]

    def __str__(self) -> str:
        part = f" ({self.part})" if self.part else ""
        return f"{self.phase}{part}"

    def clean(self) -> None:
        """Refuse a pour of a phase that pours nothing."""
        phase = self.phase if self.phase_id else None
        if phase is not None and phase.code not in POURED_PHASES:
            labels = ", ".join(label for _, label in POURED_CHOICES)
            raise ValidationError(
                {"phase": f"{phase.get_code_display()} pours no concrete. Choose one of {labels}."}
            )


class PourReading(models.Model):
    """A temperature that was read, in the concrete or in the air beside it."""

    class Of(models.TextChoices):
        CONCRETE = "CONCRETE", "Concrete"
        AIR = "AIR", "Air"

    pour = models.ForeignKey(Pour, on_delete=models.CASCADE, related_name="readings")
    taken_at = models.DateTimeField()
    temp_degf = models.FloatField("temperature (°F)", validators=_DEGF)
    of = models.CharField(max_length=8, choices=Of, default=Of.CONCRETE)

    class Meta:
        verbose_name = "temperature reading"
        constraints = [
            models.UniqueConstraint(
                fields=["pour", "taken_at", "of"],
                name="reading_once",
                violation_error_message="There is a reading of this moment. Correct that one.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_of_display()} {self.temp_degf:g} °F"

    def clean(self) -> None:
        """Refuse a reading from before the pour."""
        poured_at: datetime | None = self.pour.poured_at if self.pour_id else None
        if poured_at and self.taken_at and self.taken_at < poured_at:
            raise ValidationError(
                {"taken_at": "This is before the pour. Enter a time after it, or correct the pour."}
            )


class StrengthNeed(models.Model):
    """
    The share of strength that a phase waits for, in place of the starter value.

    Without a job it is the firm's own figure; with one it is what the engineer's plan asks there.
    """

    job = models.ForeignKey(
        Job,
        null=True,
        blank=True,
        on_delete=models.CASCADE,
        related_name="strength_needs",
        help_text="Empty: for every job that has no figure of its own.",
    )
    poured_phase = models.CharField(max_length=20, choices=POURED_CHOICES)
    following_phase = models.CharField(max_length=20, choices=FOLLOWING_CHOICES)
    strength_percent = models.FloatField(
        "strength (%)",
        validators=[MinValueValidator(1), MaxValueValidator(100)],
        help_text="Of the 28-day strength.",
    )
    minimum_hours = models.FloatField(
        "never less than (hours)",
        null=True,
        blank=True,
        validators=[MinValueValidator(0), MaxValueValidator(24 * 60)],
        help_text="Empty: as the starter value.",
    )
    stated_by = models.CharField(
        max_length=120, help_text="Whose figure it is: the engineer, and the sheet it stands on."
    )
    entered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        editable=False,
        on_delete=models.SET_NULL,
        related_name="+",
    )
    entered_at = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        verbose_name = "strength needed"
        verbose_name_plural = "strengths needed"
        constraints = [
            models.UniqueConstraint(
                fields=["job", "poured_phase", "following_phase"],
                name="strength_need_once_per_job",
                violation_error_message="This job has a figure for these two phases. Change it.",
            ),
            models.UniqueConstraint(
                fields=["poured_phase", "following_phase"],
                condition=Q(job__isnull=True),
                name="strength_need_once_for_the_firm",
                violation_error_message="The firm has a figure for these two phases. Change it.",
            ),
            models.CheckConstraint(
                name="strength_need_above_0_and_at_most_100",
                condition=Q(strength_percent__gt=0, strength_percent__lte=100),
                violation_error_message="The strength needed is above 0 % and at most 100 %.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_following_phase_display()} after {self.get_poured_phase_display()}"

    def clean(self) -> None:
        """Refuse a pair of phases of which neither waits for the other to cure."""
        pair = (self.poured_phase, self.following_phase)
        if all(pair) and pair not in CURE_LINKS:
            waiting = ", ".join(
                PHASE_TABLE[after].label for before, after in CURE_LINKS if before == pair[0]
            )
            raise ValidationError(
                {"following_phase": f"It does not wait for this concrete. Choose one of {waiting}."}
            )
