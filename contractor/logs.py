"""
Log lines without keys: whoever has such an address reads it, so no log may hold one.

Every line carries the number of its request or task; as JSON, one object a line, where
LOG_FORMAT asks for it.
"""

import json
import logging
import re
from datetime import UTC, datetime

from django.http import HttpRequest

from contractor.request_id import current
from contractor.senders import address_of, person_of

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
    """
    Tells of what was refused where it came from, and whom; without a traceback.

    The fault is the sender's, and anybody can send. Source: OWASP ASVS 4.0.3, 7.2.2, from memory.
    """

    def filter(self, record: logging.LogRecord) -> bool:
        """Let every record through; one that Django marks as answered with 4xx with its sender."""
        status = getattr(record, "status_code", 0)
        if 400 <= status < 500:
            record.exc_info = record.exc_text = None
            request = getattr(record, "request", None)
            if isinstance(request, HttpRequest):
                whom = f"{person_of(request)}, " if status in (401, 403) else ""
                told = f"{record.getMessage()} ({whom}{address_of(request)})"
                record.msg, record.args = "%s", (told,)
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
