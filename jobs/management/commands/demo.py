"""`manage.py demo`: an invented firm, planned, published and served, with one command."""

import os
import sys
from argparse import ArgumentParser
from datetime import datetime
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from contractor import roles
from contractor.engine.warm import warm_up
from jobs.management.serving import ChildEnded, Children, port_is_free, wait_for_port
from jobs.services import demo

DEFAULT_PORT = 8000
WEB_WORKERS, WEB_THREADS = 2, 4
# A sign-in that opens nothing yet is told as such, beside the others.
CLOSED_TO = {roles.CREW_LEAD: " (no office pages: a lead has the crew's page and calendar)"}


class Command(BaseCommand):
    """Set up the demo firm and serve it until Ctrl-C."""

    help = "Load an invented firm, plan and publish its work, and serve it until Ctrl-C."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--port", type=int, default=DEFAULT_PORT)
        parser.add_argument("--no-serve", action="store_true", help="set up, print and end")
        parser.add_argument(
            "--seconds", type=float, default=5.0, help="time for improving the plan (default 5)"
        )

    def handle(self, *args: Any, port: int, no_serve: bool, seconds: float, **options: Any) -> None:
        if not 1 <= port <= 65535:
            raise CommandError(f"--port {port}: not a port. Choose 1024 to 65535.")
        if not no_serve and not port_is_free(port):
            raise CommandError(
                f"--port {port}: something listens there already, perhaps another demo. "
                f"End it, or choose another: manage.py demo --port {port + 1}"
            )
        base = os.environ.get("PUBLIC_URL", "").rstrip("/") or f"http://localhost:{port}"
        try:
            lines = self._prepare(timezone.now(), base, seconds)
            if no_serve:
                self._print(lines)
            else:
                self._serve(port, base, lines)
        except KeyboardInterrupt:
            self.stdout.write("Stopped. Run it again to go on.")

    def _prepare(self, now: datetime, base: str, seconds: float) -> list[str]:
        """Set everything up and return the lines that tell where to go."""
        self._say("Making the database ready")
        call_command("migrate", verbosity=0)
        self._say("Loading the demo firm")
        if demo.load_firm(now=now):
            demo.arrange_days(now=now)
        else:
            self._say("A firm is there already; it stays as it is")
        people = demo.sign_ins(store=Path(settings.VAR_DIR) / "demo-sign-ins.txt")
        self._say("Making the planner ready, which takes a minute the first time")
        warm_up()
        self._say("Planning all open work and publishing the plan")
        if demo.publish_a_plan(now=now, budget_seconds=seconds):
            self._say("Letting a part be missing and proposing what follows")
            demo.miss_a_part(now=now)
        else:
            self._say("A plan is published already; it stays as it is")
        self._say("Forecasting when each job will end")
        demo.forecast_the_plan(now=now)
        where = [
            "",
            f"  Sign in          {base}/admin/",
            *sign_in_lines(people),
            f"  Owner's API      {base}/api/v1/   (described at {base}/api/v1/schema/)",
            f"  Health           {base}/health/",
        ]
        if not people:
            return [*where, ""]
        token = demo.owner_token(store=Path(settings.VAR_DIR) / "demo-api-token.txt", now=now)
        crews = [(crew.name, url) for crew, url in demo.readers(now=now)]
        phones = [(crew.name, url) for crew, url in demo.phone_links(now=now)]
        page = demo.buyers_page(now=now)
        buyers = [(f"Job {page[0].number}", page[1])] if page else []
        return [
            *where,
            "  Page of each crew, to open on a phone; a link lets in one phone, then it is used up",
            *link_lines(base, phones),
            "  Key to the API",
            f"    Authorization: Token {token}",
            "  Page of a job's buyer",
            *link_lines(base, buyers),
            "  Calendar of each crew, to subscribe to",
            *link_lines(base, crews),
            "  Calendars of others",
            *link_lines(base, demo.calendars_beside_crews(now=now)),
            "",
        ]

    def _serve(self, port: int, base: str, lines: list[str]) -> None:
        """Run web, worker and beat together until Ctrl-C or until one of them ends."""
        log_dir = Path(settings.VAR_DIR) / "log"
        env = os.environ | {"PUBLIC_URL": base, "PYTHONUNBUFFERED": "1"}
        self._say("Starting web, worker and beat")
        try:
            with Children(log_dir=log_dir, env=env, cwd=settings.BASE_DIR) as children:
                for name, command in _programs(port).items():
                    children.start(name, [sys.executable, "-m", *command])
                if wait_for_port(port, children):
                    self._print(lines)
                    self.stdout.write(f"Serving; logs in {log_dir}. Ctrl-C stops everything.")
                    self.stdout.flush()
                while not children.is_asked_to_stop:
                    children.look()
                self._say("Stopping, which takes a few seconds")
        except ChildEnded as ended:
            raise CommandError(str(ended)) from None
        self._say("Stopped")

    def _say(self, text: str) -> None:
        self.stdout.write(f"· {text}")
        self.stdout.flush()

    def _print(self, lines: list[str]) -> None:
        self.stdout.write("\n".join(lines))


def sign_in_lines(people: list[demo.SignIn]) -> list[str]:
    """Return a line for each sign-in, or one that says whose accounts open the door."""
    if not people:
        return ["    with the accounts that are there; the demo has added none"]
    changed = "(changed since; manage.py changepassword sets a new one)"
    return [
        f"    {p.username:8} {p.password or changed}   {p.role}{CLOSED_TO.get(p.role, '')}"
        for p in people
    ]


def link_lines(base: str, links: list[tuple[str, str]]) -> list[str]:
    """Return a line for each name and address, as they are reached under `base`."""
    width = max((len(name) for name, _ in links), default=0)
    return [
        f"    {name:{width}}  {base}{url.removeprefix(settings.PUBLIC_URL)}" for name, url in links
    ]


def _programs(port: int) -> dict[str, list[str]]:
    """Return the command of each program, as arguments after `python -m`."""
    celery = ["celery", "-A", "contractor.celery"]
    return {
        "web": [
            "gunicorn",
            "contractor.wsgi",
            "--bind",
            f"127.0.0.1:{port}",
            "--workers",
            str(WEB_WORKERS),
            "--threads",
            str(WEB_THREADS),
            "--access-logfile",
            "-",
            "--logger-class",
            "contractor.access_log.AccessLog",
        ],
        "worker": [
            *celery,
            "worker",
            "--concurrency",
            "1",
            "--without-mingle",
            "--without-gossip",
        ],
        "beat": [*celery, "beat"],
    }
