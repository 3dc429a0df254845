"""Who reads which calendar, and what the calendars show."""

import uuid

from django.db import models
from django.db.models import F, Q

from crews.models.crew import Crew


class FeedCalendar(models.Model):
    """
    What a feed shows that is not one crew's work: a crew has its calendar by being a crew.

    `number` is the primary key of the job or the authority, 0 for the firm. It is made with its
    first reader, and filled only while somebody reads it.
    """

    class Kind(models.TextChoices):
        FIRM = "FIRM", "The firm: all crews, inspections and deliveries"
        JOB = "JOB", "One job"
        AUTHORITY = "AUTHORITY", "An authority's inspections"
        BUYER = "BUYER", "A job for its buyer: weeks, not hours"

    kind = models.CharField(max_length=9, choices=Kind)
    number = models.PositiveBigIntegerField()
    name = models.CharField(max_length=100)
    feed_revised_at = models.DateTimeField(
        null=True, editable=False, help_text="Only ever moves forward."
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kind", "number"], name="feed_calendar_once"),
        ]

    def __str__(self) -> str:
        return self.name


_ONE_OWNER = Q(crew__isnull=True) ^ Q(calendar__isnull=True)


class FeedSubscription(models.Model):
    """One reader's right to one calendar feed: a crew's, or another."""

    crew = models.ForeignKey(
        Crew, null=True, blank=True, on_delete=models.CASCADE, related_name="subscriptions"
    )
    calendar = models.ForeignKey(
        FeedCalendar, null=True, blank=True, on_delete=models.CASCADE, related_name="subscriptions"
    )
    reader = models.CharField(max_length=60, help_text="Whose calendar this link is for.")
    nonce = models.UUIDField(default=uuid.uuid4, editable=False)
    token_hash = models.CharField(max_length=64, unique=True, editable=False)
    created_at = models.DateTimeField(editable=False)
    revoked_at = models.DateTimeField(null=True, blank=True, editable=False)
    last_fetched_at = models.DateTimeField(null=True, blank=True, editable=False)
    last_client = models.CharField(max_length=40, blank=True, editable=False)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="feed_subscription_of_one_calendar",
                condition=_ONE_OWNER,
                violation_error_message="Choose a crew or another calendar, and not both.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.reader}: {self.shows}"

    @property
    def shows(self) -> Crew | FeedCalendar:
        """Return whose calendar the link opens; `crew` or `calendar` must be loaded."""
        shown = self.crew if self.calendar is None else self.calendar
        assert shown is not None, "a constraint holds that one of the two is there"
        return shown


class FeedEvent(models.Model):
    """A stretch of work as a calendar shows it; written by publishing, read by the feed."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    crew = models.ForeignKey(
        Crew, null=True, blank=True, on_delete=models.CASCADE, related_name="feed_events"
    )
    calendar = models.ForeignKey(
        FeedCalendar, null=True, blank=True, on_delete=models.CASCADE, related_name="feed_events"
    )
    source = models.CharField(max_length=60, help_text="What it stands for, like phase:17.")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    whole_days = models.BooleanField(
        default=False, help_text="Shown as days even where it is within one."
    )
    summary = models.CharField(max_length=120)
    location = models.CharField(max_length=200, blank=True)
    description = models.TextField(blank=True)
    sequence = models.PositiveIntegerField(default=0)
    revised_at = models.DateTimeField()
    is_dropped = models.BooleanField(default=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["crew", "source"], name="feed_event_once_per_crew"),
            models.UniqueConstraint(
                fields=["calendar", "source"], name="feed_event_once_per_calendar"
            ),
            models.CheckConstraint(name="feed_event_of_one_calendar", condition=_ONE_OWNER),
            models.CheckConstraint(
                name="feed_event_ends_after_it_starts", condition=Q(ends_at__gt=F("starts_at"))
            ),
        ]

    def __str__(self) -> str:
        return self.summary
