"""Who reads which calendar, and what the calendars show."""

import uuid

from django.db import models
from django.db.models import F, Q

from crews.models.crew import Crew


class FeedSubscription(models.Model):
    """One reader's right to one crew's calendar feed."""

    crew = models.ForeignKey(Crew, on_delete=models.CASCADE, related_name="subscriptions")
    reader = models.CharField(max_length=60, help_text="Whose calendar this link is for.")
    nonce = models.UUIDField(default=uuid.uuid4, editable=False)
    token_hash = models.CharField(max_length=64, unique=True, editable=False)
    created_at = models.DateTimeField(editable=False)
    revoked_at = models.DateTimeField(null=True, blank=True, editable=False)
    last_fetched_at = models.DateTimeField(null=True, blank=True, editable=False)
    last_client = models.CharField(max_length=40, blank=True, editable=False)

    def __str__(self) -> str:
        return f"{self.reader}: {self.crew}"


class FeedEvent(models.Model):
    """A stretch of work as a calendar shows it; written by publishing, read by the feed."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    crew = models.ForeignKey(Crew, on_delete=models.CASCADE, related_name="feed_events")
    source = models.CharField(max_length=60, help_text="What it stands for, like phase:17.")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    summary = models.CharField(max_length=120)
    location = models.CharField(max_length=200, blank=True)
    description = models.TextField(blank=True)
    sequence = models.PositiveIntegerField(default=0)
    revised_at = models.DateTimeField()
    is_dropped = models.BooleanField(default=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["crew", "source"], name="feed_event_once_per_crew"),
            models.CheckConstraint(
                name="feed_event_ends_after_it_starts", condition=Q(ends_at__gt=F("starts_at"))
            ),
        ]

    def __str__(self) -> str:
        return self.summary
