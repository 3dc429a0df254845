"""The directory of the embedded database, the queue and the logs, and settings left empty."""

import os
import stat
import subprocess
import sys
from pathlib import Path

from django.conf import settings


def test_what_the_service_writes_is_closed_to_other_people_of_the_computer(tmp_path: Path) -> None:
    var_dir = tmp_path / "var"

    subprocess.run(
        [sys.executable, "-c", "import contractor.settings"],
        cwd=settings.BASE_DIR,
        env=os.environ | {"VAR_DIR": str(var_dir)},
        check=True,
    )

    assert stat.S_IMODE(var_dir.stat().st_mode) == 0o700


def test_settings_that_are_empty_count_as_not_set(tmp_path: Path) -> None:
    names = ("DATABASE_URL", "REDIS_URL", "EMAIL_URL", "PUBLIC_URL", "MAIL_FROM", "SITE_ZONE")
    script = (
        "from contractor import settings as s; "
        "print(s.DATABASES['default']['NAME'], s.CELERY_BROKER_URL, s.EMAIL_BACKEND, s.PUBLIC_URL,"
        " s.TIME_ZONE, s.DEFAULT_FROM_EMAIL, sep='\\n')"
    )

    def told(environ: dict[str, str]) -> str:
        command = [sys.executable, "-c", script]
        return subprocess.run(
            command, cwd=settings.BASE_DIR, env=environ, check=True, capture_output=True, text=True
        ).stdout

    unset = {k: v for k, v in os.environ.items() if k not in names} | {"VAR_DIR": str(tmp_path)}

    by_default = told(unset)

    assert told(unset | dict.fromkeys(names, "")) == by_default
    assert str(tmp_path / "girtline.sqlite3") in by_default
