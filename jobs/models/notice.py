"""What people are to be told, and wishes for work in the background: rows before messages."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class Notice(models.Model):
    """
    One event told to one person: the outbox row, written in the event's own transaction.

    Rows of one person that go out together share a `message_id`, which stays the same however
    often sending is tried.
    """

    class State(models.TextChoices):
        WAITING = "WAITING", "Waiting"
        SENT = "SENT", "Sent"
        PARKED = "PARKED", "Parked"

    class Kind(models.TextChoices):
        PLAN = "PLAN", "Published plan"
        SLIP = "SLIP", "Slip"
        HOLD = "HOLD", "Inspection hold"
        SHEET = "SHEET", "Morning sheet"

    event = models.CharField(max_length=160, help_text="Names what happened.")
    person = models.CharField(max_length=60, help_text="Whom it tells, like user:4 or buyer:12.")
    kind = models.CharField(max_length=5, choices=Kind)
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="notices",
    )
    name = models.CharField(max_length=80, blank=True)
    email = models.EmailField(blank=True)
    subject = models.CharField(max_length=200)
    body = models.TextField()
    state = models.CharField(max_length=7, choices=State, default=State.WAITING)
    made_at = models.DateTimeField()
    next_try_at = models.DateTimeField(help_text="Not sent before.")
    claimed_at = models.DateTimeField(null=True, blank=True)
    message_id = models.UUIDField(null=True, blank=True, default=None, db_index=True)
    tries = models.PositiveSmallIntegerField(default=0)
    sent_at = models.DateTimeField(null=True, blank=True)
    error = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["event", "person", "kind"], name="notice_once_per_event_and_person"
            ),
            models.CheckConstraint(
                name="notice_sent_has_its_moment",
                condition=(Q(state="SENT") & Q(sent_at__isnull=False))
                | (~Q(state="SENT") & Q(sent_at=None)),
            ),
        ]
        indexes = [models.Index(fields=["state", "next_try_at"], name="notice_due")]

    def __str__(self) -> str:
        return self.subject


class TaskRequest(models.Model):
    """One wish for work in the background: a row first, so that a lost message loses nothing."""

    class Kind(models.TextChoices):
        SLIPS = "SLIPS", "Compare with the published plan"
        HOLDS = "HOLDS", "Flag inspection holds"
        FEEDS = "FEEDS", "Bring crews' calendars in step"
        SHEET = "SHEET", "Write the morning sheet"
        ODDS = "ODDS", "Forecast the published plan"

    class Status(models.TextChoices):
        QUEUED = "QUEUED", "Queued"
        RUNNING = "RUNNING", "Running"
        DONE = "DONE", "Done"
        PARKED = "PARKED", "Parked"

    kind = models.CharField(max_length=5, choices=Kind)
    reason = models.CharField(max_length=200)
    once = models.CharField(
        max_length=80,
        null=True,  # as often as asked: "" could stand only once
        blank=True,
        unique=True,
        help_text="Set where it is to be done once, like each morning.",
    )
    status = models.CharField(max_length=7, choices=Status, default=Status.QUEUED)
    requested_at = models.DateTimeField()
    next_try_at = models.DateTimeField()
    claimed_at = models.DateTimeField(null=True, blank=True)
    claim = models.UUIDField(null=True, blank=True, editable=False)
    finished_at = models.DateTimeField(null=True, blank=True)
    tries = models.PositiveSmallIntegerField(default=0)
    progress_percent = models.PositiveSmallIntegerField(default=0)
    progress_text = models.CharField(max_length=200, blank=True)
    error = models.CharField(max_length=300, blank=True)

    class Meta:
        indexes = [models.Index(fields=["status", "next_try_at"], name="task_request_due")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.reason}"
