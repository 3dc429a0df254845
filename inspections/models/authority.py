"""Rows of authorities: who inspects what, by which rules, and when they are closed."""

from datetime import time
from decimal import Decimal

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from contractor.trade.closures import check_recurrence
from contractor.trade.kinds import Use
from contractor.trade.notice import AskedWhen
from contractor.trade.permit_rules import STARTER_LAPSE_DAYS
from contractor.trade.phases import FRAME_HOLDS, INSPECTIONS, PHASE_TABLE
from crews.models import STATE_CODE, validate_shifts

WEEKDAY_NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
FRAME_INSPECTION = "FRAME_INSPECTION"
INSPECTION_CHOICES = [
    (kind.code, kind.label) for kind in PHASE_TABLE.values() if kind.code in INSPECTIONS
]
FRAME_HOLD_CHOICES = [(code, PHASE_TABLE[code].label) for code in FRAME_HOLDS]


def validate_weekdays(value: str) -> None:
    """Refuse a text that is not a list of weekdays."""
    wrong = [part for part in value.split() if part not in WEEKDAY_NAMES]
    if wrong or not value.split():
        raise ValidationError(
            f"{value!r} is not a list of weekdays. Write some of {' '.join(WEEKDAY_NAMES)}."
        )


def validate_uses(value: str) -> None:
    """Refuse a text that is not a list of uses of buildings."""
    wrong = [part for part in value.split() if part not in Use.__members__]
    if wrong:
        raise ValidationError(
            f"{' '.join(wrong)} is no use of a building. Write some of {' '.join(Use)}, or nothing."
        )


class Authority(models.Model):
    """Who inspects (the code's authority having jurisdiction), and by which rules."""

    class RequestWay(models.TextChoices):
        PHONE = "PHONE", "Telephone"
        PORTAL = "PORTAL", "Portal"
        MAIL = "MAIL", "Mail"

    name = models.CharField(max_length=80, unique=True)
    county = models.CharField(max_length=60)
    state = models.CharField(max_length=2, validators=[STATE_CODE])
    phone = models.CharField(max_length=30, blank=True)
    request_way = models.CharField(
        "request by",
        max_length=6,
        choices=RequestWay,
        default=RequestWay.PHONE,
        help_text="How they take a request.",
    )
    request_to = models.CharField(
        max_length=120,
        blank=True,
        help_text="The portal's or mail's address, or a number of its own for requests.",
    )
    inspects_holes = models.BooleanField(default=True)
    inspects_slab = models.BooleanField(default=True)
    inspects_frame = models.BooleanField(default=True)
    inspects_final = models.BooleanField(default=True)
    request_cutoff = models.TimeField(
        default=time(16, 0), help_text="A request after this counts for the next working day."
    )
    notice_working_days = models.PositiveSmallIntegerField(
        default=1, validators=[MaxValueValidator(15)]
    )
    notice_hours = models.PositiveSmallIntegerField(
        null=True,
        blank=True,
        validators=[MaxValueValidator(240)],
        help_text="In place of working days, which are then 0. Hours count on their working days.",
    )
    asked_when = models.CharField(
        max_length=12,
        choices=[(when.value, when.label) for when in AskedWhen],
        default=AskedWhen.WORK_STARTED.value,
        help_text="The earliest moment at which they take the request.",
    )
    visit_windows = models.CharField(
        max_length=60,
        default="08:00-12:00 12:00-16:00",
        validators=[validate_shifts],
        help_text="The inspector comes some time within a window.",
    )
    takes_wishes = models.BooleanField(
        default=True,
        help_text="They take a wish for one of the windows. If not, the plan keeps the whole day.",
    )
    visits_per_day = models.PositiveSmallIntegerField(
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(50)],
        help_text="How many of our visits they make in a day; the plan then keeps whole days.",
    )
    reinspection_fee_usd = models.DecimalField(
        "re-inspection fee (USD)",
        max_digits=7,
        decimal_places=2,
        default=Decimal(0),
        validators=[MinValueValidator(0)],
    )
    fee_after_failures = models.PositiveSmallIntegerField(
        default=1,
        validators=[MinValueValidator(1), MaxValueValidator(9)],
        help_text="After which failure of the same inspection the fee is due.",
    )
    fee_is_prepaid = models.BooleanField(
        default=False, help_text="They come again only when the fee is paid."
    )
    lapse_days = models.PositiveSmallIntegerField(
        default=STARTER_LAPSE_DAYS,
        validators=[MinValueValidator(1), MaxValueValidator(3650)],
        help_text="A permit lapses after so many days without a start or an approved inspection.",
    )
    weekdays = models.CharField(
        max_length=30, default="Mon Tue Wed Thu Fri", validators=[validate_weekdays]
    )

    class Meta:
        verbose_name_plural = "authorities"
        constraints = [
            models.CheckConstraint(
                name="authority_notice_in_hours_or_days",
                condition=Q(notice_hours__isnull=True) | Q(notice_working_days=0),
                violation_error_message="Notice is in hours or in working days. "
                "Enter 0 working days with hours, or leave the hours empty.",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class AuthorityClosure(models.Model):
    """
    Days on which an authority makes no inspections, beside public holidays.

    `repeats` is a recurrence rule of RFC 5545 whose DTSTART is the first day.
    """

    authority = models.ForeignKey(Authority, on_delete=models.CASCADE, related_name="closures")
    first_day = models.DateField()
    last_day = models.DateField()
    reason = models.CharField(max_length=80)
    repeats = models.CharField(
        max_length=120,
        blank=True,
        help_text="A recurrence rule, like FREQ=MONTHLY;BYDAY=2WE for every second Wednesday of "
        "a month; empty for once.",
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="closure_ends_after_it_starts",
                condition=Q(last_day__gte=F("first_day")),
                violation_error_message="The last day is before the first day.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.reason}, {self.first_day}"

    def clean(self) -> None:
        """Refuse a recurrence rule that cannot be read."""
        if self.repeats and self.first_day:
            try:
                check_recurrence(self.repeats, first_day=self.first_day)
            except ValueError as error:
                raise ValidationError({"repeats": str(error)}) from None


class InspectionRule(models.Model):
    """
    For which buildings an authority makes an inspection, and what the frame's holds.

    Without a rule it makes an inspection for every building. With some, one of them must fit.
    """

    authority = models.ForeignKey(
        Authority, on_delete=models.CASCADE, related_name="inspection_rules"
    )
    inspection = models.CharField(max_length=20, choices=INSPECTION_CHOICES)
    uses = models.CharField(
        max_length=120,
        blank=True,
        validators=[validate_uses],
        help_text="Uses of the building, like SHOP GARAGE; empty for all.",
    )
    minimum_area_sf = models.FloatField(
        "minimum area (sq ft)",
        default=0,
        validators=[MinValueValidator(0), MaxValueValidator(1_000_000)],
        help_text="Smaller buildings go without.",
    )
    holds = models.CharField(
        max_length=20,
        choices=FRAME_HOLD_CHOICES,
        blank=True,
        help_text="Of a frame inspection: the phase that waits for it; empty for wall steel.",
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["authority", "inspection", "uses", "minimum_area_sf"],
                name="inspection_rule_once",
                violation_error_message="This authority has such a rule already.",
            ),
            models.CheckConstraint(
                name="only_a_frame_inspection_chooses_what_it_holds",
                condition=Q(holds="") | Q(inspection=FRAME_INSPECTION),
                violation_error_message="Only a frame inspection chooses what it holds. "
                "Leave it empty.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_inspection_display()}, {self.authority}"
