"""`manage.py backup DIR`: everything in one file, while the service runs."""

from argparse import ArgumentParser
from datetime import UTC
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from jobs.services.backups import BackupRefused, back_up


class Command(BaseCommand):
    """Write the database and all photos into one file."""

    help = "Write the database and all photos into one file; restore puts them back."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("folder", type=Path, metavar="DIR")
        parser.add_argument(
            "--keep", type=int, default=0, metavar="N", help="remove all but the newest N"
        )

    def handle(self, *args: Any, folder: Path, keep: int, **options: Any) -> None:
        if keep < 0:
            raise CommandError(f"--keep {keep}: give 1 or more, or leave it out to keep all.")
        try:
            made = back_up(folder=folder, now=timezone.now().astimezone(UTC), keep=keep)
        except BackupRefused as refused:
            raise CommandError(str(refused)) from refused
        self.stdout.write(f"{made.path}: {made.size_bytes:,} bytes, {made.photos} photos")
