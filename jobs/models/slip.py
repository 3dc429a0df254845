"""Slips against the published plan, the steps they are told from, and what is proposed on them."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from contractor.trade.causes import Cause
from crews.models import Crew
from jobs.models.job import Job, Phase
from jobs.models.plan import Plan

CAUSE_CHOICES = [(cause.value, cause.label) for cause in Cause]


class KnownFacts(models.Model):
    """
    What was known when the published plan was last compared, to tell what is new the next time.

    `facts` holds the rows that planning reads, packed; `finishes` when each booked phase would
    end, by phase. Both are written with the steps they led to.
    """

    plan = models.OneToOneField(Plan, on_delete=models.CASCADE, related_name="known_facts")
    compared_at = models.DateTimeField()
    facts = models.BinaryField()
    finishes = models.JSONField(default=dict)

    def __str__(self) -> str:
        return f"What was known of plan {self.plan_id}"


class Slip(models.Model):
    """
    One event that moves one job later than the published plan says. Never two for the same.

    Amounts are whole working quarter hours of the job's site, so that they add up exactly;
    `day_quarters` is how many of them one working day there has.
    """

    class Ended(models.TextChoices):
        RECOVERED = "RECOVERED", "Recovered"
        REPLANNED = "REPLANNED", "A new plan tells it"
        FINISHED = "FINISHED", "The job is done"

    class Promise(models.TextChoices):
        NONE = "NONE", "No promise"
        KEPT = "KEPT", "Kept"
        BROKEN = "BROKEN", "Broken by this"
        LATE_BEFORE = "LATE_BEFORE", "Was late before"

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="slips")
    plan = models.ForeignKey(Plan, on_delete=models.CASCADE, related_name="slips")
    event = models.CharField(max_length=160, editable=False, help_text="Names what happened.")
    what = models.CharField(max_length=200, help_text="What happened, in words.")
    cause = models.CharField(max_length=14, choices=CAUSE_CHOICES, blank=True)
    cause_job = models.ForeignKey(
        Job,
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="slips_caused",
        help_text="Whose lateness is passed on.",
    )
    phase = models.ForeignKey(
        Phase, on_delete=models.CASCADE, related_name="slips", help_text="What moves first."
    )
    crew = models.ForeignKey(
        Crew, null=True, blank=True, on_delete=models.SET_NULL, related_name="slips"
    )
    happened_at = models.DateTimeField()
    found_at = models.DateTimeField()
    phase_quarters = models.IntegerField(help_text="By which the phase ends later.")
    job_quarters = models.IntegerField(help_text="By which the job ends later.")
    day_quarters = models.PositiveSmallIntegerField()
    promise = models.CharField(max_length=11, choices=Promise, default=Promise.NONE)
    pushed = models.JSONField(default=list, help_text="The bookings it moves.")
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_because = models.CharField(max_length=9, choices=Ended, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["plan", "job", "event"], name="slip_once_per_event"),
            models.CheckConstraint(
                name="slip_day_above_zero",
                condition=Q(day_quarters__gt=0),
                violation_error_message="A working day has at least one quarter hour.",
            ),
            models.CheckConstraint(
                name="slip_ends_with_a_reason",
                condition=(Q(ended_at=None) & Q(ended_because=""))
                | (Q(ended_at__isnull=False) & ~Q(ended_because="")),
                violation_error_message="A slip that has ended says why.",
            ),
        ]
        indexes = [models.Index(fields=["plan", "ended_at"], name="slip_open_by_plan")]

    def __str__(self) -> str:
        return f"{self.what}, job {self.job.number}"

    @property
    def days(self) -> float:
        """Return the working days by which the job ends later."""
        return self.job_quarters / self.day_quarters

    @property
    def phase_days(self) -> float:
        """Return the working days by which the phase that moves first ends later."""
        return self.phase_quarters / self.day_quarters

    @property
    def float_days(self) -> float:
        """Return the working days that were taken up on the way to the job's end."""
        return max(0, self.phase_quarters - self.job_quarters) / self.day_quarters


class SlipStep(models.Model):
    """A job's end before and after one event; all steps of a job add up to its whole lateness."""

    plan = models.ForeignKey(Plan, on_delete=models.CASCADE, related_name="slip_steps")
    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="slip_steps")
    slip = models.ForeignKey(
        Slip,
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="steps",
        help_text="None where it is too little to be one.",
    )
    event = models.CharField(max_length=160)
    what = models.CharField(max_length=200)
    cause = models.CharField(max_length=14, choices=CAUSE_CHOICES, blank=True)
    happened_at = models.DateTimeField()
    compared_at = models.DateTimeField()
    number = models.PositiveIntegerField(help_text="Order within one comparison.")
    ends_before = models.DateTimeField()
    ends_after = models.DateTimeField()
    quarters = models.IntegerField(help_text="Working quarter hours later; negative is sooner.")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["plan", "job", "compared_at", "number"], name="slip_step_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.what}, job {self.job.number}"


class ReplanProposal(models.Model):
    """A repaired draft that the office accepts, edits or drops. There is one open at a time."""

    class State(models.TextChoices):
        OPEN = "OPEN", "Waits for the office"
        ACCEPTED = "ACCEPTED", "Accepted"
        DROPPED = "DROPPED", "Dropped"
        OVERTAKEN = "OVERTAKEN", "Another plan was published"

    state = models.CharField(max_length=9, choices=State, default=State.OPEN)
    plan = models.ForeignKey(Plan, on_delete=models.CASCADE, related_name="proposals")
    reason = models.CharField(max_length=200, help_text="What it answers.")
    made_at = models.DateTimeField()
    decided_at = models.DateTimeField(null=True, blank=True)
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL
    )
    drop_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        verbose_name = "re-plan proposal"
        constraints = [
            models.UniqueConstraint(
                fields=["state"],
                condition=Q(state="OPEN"),
                name="proposal_one_open",
                violation_error_message="Another proposal waits for the office already.",
            ),
            models.CheckConstraint(
                name="proposal_dropped_says_why",
                condition=~Q(state="DROPPED") | ~Q(drop_reason=""),
                violation_error_message="Say why it is dropped.",
            ),
            models.CheckConstraint(
                name="proposal_decided_after_made",
                condition=Q(decided_at=None) | Q(decided_at__gte=F("made_at")),
                violation_error_message="It was decided before it was made.",
            ),
        ]

    def __str__(self) -> str:
        return f"Proposal {self.pk}"
