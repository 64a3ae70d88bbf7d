"""A page served to the own machine: 127.0.0.1 only, by a token in the address, small messages."""

from __future__ import annotations

import json
import secrets
import threading
from collections.abc import Callable
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Protocol

from returnflow.live.moves import RefusedError, RequestError
from returnflow.resistive.linear import NumericalError
from returnflow_geometry.casefile.read import CaseError
from returnflow_geometry.mesh.mesher import MeshError
from returnflow_geometry.model.overlay import ShapeError

LARGEST = 64_000  # bytes of a message
PATIENCE = 20  # seconds for a message to arrive


class Answers(Protocol):
    """Whatever answers the messages of a page, such as a `Desk`."""

    def answer(self, what: str, message: object) -> dict[str, Any]:
        """Answer a message, or raise an error that says what is wrong with it; then nothing has changed."""


class LiveServer(ThreadingHTTPServer):
    """
    Serves one page and answers what it asks for, one thing at a time.

    Parameters
    ----------
    page : str
        HTML.
    desk : Answers
    port : int
        0 for any that is free.
    """

    daemon_threads = True

    def __init__(self, page: str, desk: Answers, port: int = 0) -> None:
        self.page, self.desk = page.encode(), desk
        self.token = secrets.token_urlsafe(18)
        self.busy = threading.Lock()
        super().__init__(("127.0.0.1", port), _Handler)

    @property
    def address(self) -> str:
        """Where the page is: to be opened on this machine by whoever knows the token."""
        return f"http://127.0.0.1:{self.server_port}/{self.token}/"


class _Handler(BaseHTTPRequestHandler):
    server: LiveServer
    timeout = PATIENCE
    server_version = "returnflow"
    sys_version = ""

    def do_GET(self) -> None:
        if self._trusted("") and self.path == f"/{self.server.token}/":
            self._send(HTTPStatus.OK, "text/html; charset=utf-8", self.server.page)
        else:
            self._refuse(HTTPStatus.NOT_FOUND, "There is nothing here.")

    def do_POST(self) -> None:
        what = self.path.removeprefix(f"/{self.server.token}/")
        if not self._trusted("application/json") or what == self.path:
            self._refuse(HTTPStatus.NOT_FOUND, "There is nothing here.")
            return
        size = self.headers.get("Content-Length", "")
        if not size.isdigit() or int(size) > LARGEST:
            self.close_connection = True
            self._refuse(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, f"A message has at most {LARGEST} bytes.")
            return
        try:
            message = json.loads(self.rfile.read(int(size)))
        except (ValueError, RecursionError):
            self._refuse(HTTPStatus.BAD_REQUEST, "The message is not JSON.")
            return
        try:
            with self.server.busy:
                answer = self.server.desk.answer(what, message)
        except RefusedError as error:
            self._refuse(HTTPStatus.OK, str(error))
            return
        except (RequestError, CaseError, MeshError, NumericalError, ShapeError, OSError) as error:
            self._refuse(HTTPStatus.BAD_REQUEST, str(error))
            return
        self._answer(HTTPStatus.OK, answer)

    def _trusted(self, kind: str) -> bool:
        """Whether the browser means this server, and no other site's page asks."""
        here = {f"{name}:{self.server.server_port}" for name in ("127.0.0.1", "localhost")}
        origin = self.headers.get("Origin")
        asked = self.headers.get("Content-Type", "").partition(";")[0].strip()
        return (
            self.headers.get("Host") in here
            and (origin is None or origin.removeprefix("http://") in here)
            and (not kind or asked == kind)
        )

    def _refuse(self, status: HTTPStatus, reason: str) -> None:
        self._answer(status, {"error": reason})

    def _answer(self, status: HTTPStatus, content: dict[str, Any]) -> None:
        self._send(status, "application/json", json.dumps(content, allow_nan=False).encode())

    def _send(self, status: HTTPStatus, kind: str, body: bytes) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Referrer-Policy", "no-referrer")
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Nothing: the terminal is the user's."""


def serve(server: LiveServer, open_browser: Callable[[str], object] | None) -> None:
    """Serve until interrupted; open a browser first if asked."""
    if open_browser is not None:
        threading.Timer(0.2, open_browser, [server.address]).start()
    try:
        server.serve_forever(poll_interval=0.2)
    finally:
        server.server_close()
