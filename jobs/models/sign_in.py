"""Failed sign-ins, and the tokens by which programs read the API."""

from __future__ import annotations

from django.conf import settings
from django.db import models


class FailedSignIn(models.Model):
    """A password that did not fit: kept for a day, so that guessing can be stopped."""

    username = models.CharField(max_length=150)
    address = models.CharField(max_length=45, help_text="Where it came from.")
    failed_at = models.DateTimeField()

    class Meta:
        verbose_name = "failed sign-in"
        indexes = [
            models.Index(fields=["username", "failed_at"], name="failed_sign_in_name"),
            models.Index(fields=["address", "failed_at"], name="failed_sign_in_address"),
        ]

    def __str__(self) -> str:
        return self.username


class ApiToken(models.Model):
    """
    A program's key to the API. It opens what its person may open, until it is revoked.

    Only the SHA-256 of the key is kept: a copy of the database opens nothing. The key has 256
    random bits, so that a slow hash would add nothing.
    """

    user = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        on_delete=models.CASCADE,
        related_name="api_tokens",
        verbose_name="person",
        help_text="The token opens what this person may open.",
    )
    name = models.CharField("program", max_length=60, help_text="What the token is for.")
    key_hash = models.CharField(max_length=64, unique=True, editable=False)
    made_at = models.DateTimeField(editable=False)
    last_used_at = models.DateTimeField(null=True, blank=True, editable=False)
    revoked_at = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        verbose_name = "API token"
        # Who reads the firm's money and the API; no other row stands for it.
        permissions = [("read_firm", "Can read the firm's figures and the API")]

    def __str__(self) -> str:
        return f"{self.name}, {self.user}"
