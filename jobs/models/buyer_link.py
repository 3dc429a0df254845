"""Who may open the page that tells a buyer how the building is coming on."""

import uuid

from django.db import models

from jobs.models.job import Job


class BuyerLink(models.Model):
    """One reader's right to the buyer's page of one job; the token itself is never stored."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="buyer_links")
    reader = models.CharField(max_length=60, help_text="Whose link this is.")
    nonce = models.UUIDField(default=uuid.uuid4, editable=False)
    token_hash = models.CharField(max_length=64, unique=True, editable=False)
    created_at = models.DateTimeField(editable=False)
    revoked_at = models.DateTimeField(null=True, blank=True, editable=False)
    last_opened_at = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        verbose_name = "buyer's page"

    def __str__(self) -> str:
        return f"{self.reader}, job {self.job.number}"
