"""Who changed what, when, from what to what: rows that are only ever added."""

from django.conf import settings
from django.db import models

from jobs.models.job import Job

# How a change keeps a moment, in the site's own time.
MOMENT_OF_CHANGES = "%Y-%m-%d %H:%M"


class Change(models.Model):
    """One row added, changed or taken away, written in the transaction that did it."""

    class Action(models.TextChoices):
        ADDED = "ADDED", "Added"
        CHANGED = "CHANGED", "Changed"
        REMOVED = "REMOVED", "Removed"

    at = models.DateTimeField()
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL
    )
    by_name = models.CharField("by", max_length=80, blank=True)
    action = models.CharField(max_length=7, choices=Action)
    kind = models.CharField(max_length=40, help_text="What kind of row, like phase.")
    row = models.CharField(max_length=40, help_text="The row's key.")
    name = models.CharField(max_length=200, help_text="How people call the row.")
    job = models.ForeignKey(
        Job, null=True, blank=True, on_delete=models.SET_NULL, related_name="changes"
    )
    what = models.JSONField(
        default=list, help_text="Each column that changed: its name, from what, to what."
    )

    class Meta:
        indexes = [
            models.Index(fields=["job", "at"], name="change_of_job"),
            models.Index(fields=["kind", "row"], name="change_of_row"),
        ]

    def __str__(self) -> str:
        return f"{self.name}: {self.get_action_display().lower()}"
