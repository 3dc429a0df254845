"""`manage.py health`: what runs and what does not, and what to do, where no page opens."""

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand

from contractor.health.facts import gather
from contractor.health.lines import Line, State, lines, worst


class Command(BaseCommand):
    """Tell of each part whether it is fine; the exit status is 1 where something is wrong."""

    help = "Tell what runs and what does not, and what to do. Exit status 1: something is wrong."
    requires_system_checks: list[str] = []  # it must speak when the database does not

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--json", action="store_true", help="print it as JSON")

    def handle(self, *args: Any, json: bool, **options: Any) -> None:
        found = lines(gather())
        self.stdout.write(_as_json(found) if json else "\n".join(map(_told, found)))
        if worst(found) is State.WRONG:
            raise SystemExit(1)


def _told(line: Line) -> str:
    told = [f"{line.state_word.upper():6}{line.title}: {line.words}"]
    told += [f"      {text}" for text in (line.do, line.command and f"$ {line.command}") if text]
    return "\n".join(told)


def _as_json(found: list[Line]) -> str:
    rows = [
        {
            "key": line.key,
            "state": line.state_word.lower(),
            "words": line.words,
            "do": line.do,
            "command": line.command,
        }
        for line in found
    ]
    return json.dumps(rows, indent=1)
