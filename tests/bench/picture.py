"""
The README's picture: the booking board of the demo with a bar picked, as a browser shows it.

    python -m tests.bench.picture [--out docs/pictures/board.png] [--path /admin/board/]

Starts the demo with data of its own, signs in as the office, and saves what the
window shows with few enough colors that the file stays small. Needs Chromium.
"""

from __future__ import annotations

import argparse
import io
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from PIL import Image
from playwright.sync_api import sync_playwright

from tests.browser.conftest import CHROMIUM_ARGS
from tests.functional.test_demo_serves import free_port
from tests.needs import need_chromium

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).resolve().parents[2]
WINDOW = {"width": 1280, "height": 860}
COLORS = 128
# Work of a crew that is wide enough for its words.
PICKED = '.board-row[data-row^="crew-"] a.bar:has-text("Truss")'
READY_SECONDS = 900  # a first start compiles the planner
PAGE_SECONDS = 180


@contextmanager
def demo(folder: Path) -> Iterator[tuple[str, str, str]]:
    """Run the demo; give its address, and name and password of the office."""
    port = free_port()
    unset = ("DATABASE_URL", "REDIS_URL", "PUBLIC_URL")
    env = {name: value for name, value in os.environ.items() if name not in unset}
    out = folder / "out.txt"
    with out.open("wb") as said:
        process = subprocess.Popen(
            [sys.executable, "manage.py", "demo", "--port", str(port)],
            cwd=ROOT,
            env=env | {"VAR_DIR": str(folder)},
            stdout=said,
            stderr=subprocess.STDOUT,
        )
    try:
        deadline = time.monotonic() + READY_SECONDS
        while "Ctrl-C stops everything" not in out.read_text():
            if process.poll() is not None or time.monotonic() > deadline:
                raise SystemExit(f"the demo did not start:\n{out.read_text()}")
            time.sleep(0.5)
        found = re.search(r"^    (office)\s+(\S+)", out.read_text(), re.MULTILINE)
        if found is None:
            raise SystemExit(f"the demo told no sign-in of the office:\n{out.read_text()}")
        yield f"http://localhost:{port}", found[1], found[2]
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(timeout=60)


def taken(address: str, name: str, password: str, path: str) -> bytes:
    """Return what the window shows at a path, as PNG."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=need_chromium(), args=CHROMIUM_ARGS)
        page = browser.new_page(viewport=WINDOW, reduced_motion="reduce")
        page.set_default_timeout(PAGE_SECONDS * 1000)
        page.goto(f"{address}/admin/login/?next={path}")
        page.get_by_label("Username").fill(name)
        page.get_by_label("Password").fill(password)
        page.get_by_role("button", name="Log in").click()
        page.wait_for_load_state("networkidle")
        if page.locator("#board").count():
            page.wait_for_selector("#board[data-ready]")  # drawn to fill the window
            page.locator(PICKED).first.click()
            page.get_by_role("heading", name="Why it is where it is").wait_for()
        shown = page.screenshot()
        browser.close()
    return shown


def small(picture: bytes) -> Image.Image:
    """Return a picture in few colors."""
    return Image.open(io.BytesIO(picture)).convert("RGB").quantize(COLORS, dither=Image.Dither.NONE)


def main() -> None:
    """Start the demo, take the picture, save it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1])
    parser.add_argument("--out", type=Path, default=ROOT / "docs/pictures/board.png")
    parser.add_argument("--path", default="/admin/board/")
    asked = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as folder,
        demo(Path(folder)) as (address, name, password),
    ):
        shown = small(taken(address, name, password, asked.path))
    asked.out.parent.mkdir(parents=True, exist_ok=True)
    shown.save(asked.out, optimize=True)
    print(f"{asked.out}: {asked.out.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
