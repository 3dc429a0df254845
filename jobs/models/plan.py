"""Plans, their bookings and waits, and the requests that make them."""

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from crews.models import Crew, Equipment
from jobs.models.job import PHASE_CHOICES, Job, Phase


class Plan(models.Model):
    """Dates and crews for all open work, as made at one moment. Its bookings never change."""

    class Status(models.TextChoices):
        DRAFT = "DRAFT", "Draft"
        PUBLISHED = "PUBLISHED", "Published"
        REPLACED = "REPLACED", "Replaced"

    status = models.CharField(max_length=9, choices=Status, default=Status.DRAFT)
    as_of = models.DateTimeField(help_text="The moment it plans from.")
    made_at = models.DateTimeField()
    published_at = models.DateTimeField(null=True, blank=True)
    published_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL
    )
    source = models.CharField(max_length=60, help_text="Which rule or search found it.")
    seconds = models.FloatField(help_text="How long the planner took, without reading and storing.")
    seed = models.IntegerField(default=1)
    objective = models.JSONField(default=dict)
    unplanned = models.JSONField(default=list)
    state = models.CharField(
        max_length=40, blank=True, help_text="Names the open work it is made of."
    )
    gained = models.FloatField(
        null=True,
        blank=True,
        help_text="By how much it costs less than the draft it improves on, else the first plan.",
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["status"],
                condition=Q(status="PUBLISHED"),
                name="plan_one_published",
                violation_error_message="Another plan is published already.",
            ),
        ]

    def __str__(self) -> str:
        return f"Plan {self.pk}"


class Booking(models.Model):
    """
    A phase on a crew from one moment to another, in one plan.

    `is_live` copies "its plan is published", because a constraint can read only its own row:
    on PostgreSQL no crew has two live bookings that overlap (migration 0002).
    """

    plan = models.ForeignKey(Plan, on_delete=models.CASCADE, related_name="bookings")
    phase = models.ForeignKey(Phase, on_delete=models.PROTECT, related_name="bookings")
    crew = models.ForeignKey(
        Crew, null=True, blank=True, on_delete=models.PROTECT, related_name="bookings"
    )
    equipment = models.ManyToManyField(Equipment, blank=True, related_name="bookings")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    work_hours = models.FloatField(help_text="Working hours of the crew, not of its people.")
    is_pinned = models.BooleanField(default=False)
    because = models.CharField(max_length=300, help_text="What binds the start.")
    because_kind = models.CharField(max_length=12)
    behind_kind = models.CharField(
        max_length=12,
        blank=True,
        help_text="What stands behind a date that was announced, or a pause, where it is known.",
    )
    because_phase = models.ForeignKey(
        Phase, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    is_live = models.BooleanField(default=False, editable=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["plan", "phase"], name="booking_once_per_plan"),
            models.CheckConstraint(
                name="booking_ends_after_it_starts",
                condition=Q(ends_at__gt=F("starts_at")),
                violation_error_message="A booking ends after it starts.",
            ),
        ]
        indexes = [models.Index(fields=["crew", "starts_at"], name="booking_crew_start")]

    def __str__(self) -> str:
        return f"Booking {self.pk}"


class PlannedWait(models.Model):
    """Time with no crew in a plan: cure, notice, delivery, permit."""

    plan = models.ForeignKey(Plan, on_delete=models.CASCADE, related_name="waits")
    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="waits")
    kind = models.CharField(max_length=20)
    after_code = models.CharField(max_length=20, choices=PHASE_CHOICES, blank=True)
    before_code = models.CharField(max_length=20, choices=PHASE_CHOICES)
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    basis = models.CharField(max_length=300)

    def __str__(self) -> str:
        return f"{self.kind} before {self.get_before_code_display()}"


class PlanRequest(models.Model):
    """One wish for a plan: durable, so that a lost message or a dead worker loses nothing."""

    class Status(models.TextChoices):
        QUEUED = "QUEUED", "Queued"
        RUNNING = "RUNNING", "Running"
        DONE = "DONE", "Done"
        FAILED = "FAILED", "Failed"
        CANCELLED = "CANCELLED", "Cancelled"

    status = models.CharField(max_length=9, choices=Status, default=Status.QUEUED)
    reason = models.CharField(max_length=200)
    requested_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL
    )
    requested_at = models.DateTimeField()
    claimed_at = models.DateTimeField(null=True, blank=True)
    cancel_asked_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    budget_seconds = models.FloatField(
        default=5, validators=[MinValueValidator(0), MaxValueValidator(200)]
    )
    progress_percent = models.PositiveSmallIntegerField(default=0)
    progress_text = models.CharField(max_length=120, blank=True)
    error = models.CharField(max_length=300, blank=True)
    base = models.ForeignKey(
        Plan,
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="improvements",
        help_text="The draft that a better one is wanted for.",
    )
    best_total = models.FloatField(
        null=True, blank=True, help_text="What the best plan found so far costs."
    )
    plan = models.ForeignKey(
        Plan, null=True, blank=True, on_delete=models.SET_NULL, related_name="requests"
    )

    def __str__(self) -> str:
        return f"Plan request {self.pk}"


class Heartbeat(models.Model):
    """When a worker last ran a task; `/health/` shows its age."""

    name = models.CharField(max_length=20, unique=True)
    beat_at = models.DateTimeField()

    def __str__(self) -> str:
        return self.name
