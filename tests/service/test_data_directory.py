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


def test_the_made_secret_is_its_owners_alone_and_one_in_a_file_takes_its_place(
    tmp_path: Path,
) -> None:
    """Source: OWASP ASVS 4.0.3, 2.10.4 and 6.4.1 (secrets apart from code), from memory."""
    given = tmp_path / "given"
    given.write_text("girts at 24 inches, purlins too")
    names = ("SECRET_KEY", "SECRET_KEY_FILE")
    unset = {name: value for name, value in os.environ.items() if name not in names}

    def secret(**more: str) -> str:
        return subprocess.run(
            [sys.executable, "-c", "from contractor import settings as s; print(s.SECRET_KEY)"],
            cwd=settings.BASE_DIR,
            env=unset | {"VAR_DIR": str(tmp_path / "var")} | more,
            check=True,
            capture_output=True,
            text=True,
        ).stdout.strip()

    made = tmp_path / "var" / "secret_key"
    assert secret() == secret() == made.read_text()
    assert stat.S_IMODE(made.stat().st_mode) == 0o600
    assert secret(SECRET_KEY_FILE=str(given)) == given.read_text()


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
