"""`manage.py restore FILE`: a backup in place of what is there, in one step."""

from argparse import ArgumentParser
from datetime import datetime
from pathlib import Path
from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError

from jobs.services.backups import BackupRefused, restore
from jobs.services.heartbeats import note_backup


class Command(BaseCommand):
    """Put a backup in place; stop the service first."""

    help = "Put a backup in place of the database and photos; stop the service first."
    requires_system_checks: list[str] = []  # a destroyed database must not keep it from starting

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, metavar="FILE")
        parser.add_argument(
            "--replace", action="store_true", help="replace the jobs that are there"
        )

    def handle(self, *args: Any, file: Path, replace: bool, **options: Any) -> None:
        try:
            told = restore(path=file, replace=replace)
        except BackupRefused as refused:
            raise CommandError(str(refused)) from refused
        call_command("migrate", interactive=False, verbosity=0)
        # The copy was made before its own note, so what came back does not know of it.
        note_backup(now=datetime.fromisoformat(told["made_at"]))
        photos = sum(name.startswith("media/") for name in told["parts"])
        self.stdout.write(f"Restored what was there at {told['made_at']}, {photos} photos.")
