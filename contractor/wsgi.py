"""Entry point for gunicorn."""

import os
from threading import Thread

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "contractor.settings")

application = get_wsgi_application()


def _make_engine_ready() -> None:
    from contractor.engine.collector import keep_for_good
    from contractor.engine.warm import warm_up

    warm_up()
    keep_for_good()


# Beside the first requests: those that do not plan need not wait for it.
Thread(target=_make_engine_ready, name="warm-up", daemon=True).start()
