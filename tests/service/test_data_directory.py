"""The directory of the embedded database, the queue and the logs."""

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
