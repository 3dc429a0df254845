"""`manage.py plan`: plan all open work now and say what came out."""

import json
from argparse import ArgumentParser
from datetime import datetime
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from crews.selectors import NoFirm
from jobs.models import Plan
from jobs.selectors import plan_json, plans
from jobs.services import planning, publishing
from jobs.services.loading_cells import FIRST_YEAR, LAST_YEAR, CellError, at_site

# The most that the column of the row holds in every database.
LARGEST_SEED = 2**31 - 1


class Command(BaseCommand):
    """Make a draft of all open work; publish it if asked to."""

    help = "Plan all open work. The draft is stored; --publish makes it the plan crews see."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the options."""
        parser.add_argument(
            "--seconds", type=float, default=5.0, help="How long to improve the first plan."
        )
        parser.add_argument("--seed", type=int, default=1, help="Seed of the improvement.")
        parser.add_argument(
            "--as-of", help="Plan from this moment, ISO 8601; without an offset it is site time."
        )
        parser.add_argument("--publish", action="store_true", help="Publish the draft.")
        parser.add_argument("--json", action="store_true", help="Print the plan as JSON.")

    def handle(self, *args: Any, **options: Any) -> None:
        """Plan, publish if asked, print."""
        if not 0 <= options["seconds"] <= 3600:
            raise CommandError(f"--seconds {options['seconds']:g}: write 0 to 3600.")
        if not 0 <= options["seed"] <= LARGEST_SEED:
            raise CommandError(f"--seed {options['seed']}: write 0 to {LARGEST_SEED}.")
        now = moment_of(options["as_of"])
        try:
            plan = planning.plan_now(
                now=now,
                budget_seconds=options["seconds"],
                seed=options["seed"],
                progress=None if options["json"] else self._show,
            )
            if options["publish"]:
                publishing.publish(plan_id=plan.pk, now=timezone.now())
                plan.refresh_from_db()
        except (NoFirm, planning.TooFarAheadError, publishing.PublishRefused) as reason:
            raise CommandError(str(reason)) from reason
        if options["json"]:
            self.stdout.write(json.dumps(plan_json.plan_as_json(plan), indent=1))
        else:
            self._summarize(plan)

    def _show(self, percent: int, text: str, total: float | None = None) -> None:
        if self.stderr.isatty():
            cost = "" if total is None else f", cost {total:,.1f}"
            line = f"\r{percent:3d} % {text + cost:<70}"
            self.stderr.write(line, ending="" if percent < 95 else "\n")

    def _summarize(self, plan: Plan) -> None:
        rows = plans.promises(plan)
        late = [row for row in rows if row.days_late]
        self.stdout.write(
            f"Plan {plan.pk} ({plan.get_status_display().lower()}), made in {plan.seconds:.2f} s "
            f"by {plan.source}: {plan.bookings.count()} bookings for {len(rows)} jobs, "
            f"{len(late)} promises late, {len(plan.unplanned)} phases without dates."
        )
        self.stdout.write(f"  {_cost_words(plan)}")
        for row in late:
            self.stdout.write(
                f"  {row.job.number}: promised {row.promised_on}, planned "
                f"{row.planned_finish_on}, {row.days_late} days late"
            )
        for entry in plan.unplanned:
            self.stdout.write(f"  {entry['job']} {entry['label']}: {entry['reason']}")


def _cost_words(plan: Plan) -> str:
    """Return what a plan costs, what improving gained, and how much better one could be."""
    found = plan.objective
    gained = f", {plan.gained:,.1f} gained" if plan.gained else ""
    tried = f"{found['iterations']:,} plans tried{gained}"
    return f"Cost {found['total']:,.1f}, {tried}; {plans.bound_words(plan)}."


def moment_of(text: str | None) -> datetime:
    """Return the moment that --as-of names, now without one. Raises CommandError."""
    if text is None:
        return timezone.now()
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise CommandError(
            f"--as-of {text}: not a moment. Write ISO 8601, like 2026-06-01T07:00."
        ) from None
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        raise CommandError(
            f"--as-of {text}: the year is not between {FIRST_YEAR} and {LAST_YEAR}. Correct it."
        )
    if timezone.is_aware(moment):
        return moment
    try:
        return at_site(moment, timezone.get_default_timezone())
    except CellError as reason:
        raise CommandError(f"--as-of {text}: {reason}") from None
