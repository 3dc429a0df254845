"""What counts requests of the live server knows of each end."""

from io import BytesIO, StringIO
from typing import Any

import pytest
from django.core.servers.basehttp import ServerHandler

from tests.browser.in_flight import IN_FLIGHT

HEAD = {"REQUEST_METHOD": "POST", "PATH_INFO": "/feeds/", "CONTENT_LENGTH": "9"}


class Gone(BytesIO):
    """What a reader that hung up leaves to be read."""

    def read(self, *_: Any) -> bytes:
        raise ConnectionResetError


@pytest.mark.parametrize("reader", [BytesIO(b"an answer"), Gone()])
def test_a_request_is_in_flight_until_its_answer_ends(reader: BytesIO) -> None:
    seen = []

    def application(environ: dict[str, Any], start_response: Any) -> list[bytes]:
        seen.append(IN_FLIGHT.told())
        start_response("200 OK", [("Content-Length", "2")])
        return [b"ok"]

    handler = ServerHandler(reader, BytesIO(), StringIO(), dict(HEAD))
    handler.request_handler = Server()
    handler.run(application)

    assert seen == ["POST /feeds/"]
    assert IN_FLIGHT.told() == ""


class Server:
    """As much of a server as an answer asks for."""

    server = None
    close_connection = False

    def log_request(self, *_: Any) -> None:
        """Write nothing."""
