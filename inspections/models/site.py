"""Rows of a site's grade shots, and of what the office says to them."""

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q

from contractor.trade.site import ShotKind, ShotPlace
from crews.models import NOT_TOO_FAR
from jobs.models import Job


class SiteShot(models.Model):
    """A grade shot; the shots of a job's latest day are read together as one set."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="site_shots")
    taken_on = models.DateField()
    place = models.CharField(
        max_length=11, choices=[(place.value, place.label) for place in ShotPlace]
    )
    kind = models.CharField(
        max_length=6,
        choices=[(kind.value, kind.label) for kind in ShotKind],
        default=ShotKind.ROD.value,
        help_text="Rod: a larger number is lower ground. Height: larger is higher.",
    )
    reading_ft = models.FloatField(
        "reading (ft)",
        validators=[MinValueValidator(-10_000), MaxValueValidator(10_000)],
        help_text="In feet and tenths, all of one set-up.",
    )
    taken_by = models.CharField(max_length=60, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["job", "taken_on", "place"],
                name="site_shot_once_a_day_and_place",
                violation_error_message="This place was shot on that day. Correct that row.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_place_display()} of {self.job.number}, {self.taken_on}"


class SiteReadiness(models.Model):
    """What the office says of a site: how much fall this building takes, when it is graded."""

    job = models.OneToOneField(Job, on_delete=models.CASCADE, related_name="site_readiness")
    most_fall_in = models.FloatField(
        "most fall (in)",
        null=True,
        blank=True,
        validators=[MinValueValidator(0), MaxValueValidator(240)],
        help_text="Across this building. Empty: the firm's own limit.",
    )
    expected_on = models.DateField(
        null=True,
        blank=True,
        validators=[NOT_TOO_FAR],
        help_text="When the site should be graded; the plan waits for the day after.",
    )
    released_at = models.DateTimeField(null=True, blank=True, editable=False)
    released_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        editable=False,
        on_delete=models.SET_NULL,
        related_name="+",
    )
    release_why = models.CharField(max_length=200, blank=True, editable=False)

    class Meta:
        verbose_name_plural = "site readiness"
        constraints = [
            models.CheckConstraint(
                name="site_release_says_why",
                condition=Q(released_at__isnull=True) | ~Q(release_why=""),
                violation_error_message="A release says why.",
            ),
        ]

    def __str__(self) -> str:
        return f"Site of job {self.job.number}"
