"""What tests share that start servers and workers: ports that stay free, and patience."""

import os
import random
import socket
import time
from collections.abc import Callable
from typing import Any

# Far above what anything here takes: it only ends a wait for what will never come.
PATIENCE_SECONDS = 300
# Below those that the system hands to whoever connects (32768 and up on Linux): while a server is
# being started, or is stopped and to come back, a connection of another test could sit on its port.
FIRST_PORT, PORTS_OF_A_PROCESS = 20_000, 1_000


def free_port() -> int:
    """Return a port that nothing listens on; each process of `-n` has a range of its own."""
    number = os.environ.get("PYTEST_XDIST_WORKER", "").removeprefix("gw") or "11"
    first = FIRST_PORT + int(number) % 12 * PORTS_OF_A_PROCESS
    for port in random.SystemRandom().sample(range(first, first + PORTS_OF_A_PROCESS), 50):
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise AssertionError(f"Of 50 ports from {first} on, none is free.")


def wait_for(what: Callable[[], Any], name: str) -> Any:
    """Return the first answer that is true; fail by the name of what never came."""
    deadline = time.monotonic() + PATIENCE_SECONDS
    while not (found := what()):
        assert time.monotonic() < deadline, f"{name}: not within {PATIENCE_SECONDS} s"
        time.sleep(0.05)
    return found
