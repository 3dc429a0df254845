"""The phones that people of a crew read their work on and report from."""

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q

from crews.models.crew import Crew


class Phone(models.Model):
    """
    One person's phone: first a link that opens once, then a phone that stays signed in.

    Of both keys only hashes are kept, so that a copy of the database opens nothing.
    """

    crew = models.ForeignKey(Crew, on_delete=models.CASCADE, related_name="phones")
    person_name = models.CharField(
        "person", max_length=60, help_text="Whose phone it is; reports from it carry this name."
    )
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="phones",
        help_text="The sign-in of that person, for those who have one.",
    )
    nonce = models.UUIDField(default=uuid.uuid4, editable=False)
    link_hash = models.CharField(max_length=64, unique=True, editable=False)
    link_made_at = models.DateTimeField(editable=False)
    link_ends_at = models.DateTimeField(editable=False)
    # Null, not empty, before it is enrolled: unique columns let many rows have none.
    token_hash = models.CharField(  # noqa: DJ001
        max_length=64, unique=True, null=True, editable=False
    )
    enrolled_at = models.DateTimeField(null=True, blank=True, editable=False)
    last_seen_at = models.DateTimeField(null=True, blank=True, editable=False)
    client = models.CharField("kind of phone", max_length=40, blank=True, editable=False)
    revoked_at = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="phone_key_once_enrolled",
                condition=Q(token_hash__isnull=True, enrolled_at__isnull=True)
                | Q(token_hash__isnull=False, enrolled_at__isnull=False),
                violation_error_message="A phone has a key exactly when it was enrolled.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person_name}, {self.crew}"
