"""`manage.py load FILE…`: rows from CSV files, all or nothing."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from jobs.services.loading import LoadFailed, load


class Command(BaseCommand):
    """Load CSV files named for what they hold, like jobs.csv; docs/import.md has the columns."""

    help = "Load CSV files named for what they hold, like jobs.csv (docs/import.md)."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
        parser.add_argument(
            "--dry-run", action="store_true", help="check everything and store nothing"
        )

    def handle(self, *args: Any, files: list[Path], dry_run: bool, **options: Any) -> None:
        try:
            report = load(paths=files, dry_run=dry_run, now=timezone.now())
        except LoadFailed as failed:
            for error in failed.errors:
                self.stderr.write(str(error))
            count = len(failed.errors)
            raise CommandError(
                f"{count} {'error' if count == 1 else 'errors'}, nothing was stored."
            ) from None
        for kind, count in report.counts.items():
            self.stdout.write(f"{count:6} {kind}")
        if options["verbosity"] > 1:
            for caution in report.cautions:
                self.stdout.write(f"caution: {caution}")
        elif report.cautions:
            self.stdout.write(f"{len(report.cautions)} cautions; --verbosity 2 shows them.")
        self.stdout.write("Checked, nothing was stored." if dry_run else "Loaded.")
