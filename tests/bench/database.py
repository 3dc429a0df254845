"""A database of its own for programs that measure, made empty and thrown away."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def own_database() -> Iterator[None]:
    """Set Django up on a new database: SQLite in memory, or beside the one of DATABASE_URL."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "contractor.settings")
    os.environ.setdefault("LOG_LEVEL", "WARNING")
    with tempfile.TemporaryDirectory(prefix="girtline-bench-") as folder:
        os.environ["VAR_DIR"] = folder
        import django

        django.setup()
        from django.conf import settings
        from django.test.utils import get_runner, setup_test_environment, teardown_test_environment

        from contractor.engine.warm import warm_up

        setup_test_environment()
        runner = get_runner(settings)(verbosity=0, interactive=False)
        old = runner.setup_databases()
        try:
            warm_up()
            yield
        finally:
            runner.teardown_databases(old)
            teardown_test_environment()
