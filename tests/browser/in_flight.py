"""What the live server is at, so that tests touch its rows when it rests."""

import time
from threading import Lock
from typing import Any

from django.core.servers.basehttp import ServerHandler

from tests.processes import PATIENCE_SECONDS

LOOK_SECONDS = 0.05


class InFlight:
    """
    The requests that the live server is at, each from its head to the end of its answer.

    Django's signals of a request do not do: the end of one whose reader is gone need not be told.
    """

    def __init__(self) -> None:
        self._turn = Lock()
        self._at: dict[int, str] = {}
        self._answer = ServerHandler.run

    def run(self, handler: Any, application: Any) -> None:
        """Answer one request, as `ServerHandler.run` does."""
        with self._turn:
            self._at[id(handler)] = "{REQUEST_METHOD} {PATH_INFO}".format_map(handler.base_env)
        try:
            self._answer(handler, application)
        finally:
            with self._turn:
                del self._at[id(handler)]

    def told(self) -> str:
        """Return method and path of each."""
        with self._turn:
            return ", ".join(self._at.values())


IN_FLIGHT = InFlight()
ServerHandler.run = lambda handler, application: IN_FLIGHT.run(handler, application)


def quiet(*, looks: int = 5) -> None:
    """Wait until the live server has been at nothing for so many looks in a row."""
    rested, until = 0, time.monotonic() + PATIENCE_SECONDS
    while rested < looks:
        at = IN_FLIGHT.told()
        assert time.monotonic() < until, f"the live server never came to rest: {at}"
        time.sleep(LOOK_SECONDS)
        rested = 0 if IN_FLIGHT.told() else rested + 1
