"""Serve the review page to this computer alone, and save what it sends without ever losing a label file."""

import os
import secrets
import sys
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from tapsig.errors import LabelError, TapsigError
from tapsig.loading.files import hold_lock, replace_file
from tapsig.loading.labels import parse_labels

LOOPBACK = "127.0.0.1"
MOST_BYTES = 20_000_000
IDLE_S = 30.0


def save_label_text(path: Path, text: bytes, *, end_s: float) -> Path | None:
    """Write a label file whole or not at all; the file that was there is kept as `name.1`, `.2`, … and returned.

    Raises LabelError when `text` is no label file, or holds a label after `end_s`.
    """
    try:
        labels = parse_labels(text.decode("utf-8"), source="what the page sent")
    except UnicodeDecodeError as error:
        raise LabelError(f"what was sent is no UTF-8 at byte {error.start}; nothing was written") from error
    late = [label for label in labels if label.onset_s > end_s]
    if late:
        raise LabelError(f"a label lies at {late[0].onset_s:.3f} s, the recording ends at {end_s:.3f} s")
    target = path.resolve()  # two servers may know one file by two names
    with hold_lock(target.with_name(f".{target.name}.lock")):
        kept = _keep(path)
        replace_file(path, text)
    return kept


def _keep(path: Path) -> Path | None:
    """Copy `path` to the first number that is free; two that look at once never get the same one."""
    if not path.exists():
        return None
    content, number = path.read_bytes(), 1
    while True:
        kept = path.with_name(f"{path.name}.{number}")
        try:
            with open(kept, "xb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
        except FileExistsError:
            number += 1
        except BaseException:
            kept.unlink(missing_ok=True)  # a full disk: no half copy
            raise
        else:
            return kept


class ReviewServer(ThreadingHTTPServer):
    """Serves one page on the loopback address under a random path, and saves what the page sends.

    `make_page` is given the path to which the page sends its labels. `port` 0 takes a free one.
    """

    daemon_threads = True

    def __init__(self, make_page: Callable[[str], str], save_to: Path, *, end_s: float, port: int = 0) -> None:
        super().__init__((LOOPBACK, port), _Handler)
        self.token = secrets.token_urlsafe(18)
        self.save_to, self.end_s = save_to, end_s
        self.page = make_page(f"/{self.token}/labels").encode("utf-8", "backslashreplace")

    def handle_error(self, request: object, client_address: object) -> None:
        """A browser that goes away in the middle is no fault of ours; anything else is shown."""
        if not isinstance(sys.exception(), OSError):
            super().handle_error(request, client_address)  # type: ignore[arg-type]

    @property
    def url(self) -> str:
        """The page's address; nobody who does not know it gets an answer."""
        return f"http://{LOOPBACK}:{self.server_port}/{self.token}/"


class _Handler(BaseHTTPRequestHandler):
    server: ReviewServer
    server_version, sys_version = "review", ""
    timeout = IDLE_S  # a connection that sends nothing is closed

    def do_GET(self) -> None:
        if self._is_ours(f"/{self.server.token}/"):
            self._answer(200, self.server.page, "text/html; charset=utf-8")

    def do_POST(self) -> None:
        if not self._is_ours(f"/{self.server.token}/labels"):
            return
        length = self.headers.get("Content-Length", "")
        if not length.isascii() or not length.isdigit() or int(length) > MOST_BYTES:
            self._answer(413, f"a label file of at most {MOST_BYTES} bytes is taken".encode())
            return
        body = self.rfile.read(int(length))
        if len(body) < int(length):
            self._answer(400, f"{len(body)} of {length} bytes came; nothing was written, save again".encode())
            return
        try:
            kept = save_label_text(self.server.save_to, body, end_s=self.server.end_s)
        except (TapsigError, OSError) as error:
            self._answer(400, str(error).encode("utf-8"))
            return
        words = f"Saved {self.server.save_to.name}" + (f"; the file before is kept as {kept.name}." if kept else ".")
        self._answer(200, words.encode("utf-8"))

    def _is_ours(self, path: str) -> bool:
        """Whether the request names our path and address, and no other site's page sent it; answers it if not.

        The Host check stops a foreign name that was pointed at the loopback address (DNS rebinding).
        """
        here = f"{LOOPBACK}:{self.server.server_port}"
        origin = self.headers.get("Origin", f"http://{here}")
        if (
            self.headers.get("Host") == here
            and origin == f"http://{here}"
            and secrets.compare_digest(self.path.encode("utf-8", "replace"), path.encode("ascii"))
        ):
            return True
        self._answer(404, b"nothing here")
        return False

    def _answer(self, status: int, body: bytes, kind: str = "text/plain; charset=utf-8") -> None:
        self.send_response(status)
        for name, value in (
            ("Content-Type", kind),
            ("Content-Length", str(len(body))),
            ("Cache-Control", "no-store"),
            ("X-Content-Type-Options", "nosniff"),
            ("Referrer-Policy", "no-referrer"),
            ("X-Frame-Options", "DENY"),
        ):
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        """Nothing: the terminal shows what the command says."""
