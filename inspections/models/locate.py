"""Rows of locate tickets."""

from django.db import models
from django.db.models import F, Q

from jobs.models import Job


class LocateTicket(models.Model):
    """The buried-line notice of a site: when digging may begin and when the ticket dies."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="locate_tickets")
    number = models.CharField(max_length=40, unique=True)
    called_on = models.DateField()
    dig_from = models.DateField()
    expires_on = models.DateField(help_text="The last day on which it covers digging.")

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="ticket_dates_in_order",
                condition=Q(dig_from__gte=F("called_on")) & Q(expires_on__gte=F("dig_from")),
                violation_error_message="Called, dig from and expires must be in this order.",
            ),
        ]

    def __str__(self) -> str:
        return self.number
