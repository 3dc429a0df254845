"""Forecasts as they were made, kept so that they can be scored, and work that teaches nothing."""

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from crews.models import Crew
from jobs.models.job import Job, Phase
from jobs.models.plan import Plan


class Forecast(models.Model):
    """What becomes of the published plan, seen from one moment. Done ones never change."""

    class Status(models.TextChoices):
        MAKING = "MAKING", "Being made"
        DONE = "DONE", "Done"
        OVERTAKEN = "OVERTAKEN", "The work changed meanwhile"

    plan = models.ForeignKey(Plan, on_delete=models.CASCADE, related_name="forecasts")
    status = models.CharField(max_length=9, choices=Status, default=Status.MAKING)
    as_of = models.DateTimeField(help_text="The moment whose knowledge it rests on.")
    made_at = models.DateTimeField(null=True, blank=True)
    draws = models.PositiveIntegerField(
        validators=[MinValueValidator(1), MaxValueValidator(100_000)]
    )
    seed = models.PositiveIntegerField(default=1)
    policy = models.CharField(max_length=300, help_text="How work is taken in each draw.")
    state = models.CharField(max_length=80, help_text="Names the open work and its chances.")

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="forecast_done_has_its_moment",
                condition=(Q(status="DONE") & Q(made_at__isnull=False)) | ~Q(status="DONE"),
                violation_error_message="A forecast that is done says when it was made.",
            ),
        ]
        indexes = [models.Index(fields=["status", "as_of"], name="forecast_as_of")]

    def __str__(self) -> str:
        return f"Forecast {self.pk}"


class ForecastChunk(models.Model):
    """Some draws of a forecast that one worker makes; `dates` are packed and gone once merged."""

    forecast = models.ForeignKey(Forecast, on_delete=models.CASCADE, related_name="chunks")
    first_run = models.PositiveIntegerField()
    runs = models.PositiveIntegerField(validators=[MinValueValidator(1)])
    dates = models.BinaryField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["forecast", "first_run"], name="forecast_chunk_once"),
        ]

    def __str__(self) -> str:
        return f"Draws {self.first_run} to {self.first_run + self.runs} of {self.forecast_id}"


def _quantile(percent: int) -> models.DateTimeField:  # type: ignore[type-arg]
    return models.DateTimeField(
        null=True, blank=True, help_text=f"Not later than this with a chance of {percent} %."
    )


class Spread(models.Model):
    """P10, P50, P80 and P90 of a start and a finish; None lies beyond what was simulated."""

    start_p10 = _quantile(10)
    start_p50 = _quantile(50)
    start_p80 = _quantile(80)
    start_p90 = _quantile(90)
    finish_p10 = _quantile(10)
    finish_p50 = _quantile(50)
    finish_p80 = _quantile(80)
    finish_p90 = _quantile(90)

    class Meta:
        abstract = True


class JobForecast(Spread):
    """
    When a job starts and ends, and what drives that.

    `finish_days` are the 99 percentiles of the finish in days after the forecast's `as_of`.
    `drivers` maps a cause (`jobs.selectors.drivers`) to its part of the days late to expect.
    """

    forecast = models.ForeignKey(Forecast, on_delete=models.CASCADE, related_name="jobs")
    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="forecasts")
    promised_on = models.DateField(null=True, blank=True)
    planned_finish_at = models.DateTimeField(null=True, blank=True)
    keep_chance = models.FloatField(
        null=True, blank=True, help_text="Chance to end on the promised day or before, 0 to 1."
    )
    expected_days_late = models.FloatField(
        null=True, blank=True, help_text="Mean of calendar days past the promise; early counts 0."
    )
    finish_days = models.JSONField(default=list)
    drivers = models.JSONField(default=dict)
    no_dates_because = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["forecast", "job"], name="job_forecast_once"),
            models.CheckConstraint(
                name="job_forecast_chance_between_0_and_1",
                condition=Q(keep_chance__isnull=True) | Q(keep_chance__gte=0, keep_chance__lte=1),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.job_id} in forecast {self.forecast_id}"


class PhaseForecast(Spread):
    """When a phase starts and ends."""

    forecast = models.ForeignKey(Forecast, on_delete=models.CASCADE, related_name="phases")
    phase = models.ForeignKey(Phase, on_delete=models.CASCADE, related_name="forecasts")
    crew = models.ForeignKey(Crew, null=True, blank=True, on_delete=models.SET_NULL)
    planned_start_at = models.DateTimeField()
    planned_finish_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["forecast", "phase"], name="phase_forecast_once"),
            models.CheckConstraint(
                name="phase_forecast_planned_ends_after_it_starts",
                condition=Q(planned_finish_at__gt=F("planned_start_at")),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.phase_id} in forecast {self.forecast_id}"


class LeftOutWork(models.Model):
    """A finished phase whose hours teach nothing of the next, and why."""

    phase = models.OneToOneField(Phase, on_delete=models.CASCADE, related_name="left_out")
    reason = models.CharField(max_length=200)
    at = models.DateTimeField()
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="+",
    )

    class Meta:
        verbose_name_plural = "work left out"
        constraints = [
            models.CheckConstraint(
                name="left_out_work_says_why",
                condition=~Q(reason=""),
                violation_error_message="Say why it is left out.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.phase_id}: {self.reason}"
