"""A real mail server on this computer, whose messages are parsed by the standard library."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any

from aiosmtpd.controller import Controller

from tests.processes import free_port


@dataclass
class Inbox:
    """What the server has taken, in order; `refuses` answers addresses with a code instead."""

    messages: list[EmailMessage] = field(default_factory=list)
    refuses: dict[str, str] = field(default_factory=dict)
    port: int = 0

    def to(self, address: str) -> list[EmailMessage]:
        """Return the messages to one address."""
        return [message for message in self.messages if address in str(message["To"])]

    async def handle_RCPT(  # noqa: N802 - the server calls it so
        self, server: Any, session: Any, envelope: Any, address: str, options: Any
    ) -> str:
        """Take or refuse a recipient."""
        if address in self.refuses:
            return self.refuses[address]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        """Keep a message as the standard library reads it."""
        message = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(message, EmailMessage)
        assert not message.defects
        self.messages.append(message)
        return "250 OK"


@contextmanager
def mail_server(port: int = 0) -> Iterator[Inbox]:
    """Run a server on a port of this computer; 0 is any free one."""
    inbox = Inbox()
    controller = Controller(inbox, hostname="127.0.0.1", port=port or free_port())
    controller.start()
    inbox.port = controller.port
    try:
        yield inbox
    finally:
        controller.stop()
