"""Real servers on the loopback interface: mail, web, and one that never comes to an end."""

from __future__ import annotations

import email
import email.policy
import json
import socket
import threading
import warnings
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import TYPE_CHECKING, Any, Final

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

if TYPE_CHECKING:
    from collections.abc import Iterator
    from email.message import EmailMessage

    from aiosmtpd.smtp import SMTP, Envelope, Session

HERE: Final = "127.0.0.1"
PEOPLE: Final = "from=verifier@garden.example&to=curator@garden.example"


def free_port() -> int:
    """Return a port on which nobody listens."""
    with socket.socket() as one:
        one.bind((HERE, 0))
        return int(one.getsockname()[1])


@dataclass
class Mailbox:
    """Takes mail as a server does, and keeps it."""

    port: int
    login: tuple[str, str] | None = None
    """User and password that are asked for; None lets everybody in."""
    taken: list[bytes] = field(default_factory=list)
    recipients: list[str] = field(default_factory=list)

    @property
    def mails(self) -> list[EmailMessage]:
        """What arrived, parsed by the standard library."""
        return [email.message_from_bytes(one, policy=email.policy.default) for one in self.taken]

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802
        """Take one mail."""
        assert isinstance(envelope.content, bytes)
        self.taken.append(envelope.content)
        self.recipients += envelope.rcpt_tos
        return "250 OK"

    def admit(self, _server: SMTP, _session: Session, _envelope: Envelope, _mechanism: str, data: Any) -> AuthResult:
        """Ask for user and password."""
        given = isinstance(data, LoginPassword) and (data.login.decode(), data.password.decode())
        return AuthResult(success=given == self.login, handled=False)


@contextmanager
def mail_server(login: tuple[str, str] | None = None, port: int | None = None) -> Iterator[Mailbox]:
    """Run a mail server without encryption."""
    box = Mailbox(port or free_port(), login)
    asks: dict[str, Any] = (
        {} if login is None else {"authenticator": box.admit, "auth_required": True, "auth_require_tls": False}
    )
    with warnings.catch_warnings():
        # The server warns of passwords without encryption, and of what it does itself when it lets somebody in.
        warnings.filterwarnings("ignore", "Requiring AUTH while not requiring TLS", UserWarning)
        warnings.filterwarnings("ignore", "Session.login_data is deprecated", DeprecationWarning)
        controller = Controller(box, hostname=HERE, port=box.port, **asks)
        controller.start()
        try:
            yield box
        finally:
            controller.stop()


@dataclass
class Hook:
    """Takes what is posted, and keeps it."""

    port: int
    posts: list[dict[str, Any]] = field(default_factory=list)
    paths: list[str] = field(default_factory=list)


@contextmanager
def web_server(status: int = 200, port: int = 0) -> Iterator[Hook]:
    """Run a web server that answers every post with a status."""

    class Answer(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            """Take one post."""
            hook.posts.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            hook.paths.append(self.path)
            self.send_response(status)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = HTTPServer((HERE, port), Answer)
    hook = Hook(server.server_port)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield hook
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@contextmanager
def endless_server() -> Iterator[int]:
    """Run a mail server whose greeting has one more line every tenth of a second, and no end; gives its port.

    No time limit on a single answer ends that.
    """
    over = threading.Event()

    def greet() -> None:
        with suppress(OSError):
            caller, _ = server.accept()
            with caller, suppress(OSError):
                while not over.wait(0.1):
                    caller.sendall(b"220-wait a little\r\n")

    with socket.create_server((HERE, 0)) as server:
        server.settimeout(10)
        thread = threading.Thread(target=greet)
        thread.start()
        try:
            yield server.getsockname()[1]
        finally:
            over.set()
            thread.join()
