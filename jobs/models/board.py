"""What the office sets by hand on the board, and the record that lets it be undone."""

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from crews.models import NOT_TOO_FAR, Crew
from jobs.models.job import Job
from jobs.models.plan import Plan


class LentPeople(models.Model):
    """People of one crew who work with another, from the first day to the last, both included."""

    from_crew = models.ForeignKey(Crew, on_delete=models.CASCADE, related_name="lends")
    to_crew = models.ForeignKey(Crew, on_delete=models.CASCADE, related_name="borrows")
    people = models.PositiveSmallIntegerField(
        default=1, validators=[MinValueValidator(1), MaxValueValidator(19)]
    )
    first_day = models.DateField(validators=[NOT_TOO_FAR])
    last_day = models.DateField(validators=[NOT_TOO_FAR])
    note = models.CharField(max_length=120, blank=True, help_text="Who it is, or why.")

    class Meta:
        verbose_name = "lent people"
        verbose_name_plural = "lent people"
        constraints = [
            models.CheckConstraint(
                name="lent_people_end_after_they_start",
                condition=Q(last_day__gte=F("first_day")),
                violation_error_message="The last day is before the first day.",
            ),
            models.CheckConstraint(
                name="lent_people_to_another_crew",
                condition=~Q(from_crew=F("to_crew")),
                violation_error_message="A crew cannot lend people to itself.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.people} of {self.from_crew} with {self.to_crew}, {self.first_day}"


class SetAside(models.Model):
    """Time of a crew that the office keeps for other work than the phases of open jobs."""

    class Kind(models.TextChoices):
        SHOP = "SHOP", "Shop day"
        CALLBACK = "CALLBACK", "Callback visit"
        OTHER = "OTHER", "Other work"

    crew = models.ForeignKey(Crew, on_delete=models.CASCADE, related_name="set_aside")
    kind = models.CharField(max_length=8, choices=Kind)
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    job = models.ForeignKey(
        Job, null=True, blank=True, on_delete=models.CASCADE, related_name="set_aside"
    )
    note = models.CharField(max_length=120, blank=True)

    class Meta:
        verbose_name = "time set aside"
        verbose_name_plural = "time set aside"
        constraints = [
            models.CheckConstraint(
                name="set_aside_ends_after_it_starts",
                condition=Q(ends_at__gt=F("starts_at")),
                violation_error_message="It ends after it starts.",
            ),
        ]
        indexes = [models.Index(fields=["crew", "starts_at"], name="set_aside_crew_start")]

    def __str__(self) -> str:
        what = f" on job {self.job.number}" if self.job else ""
        return f"{self.get_kind_display()}{what}, {self.crew}"


class BoardMove(models.Model):
    """
    One thing that the office moved by hand: what it touched, before and after, so it can be undone.

    `touched` lists the rows: kind, key, and the columns before and after (null: no such row).
    `moved` lists the phases whose dates it changed, each with its crew and start before.
    """

    class Kind(models.TextChoices):
        MOVE = "MOVE", "Phase moved"
        FREE = "FREE", "Pin taken off"
        SPLIT = "SPLIT", "Phase split"
        JOIN = "JOIN", "Parts put together"
        SWAP = "SWAP", "Crews swapped"
        LEND = "LEND", "People lent"
        ASIDE = "ASIDE", "Time set aside"
        BLOCK = "BLOCK", "Days blocked"

    kind = models.CharField(max_length=5, choices=Kind)
    words = models.CharField(max_length=300, help_text="The move as a person would tell it.")
    made_at = models.DateTimeField()
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="board_moves",
    )
    touched = models.JSONField(default=list)
    moved = models.JSONField(default=list)
    plan = models.ForeignKey(
        Plan,
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="board_moves",
        help_text="The draft it made.",
    )
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="board_moves_undone",
    )

    class Meta:
        indexes = [models.Index(fields=["made_at"], name="board_move_made_at")]

    def __str__(self) -> str:
        return self.words
