"""Gunicorn's access log without keys: `gunicorn --logger-class contractor.access_log.AccessLog`."""

from typing import Any

from gunicorn.glogging import Logger

from contractor.logs import without_keys


class AccessLog(Logger):  # type: ignore[misc, unused-ignore]  # gunicorn comes without types
    """Writes each request as usual, with the keys of feed addresses left out."""

    def atoms(self, resp: Any, req: Any, environ: Any, request_time: Any) -> dict[str, Any]:
        """Return the parts that a line of the log is made of."""
        parts = super().atoms(resp, req, environ, request_time)
        return {
            name: without_keys(value) if isinstance(value, str) else value
            for name, value in parts.items()
        }
