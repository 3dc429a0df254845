"""
Running several programs as one: they start together, and when one ends all end.

Each child leads a session of its own, so that Ctrl-C at the terminal reaches this process only and
the children are stopped in an orderly way, with everything that they have started.
"""

import os
import signal
import socket
import subprocess
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import IO

__all__ = ["ChildEnded", "Children", "port_is_free", "wait_for_port"]

STOP_SECONDS = 20.0
LOOK_EVERY_SECONDS = 0.2


class ChildEnded(Exception):  # noqa: N818 - what happened, not a defect
    """A child ended by itself; the others were stopped."""


@dataclass(frozen=True, slots=True)
class _Child:
    name: str
    process: "subprocess.Popen[bytes]"
    log: IO[bytes]


class Children:
    """The programs that run together. Use it in a `with`: leaving it stops them all."""

    def __init__(self, *, log_dir: Path, env: Mapping[str, str], cwd: Path) -> None:
        self._log_dir = log_dir
        self._env = dict(env)
        self._cwd = cwd
        self._children: list[_Child] = []
        self._asked_to_stop = 0
        self._former: dict[int, object] = {}

    def __enter__(self) -> "Children":
        self._log_dir.mkdir(parents=True, exist_ok=True)
        for number in (signal.SIGINT, signal.SIGTERM):
            self._former[number] = signal.signal(number, self._on_signal)
        return self

    def __exit__(self, *exc_info: object) -> None:
        try:
            self._stop_all()
        finally:
            for number, handler in self._former.items():
                signal.signal(number, handler)  # type: ignore[arg-type]

    def start(self, name: str, command: Sequence[str]) -> None:
        """Start one program; what it says goes to its own file in the log directory."""
        log = (self._log_dir / f"{name}.log").open("ab")
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
            env=self._env,
            cwd=self._cwd,
            start_new_session=True,
        )
        self._children.append(_Child(name, process, log))

    @property
    def is_asked_to_stop(self) -> bool:
        """Return whether Ctrl-C or a termination signal has come."""
        return self._asked_to_stop > 0

    def look(self) -> None:
        """
        Wait a moment and look after the children.

        Raises
        ------
        ChildEnded
            If one is not running any more.
        """
        time.sleep(LOOK_EVERY_SECONDS)
        for child in self._children:
            code = child.process.poll()
            if code is not None and not self.is_asked_to_stop:
                raise ChildEnded(
                    f"{child.name} ended by itself (exit code {code}); the others were stopped. "
                    f"See {self._log_dir / child.name}.log."
                )

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        self._asked_to_stop += 1

    def _stop_all(self) -> None:
        """Ask every child to end, wait, and end what is left, grandchildren too."""
        deadline = time.monotonic() + STOP_SECONDS
        asked_before = self._asked_to_stop
        for child in self._children:
            if child.process.poll() is None:
                child.process.terminate()
        while any(child.process.poll() is None for child in self._children):
            is_impatient = self._asked_to_stop > max(asked_before, 1)
            if is_impatient or time.monotonic() > deadline:
                break
            time.sleep(LOOK_EVERY_SECONDS / 4)
        for child in self._children:
            with suppress(ProcessLookupError):
                os.killpg(child.process.pid, signal.SIGKILL)
            child.process.wait()
            child.log.close()


def port_is_free(port: int) -> bool:
    """Return whether nothing listens on the port of this computer."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True


def wait_for_port(port: int, children: Children) -> bool:
    """Return True once something listens on the port, or False if we are asked to stop first."""
    while not children.is_asked_to_stop:
        children.look()
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return True
    return False
