"""How many requests the live server is at, so that tests touch its rows when it rests."""

import time
from threading import Lock
from typing import Any

from django.core.handlers.wsgi import WSGIHandler
from django.core.signals import request_finished, request_started

LOOK_SECONDS, PATIENCE_SECONDS = 0.05, 60


class InFlight:
    """
    How many requests the live server is at.

    Those of Django's test client do not count: of an answer that a test leaves unread it never
    tells the end.
    """

    def __init__(self) -> None:
        self.count = 0
        self._turn = Lock()
        request_started.connect(self._begin)
        request_finished.connect(self._end)

    def _begin(self, sender: Any, **_: Any) -> None:
        self._change(sender, 1)

    def _end(self, sender: Any, **_: Any) -> None:
        self._change(sender, -1)

    def _change(self, sender: Any, by: int) -> None:
        if isinstance(sender, type) and issubclass(sender, WSGIHandler):
            with self._turn:
                self.count += by


IN_FLIGHT = InFlight()


def quiet(*, looks: int = 5) -> None:
    """Wait until the live server has been at nothing for so many looks in a row."""
    rested, until = 0, time.monotonic() + PATIENCE_SECONDS
    while rested < looks:
        assert time.monotonic() < until, "the live server never came to rest"
        time.sleep(LOOK_SECONDS)
        rested = rested + 1 if IN_FLIGHT.count == 0 else 0
