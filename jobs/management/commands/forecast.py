"""`manage.py forecast`: forecast the published plan and say what came out."""

import json
import os
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from crews.selectors import NoFirm
from jobs.management.commands.plan import LARGEST_SEED, moment_of
from jobs.models import Forecast
from jobs.selectors import forecasts
from jobs.services import forecasting

MOST_DRAWS = 100_000


class Command(BaseCommand):
    """Draw the published plan many times, keep the forecast, print it."""

    help = "Forecast the published plan: when each job and phase will start and end, how surely."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the options."""
        parser.add_argument(
            "--draws",
            type=int,
            default=forecasting.DRAWS,
            help=f"How often it is drawn (default {forecasting.DRAWS}).",
        )
        parser.add_argument("--seed", type=int, default=1, help="Seed of the draws.")
        parser.add_argument(
            "--as-of", help="Forecast from this moment, ISO 8601; without an offset, site time."
        )
        parser.add_argument("--json", action="store_true", help="Print the forecast as JSON.")

    def handle(self, *args: Any, **options: Any) -> None:
        """Forecast and print."""
        if not 1 <= options["draws"] <= MOST_DRAWS:
            raise CommandError(f"--draws {options['draws']}: write 1 to {MOST_DRAWS}.")
        if not 0 <= options["seed"] <= LARGEST_SEED:
            raise CommandError(f"--seed {options['seed']}: write 0 to {LARGEST_SEED}.")
        try:
            forecast = forecasting.forecast_now(
                now=moment_of(options["as_of"]),
                draws=options["draws"],
                seed=options["seed"],
                workers=min(2, os.cpu_count() or 1),
                progress=None if options["json"] else self._show,
            )
        except (NoFirm, forecasting.NoPublishedPlan, forecasting.TooFarAheadError) as reason:
            raise CommandError(str(reason)) from reason
        if options["json"]:
            self.stdout.write(json.dumps(forecasts.forecast_as_json(forecast), indent=1))
        else:
            self._summarize(forecast)

    def _show(self, percent: int, text: str, total: float | None = None) -> None:
        if self.stderr.isatty():
            self.stderr.write(f"\r{percent:3d} % {text:<70}", ending="" if percent < 95 else "\n")

    def _summarize(self, forecast: Forecast) -> None:
        rows = list(forecasts.job_forecasts(forecast))
        self.stdout.write(
            f"Forecast {forecast.pk} of plan {forecast.plan_id}, {forecast.draws:,} draws: "
            f"{len(rows)} jobs."
        )
        for row in rows:
            if row.no_dates_because:
                self.stdout.write(f"  {row.job.number}: no dates, {row.no_dates_because}")
                continue
            likely, sure = _day(row.finish_p50), _day(row.finish_p80)
            kept = (
                ""
                if row.keep_chance is None
                else (f"; promised {row.promised_on}, kept with {row.keep_chance:.0%}")
            )
            self.stdout.write(
                f"  {row.job.number}: ends as likely before as after {likely}, "
                f"four times in five by {sure}{kept}"
            )


def _day(moment: Any) -> str:
    return "the end of what is simulated" if moment is None else f"{timezone.localdate(moment)}"
