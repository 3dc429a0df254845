"""`manage.py dump DIR`: the rows as CSV files that `load` reads."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from jobs.services.dumping import DumpRefused, dump


class Command(BaseCommand):
    """Write one CSV file for each kind of row into a directory."""

    help = "Write one CSV file for each kind of row into a directory; load reads them back."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("directory", type=Path, metavar="DIR")

    def handle(self, *args: Any, directory: Path, **options: Any) -> None:
        try:
            counts = dump(directory=directory)
        except (DumpRefused, OSError) as error:
            raise CommandError(str(error)) from error
        for kind, count in counts.items():
            self.stdout.write(f"{count:6} {kind}")
