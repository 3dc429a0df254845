"""Rows of locate tickets, of what utilities answer to them, and of each state's rule."""

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from contractor.trade import locate
from crews.models import STATE_CODE
from jobs.models import Job


class LocateRule(models.Model):
    """A state's rule for digging, as the office has checked it with the call center."""

    state = models.CharField(max_length=2, unique=True, validators=[STATE_CODE])
    notice_working_days = models.PositiveSmallIntegerField(
        "notice (working days)",
        default=0,
        validators=[MaxValueValidator(15)],
        help_text="0 where the notice is in hours.",
    )
    notice_hours = models.PositiveSmallIntegerField(
        "notice (hours of working days)",
        default=0,
        validators=[MaxValueValidator(360)],
        help_text="0 where the notice is in working days.",
    )
    count_from_next_day = models.BooleanField(
        default=True,
        help_text="The day of the call does not count. Hours without this run from the call.",
    )
    call_by = models.TimeField(
        null=True, blank=True, help_text="A call after this counts as made the next day."
    )
    life_days = models.PositiveSmallIntegerField(
        "life (days)", validators=[MinValueValidator(5), MaxValueValidator(365)]
    )
    life_in_working_days = models.BooleanField(default=False)
    life_from_dig_date = models.BooleanField(
        default=False, help_text="Else the life runs from the call."
    )
    must_start_days = models.PositiveSmallIntegerField(
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(365)],
        help_text="Digging must begin within so many calendar days from the earliest dig.",
    )
    idle_limit_days = models.PositiveSmallIntegerField(
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(365)],
        help_text="A dig that rests longer loses its ticket.",
    )
    must_view_response = models.BooleanField(
        "positive response must be viewed",
        default=False,
        help_text="No digging before the answers of all utilities have been read.",
    )
    source = models.CharField(
        max_length=120, help_text="Where the figures are from: published, from memory, assumed …"
    )
    checked_on = models.DateField(
        null=True, blank=True, help_text="When the office last checked it with the call center."
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="locate_rule_days_or_hours",
                condition=Q(notice_working_days__gt=0, notice_hours=0)
                | Q(notice_working_days=0, notice_hours__gt=0),
                violation_error_message="Enter the notice in working days or in hours, not both.",
            ),
            models.CheckConstraint(
                name="locate_rule_life_above_notice",
                condition=Q(life_days__gte=5),
                violation_error_message="A ticket lives five days at least.",
            ),
        ]

    def __str__(self) -> str:
        return self.state

    def clean(self) -> None:
        """Refuse what the trade refuses, with its words."""
        try:
            self.rule()
        except (TypeError, ValueError) as error:
            raise ValidationError(str(error)) from error

    def rule(self) -> locate.LocateRule:
        """Return the row as the rule the trade reads."""
        return locate.LocateRule(
            state=self.state,
            notice_working_days=self.notice_working_days,
            notice_hours=self.notice_hours,
            count_from_next_day=self.count_from_next_day,
            call_by=self.call_by,
            life_days=self.life_days,
            life_in_working_days=self.life_in_working_days,
            life_from_dig_date=self.life_from_dig_date,
            must_start_days=self.must_start_days,
            idle_limit_days=self.idle_limit_days,
            must_view_response=self.must_view_response,
            marked=self.source,
        )


class LocateTicket(models.Model):
    """The buried-line notice of a site: when digging may begin and when the ticket dies."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="locate_tickets")
    number = models.CharField(max_length=40, unique=True)
    called_on = models.DateField()
    dig_from = models.DateField()
    expires_on = models.DateField(help_text="The last day on which it covers digging.")
    called_by = models.CharField(
        max_length=60, blank=True, help_text="Who of ours called; each digger needs its own ticket."
    )
    renewed_from = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.SET_NULL, related_name="renewals"
    )
    marks_seen_on = models.DateField(
        null=True, blank=True, help_text="When one of ours saw the marks on site."
    )
    private_lines = models.CharField(
        max_length=200,
        blank=True,
        help_text="Lines the owner told of, which no utility marks: propane, water, septic, power.",
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="ticket_dates_in_order",
                condition=Q(dig_from__gte=F("called_on")) & Q(expires_on__gte=F("dig_from")),
                violation_error_message="Called, dig from and expires must be in this order.",
            ),
            models.CheckConstraint(
                name="ticket_marks_seen_after_the_call",
                condition=Q(marks_seen_on__isnull=True) | Q(marks_seen_on__gte=F("called_on")),
                violation_error_message="The marks were seen before the ticket was called.",
            ),
        ]

    def __str__(self) -> str:
        return self.number


class TicketResponse(models.Model):
    """What one utility answered to a ticket: the positive response."""

    ticket = models.ForeignKey(LocateTicket, on_delete=models.CASCADE, related_name="responses")
    utility = models.CharField(max_length=60)
    answer = models.CharField(
        max_length=8, choices=[(answer.value, answer.label) for answer in locate.Answer]
    )
    viewed_at = models.DateTimeField(help_text="When one of ours read the answer.")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["ticket", "utility"],
                name="response_once_per_utility",
                violation_error_message="This utility's answer is there already. Change that one.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.utility}: {self.get_answer_display().lower()}"
