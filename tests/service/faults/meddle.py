"""What a process of these tests does to itself: stop at a call, be an hour ahead, or fail."""

import importlib
import os
import time
from pathlib import Path
from typing import Any

import time_machine


def meddle() -> None:
    """
    Do what the environment asks for, once Django is set up.

    PAUSE_AT names a function, like jobs.services.publishing:replace_feed_events; it writes
    PAUSE_FILE when it is reached and then waits to be killed. CLOCK_AHEAD sets this process's
    clock ahead by seconds. FAIL_KIND lets tasks of that kind fail.
    """
    if where := os.environ.get("PAUSE_AT"):
        _pause_at(*where.split(":"))
    if seconds := os.environ.get("CLOCK_AHEAD"):
        time_machine.travel(time.time() + float(seconds), tick=True).start()
    if kind := os.environ.get("FAIL_KIND"):
        from jobs.services import task_requests

        task_requests.HANDLERS[kind] = _fails  # type: ignore[index]


def _pause_at(module_name: str, name: str) -> None:
    owner: Any = importlib.import_module(module_name)
    *path, last = name.split(".")
    for part in path:
        owner = getattr(owner, part)
    real = getattr(owner, last)

    def paused(*given: Any, **named: Any) -> Any:
        if os.environ.get("PAUSE_AFTER"):
            real(*given, **named)
        Path(os.environ["PAUSE_FILE"]).write_text(str(os.getpid()))
        time.sleep(600)

    setattr(owner, last, paused)


def _fails(**given: object) -> str:
    raise RuntimeError("this task always fails")
