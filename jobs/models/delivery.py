"""Material that phases wait for, how long it takes to come, and what was told of it."""

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from contractor.trade import lead_times
from contractor.trade.kinds import PostKind
from crews.models import NOT_TOO_FAR
from jobs.models.job import Job


class Item(models.TextChoices):
    """What is delivered."""

    PRECAST_PIERS = "PRECAST_PIERS", "Precast piers"
    CONCRETE = "CONCRETE", "Concrete"
    POSTS = "POSTS", "Posts"
    TRUSSES = "TRUSSES", "Trusses"
    STEEL = "STEEL", "Steel and trim"
    OVERHEAD_DOORS = "OVERHEAD_DOORS", "Overhead doors"
    WINDOWS_AND_DOORS = "WINDOWS_AND_DOORS", "Windows and walk doors"
    LINER = "LINER", "Liner"
    INSULATION = "INSULATION", "Insulation"


ITEM_LABELS = dict(Item.choices)


class Delivery(models.Model):
    """Material that a phase waits for."""

    Item = Item

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="deliveries")
    item = models.CharField(max_length=20, choices=Item)
    supplier = models.CharField(max_length=60, blank=True)
    quantity = models.CharField(
        max_length=60, blank=True, help_text="As on the order, like 11 trusses."
    )
    ordered_on = models.DateField(null=True, blank=True)
    promised_on = models.DateField(
        null=True,
        blank=True,
        validators=[NOT_TOO_FAR],
        help_text="By the supplier; after a short delivery, for what is missing.",
    )
    confirmed_on = models.DateField(
        null=True, blank=True, help_text="When the supplier last stood by the promise."
    )
    arrived_on = models.DateField(null=True, blank=True)
    shortage = models.CharField(
        "short or damaged",
        max_length=200,
        blank=True,
        help_text="What is missing or broken of what arrived; the phase goes on waiting for it.",
    )

    class Meta:
        verbose_name_plural = "deliveries"
        constraints = [
            models.UniqueConstraint(fields=["job", "item"], name="delivery_once_per_job"),
            models.CheckConstraint(
                name="delivery_short_has_arrived",
                condition=Q(shortage="") | Q(arrived_on__isnull=False),
                violation_error_message="Only what has arrived can be short or damaged. "
                "Enter the day it arrived.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_item_display()}, job {self.job.number}"

    def get_item_display(self) -> str:  # type: ignore[no-redef]  # Django leaves it as it is
        """Return the item's name; Django's own goes through all choices for each row."""
        return ITEM_LABELS.get(self.item, self.item)

    @property
    def is_complete(self) -> bool:
        """Return whether all of it is there and whole."""
        return self.arrived_on is not None and not self.shortage


class DeliveryReport(models.Model):
    """What was told of a delivery, by whom, and what was known before, so that it can be undone."""

    class Kind(models.TextChoices):
        CONFIRMED = "CONFIRMED", "Confirmed"
        PROMISED = "PROMISED", "Promised for"
        ARRIVED = "ARRIVED", "Arrived"

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="delivery_reports")
    item = models.CharField(max_length=20, choices=Item)
    kind = models.CharField(max_length=9, choices=Kind)
    told_at = models.DateTimeField()
    told_by = models.CharField(max_length=150, blank=True)
    note = models.CharField(max_length=200, blank=True)
    promised_before = models.DateField(null=True, blank=True)
    confirmed_before = models.DateField(null=True, blank=True)
    arrived_before = models.DateField(null=True, blank=True)
    shortage_before = models.CharField(max_length=200, blank=True)
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["job", "item", "told_at"], name="delivery_report_once_at_a_time"
            ),
            models.CheckConstraint(
                name="delivery_report_undone_after_told",
                condition=Q(undone_at__isnull=True) | Q(undone_at__gte=F("told_at")),
                violation_error_message="It was undone before it was told.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_item_display()}: {self.get_kind_display().lower()}"


class LeadTime(models.Model):
    """How long an item takes from order to site, as the office knows it."""

    item = models.CharField(max_length=20, choices=Item)
    supplier = models.CharField(max_length=60, blank=True, help_text="Empty: any supplier.")
    post_kind = models.CharField(
        max_length=9,
        blank=True,
        choices=[(kind.value, kind.label) for kind in PostKind if kind is not PostKind.AUTO],
        help_text="For posts; empty: any.",
    )
    over_span_ft = models.FloatField(
        "over span (ft)",
        validators=[MinValueValidator(0)],
        help_text="For buildings wider than this; 0 for all.",
    )
    to_span_ft = models.FloatField(
        "to span (ft)", null=True, blank=True, help_text="And up to this width; empty: no end."
    )
    days = models.PositiveSmallIntegerField(
        validators=[MaxValueValidator(365)], help_text="Calendar days from order to site."
    )
    source = models.CharField(max_length=120, help_text="Who says so.")
    checked_on = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["item", "supplier", "post_kind", "over_span_ft"],
                name="lead_time_once",
                violation_error_message="This lead time is there already. Change that one.",
            ),
            models.CheckConstraint(
                name="lead_time_span_runs_forward",
                condition=Q(to_span_ft__isnull=True) | Q(to_span_ft__gt=F("over_span_ft")),
                violation_error_message="The span ends above where it begins.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_item_display()}, {self.days} days"

    def clean(self) -> None:
        """Refuse what the trade refuses, with its words."""
        try:
            self.lead_time()
        except (TypeError, ValueError) as error:
            raise ValidationError(str(error)) from error

    def lead_time(self) -> lead_times.LeadTime:
        """Return the row as the trade reads it."""
        return lead_times.LeadTime(
            item=self.item,
            days=self.days,
            supplier=self.supplier,
            post_kind=self.post_kind,
            over_span_ft=self.over_span_ft,
            to_span_ft=self.to_span_ft,
            source=self.source,
        )
