"""Log lines without keys: whoever has such an address reads it, so no log may hold one."""

import logging
import re

_KEY_IN_PATH = re.compile(r"(/feeds/|/buyer/|/phone/enroll/)[^\s\"'?]+", re.IGNORECASE)


def without_keys(text: str) -> str:
    """Return the text with the key of every address that is one left out."""
    return _KEY_IN_PATH.sub(r"\1…", text)


class KeylessFormatter(logging.Formatter):
    """Formats a record, its traceback included, without the keys in it."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the finished line."""
        return without_keys(super().format(record))
