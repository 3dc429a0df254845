"""
Log lines without keys: whoever has such an address reads it, so no log may hold one.

Every line carries the number of its request or task; as JSON, one object a line, where
LOG_FORMAT asks for it.
"""

import json
import logging
import re
from datetime import UTC, datetime

from contractor.request_id import current

_KEY_IN_HEADER = re.compile(r"(\bToken |\bBearer |sessionid=|girtline_phone=)[^\s\"';,]+")
_KEY_IN_PATH = re.compile(r"(/feeds/|/buyer/|/phone/enroll/)[^\s\"'?]+", re.IGNORECASE)


def without_keys(text: str) -> str:
    """Return the text with the key of every address that is one left out."""
    return _KEY_IN_HEADER.sub(r"\1…", _KEY_IN_PATH.sub(r"\1…", text))


class KeylessFormatter(logging.Formatter):
    """Formats a record, its traceback included, without the keys in it."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the finished line."""
        record.number = current.get()
        return without_keys(super().format(record))


class RefusalsInOneLine(logging.Filter):
    """Takes the traceback off what was refused: the fault is the sender's, and anybody can send."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Let every record through, one that Django marks as answered with 4xx without a trace."""
        if 400 <= getattr(record, "status_code", 0) < 500:
            record.exc_info = record.exc_text = None
        return True


class JsonFormatter(KeylessFormatter):
    """Formats a record as one JSON object, for programs that gather logs."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the finished line; `id` is the number of the request or task."""
        line = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "id": current.get(),
            # Without keys before it is JSON: what follows a key would else be cut with it.
            "message": without_keys(record.getMessage()),
        }
        if record.exc_info:
            line["traceback"] = without_keys(self.formatException(record.exc_info))
        return json.dumps(line, ensure_ascii=False)
