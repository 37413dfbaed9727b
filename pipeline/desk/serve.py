"""A server for one creator on one machine: shows a release, or several, in the browser.

It listens on the loopback address only, answers only to its own name, and only to a browser
that came with the address printed at the start: a random token there is exchanged for a
cookie. Files outside the folder, and hidden ones, do not exist for it.

While lessons are followed, pages get a script as they are sent, which listens for news of its
lesson; in the files of a release there is none.

References
----------
RFC 9110, 14 (range requests), 15.3.7 and 15.5.17 (206, 416). RFC 6265bis, SameSite.
HTML Living Standard, 9.2 (server-sent events). Content Security Policy Level 3, nonces.
"""

from __future__ import annotations

import hmac
import json
import mimetypes
import re
import secrets
import sys
import webbrowser
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from pathlib import Path
from typing import Final
from urllib.parse import parse_qs, quote, unquote, urlsplit

from pipeline.desk.find import releases_in
from pipeline.desk.news import News
from pipeline.desk.overview import Overview, overview_of
from pipeline.errors import MissingError, MisuseError

LOOPBACK: Final = "127.0.0.1"
CLOSED: Final = "The desk is closed.\n"
NEWS_PATH: Final = "/.desk/news"
_SCRIPT: Final = "follow.js"
_CHUNK_BYTES: Final = 1 << 18
_STILL_THERE_S: Final = 15.0  # between signs of life to pages that hear no news
_TYPES: Final = {
    ".vtt": "text/vtt; charset=utf-8",
    ".txt": "text/plain; charset=utf-8",
    ".html": "text/html; charset=utf-8",
    ".json": "application/json",
    ".musicxml": "application/vnd.recordare.musicxml+xml",
    ".mid": "audio/midi",
    ".mov": "video/quicktime",
    ".webm": "video/webm",
}
_POLICY: Final = (
    "default-src 'none'; img-src 'self'; media-src 'self'; style-src 'self' 'unsafe-inline'; "
    "object-src 'self'; frame-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


class Desk(ThreadingHTTPServer):
    """The server; ``url`` is the address to open, with its token.

    shown : a release, a folder of several, or an overview; may be exchanged while it serves
    news : of the lessons in the overview, for pages that renew themselves; None: they don't
    """

    daemon_threads = True

    def __init__(self, shown: Path | Overview, *, port: int = 0, news: News | None = None) -> None:
        self.shown = shown.resolve() if isinstance(shown, Path) else shown
        self.news = news
        self.script = (files("pipeline.desk") / "templates" / _SCRIPT).read_bytes() if news else b""
        self.token = secrets.token_urlsafe(24)
        super().__init__((LOOPBACK, port), _Handler)

    @property
    def port(self) -> int:
        return int(self.server_address[1])

    @property
    def url(self) -> str:
        return f"http://{LOOPBACK}:{self.port}/?token={self.token}"

    @property
    def cookie(self) -> str:
        # cookies know no ports: two desks must not take each other's
        return f"desk{self.port}"

    def lesson_of(self, path: str) -> str | None:
        """The address of the lesson that the page at a path of a URL belongs to, None for the front."""
        return next((part for part in unquote(path).split("/") if part), None)

    def file_for(self, path: str) -> Path | None:
        """The file that a path of a URL names, None when there is none to show."""
        parts = [part for part in unquote(path).split("/") if part]
        if any(part.startswith(".") or set(part) & set("\\\0:") for part in parts):
            return None
        folder: Path | None
        if isinstance(self.shown, Path):
            folder = self.shown
        else:
            folder = self.shown.folder_of(parts.pop(0)) if parts else None
        if folder is None:
            return None
        folder = folder.resolve()
        found = folder.joinpath(*parts).resolve()
        return found if found.is_relative_to(folder) and found.is_file() else None


class _Handler(BaseHTTPRequestHandler):
    server: Desk
    protocol_version = "HTTP/1.1"
    server_version = "desk"
    sys_version = ""

    def log_message(self, format: str, *args: object) -> None:
        """Nothing: the terminal belongs to the creator."""

    def do_GET(self) -> None:
        self._answer(body=True)

    def do_HEAD(self) -> None:
        self._answer(body=False)

    def _answer(self, *, body: bool) -> None:
        try:
            self._route(body=body)
        except (BrokenPipeError, ConnectionResetError):
            self.close_connection = True  # the browser has enough: usual while seeking in media

    def _route(self, *, body: bool) -> None:
        port = self.server.port
        if self.headers.get("Host") not in (f"{LOOPBACK}:{port}", f"localhost:{port}"):
            self._refuse(
                HTTPStatus.MISDIRECTED_REQUEST, "This desk answers only to its own address.", body=body
            )
            return
        parts = urlsplit(self.path)
        token = parse_qs(parts.query).get("token", [""])[0]
        if token:
            self._let_in(token, parts.path, body=body)
        elif not self._known():
            self._refuse(HTTPStatus.FORBIDDEN, "Open the address that was printed at the start.", body=body)
        elif parts.path in ("", "/"):
            self._front(body=body)
        elif self.server.news is not None and parts.path == NEWS_PATH:
            page = parse_qs(parts.query).get("page", ["/"])[0]
            self._send_news(self.server.news, self.server.lesson_of(page), body=body)
        else:
            found = self.server.file_for(parts.path)
            if found is not None and self.server.news is not None and found.suffix.lower() == ".html":
                version = self.server.news.version(self.server.lesson_of(parts.path))
                self._send_page(found.read_bytes(), version, body=body)
            elif found is not None:
                self._send_file(found, body=body)
            elif self.server.news is not None and parts.path.endswith(".html"):
                self._send_to("/")  # a lesson that goes by another name now, or is taken out
            else:
                self._refuse(HTTPStatus.NOT_FOUND, "There is no such file here.", body=body)

    def _known(self) -> bool:
        try:
            jar = SimpleCookie(self.headers.get("Cookie", ""))
        except CookieError:
            return False
        morsel = jar.get(self.server.cookie)
        return morsel is not None and hmac.compare_digest(morsel.value.encode(), self.server.token.encode())

    def _let_in(self, token: str, path: str, *, body: bool) -> None:
        if not hmac.compare_digest(token.encode("utf-8", "replace"), self.server.token.encode()):
            self._refuse(HTTPStatus.FORBIDDEN, "This address is from another start of the desk.", body=body)
            return
        self.send_response(HTTPStatus.SEE_OTHER)
        self.send_header(
            "Set-Cookie", f"{self.server.cookie}={self.server.token}; Path=/; HttpOnly; SameSite=Strict"
        )
        self.send_header("Location", "/" + quote(path.lstrip("/\\")))
        self._close_headers(0)

    def _front(self, *, body: bool) -> None:
        shown, news = self.server.shown, self.server.news
        if isinstance(shown, Path) and (shown / "review.html").is_file():
            self._send_to("/review.html")
            return
        version = news.version(None) if news is not None else ""
        overview = overview_of(shown, releases_in(shown)) if isinstance(shown, Path) else shown
        only = overview.entries[0] if news is not None and len(overview.entries) == 1 else None
        if only is not None and only.folder is not None and (only.folder / "review.html").is_file():
            self._send_to(f"/{quote(only.address)}/review.html")
        else:
            self._send_page(overview.page().encode(), version, body=body)

    def _send_to(self, place: str) -> None:
        self.send_response(HTTPStatus.SEE_OTHER)
        self.send_header("Location", place)
        self._close_headers(0)

    def _send_page(self, data: bytes, version: str, *, body: bool) -> None:
        """Send HTML; with news, the script that hears it, which nothing else on the page can pass for."""
        policy = _POLICY
        if self.server.news is not None:
            nonce = secrets.token_urlsafe(18)
            policy += f"; script-src 'nonce-{nonce}'; connect-src 'self'"
            tag = f'<script nonce="{nonce}" data-version="{version}">\n'.encode()
            place = data.lower().rfind(b"</body>")
            place = len(data) if place < 0 else place
            data = data[:place] + tag + self.server.script + b"</script>\n" + data[place:]
        self.send_response(HTTPStatus.OK)
        self.send_header("Content-Type", _TYPES[".html"])
        self._close_headers(len(data), policy=policy)
        if body:
            self.wfile.write(data)

    def _send_news(self, news: News, lesson: str | None, *, body: bool) -> None:
        """Tell a page how its lesson stands, now and at every change, until it goes away."""
        self.send_response(HTTPStatus.OK)
        self.send_header("Content-Type", "text/event-stream")
        self.close_connection = True  # its length is known when it ends
        self._close_headers(None)
        told, number = "", -1
        while body and not news.closed:
            number = news.wait(number, _STILL_THERE_S)
            now = json.dumps(news.for_page(lesson), ensure_ascii=False)
            self.wfile.write(f"data: {now}\n\n".encode() if now != told else b":\n\n")
            told = now

    def _close_headers(self, length: int | None, *, policy: str = _POLICY) -> None:
        if length is None:
            self.send_header("Connection", "close")
        else:
            self.send_header("Content-Length", str(length))
        self.send_header("Cache-Control", "no-store")
        self.send_header("Content-Security-Policy", policy)
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Referrer-Policy", "no-referrer")
        self.send_header("Cross-Origin-Resource-Policy", "same-origin")
        self.end_headers()

    def _refuse(self, status: HTTPStatus, text: str, *, body: bool) -> None:
        data = f"{status.value} {status.phrase}. {text}\n".encode()
        self.send_response(status)
        self.send_header("Content-Type", "text/plain; charset=utf-8")
        self._close_headers(len(data))
        if body:
            self.wfile.write(data)

    def _send_file(self, path: Path, *, body: bool) -> None:
        with path.open("rb") as file:
            size = path.stat().st_size
            span = _asked_range(self.headers.get("Range"), size)
            if span is None:
                self.send_response(HTTPStatus.REQUESTED_RANGE_NOT_SATISFIABLE)
                self.send_header("Content-Range", f"bytes */{size}")
                self._close_headers(0)
                return
            first, last = span
            part = self.headers.get("Range") is not None and (first, last) != (0, size - 1)
            self.send_response(HTTPStatus.PARTIAL_CONTENT if part else HTTPStatus.OK)
            if part:
                self.send_header("Content-Range", f"bytes {first}-{last}/{size}")
            self.send_header("Accept-Ranges", "bytes")
            kind = _TYPES.get(path.suffix.lower()) or mimetypes.guess_type(path.name)[0]
            self.send_header("Content-Type", kind or "application/octet-stream")
            self._close_headers(last - first + 1)
            if not body:
                return
            file.seek(first)
            left = last - first + 1
            while left > 0 and (chunk := file.read(min(_CHUNK_BYTES, left))):
                self.wfile.write(chunk)
                left -= len(chunk)


def _asked_range(header: str | None, size: int) -> tuple[int, int] | None:
    """First and last byte to send; None when nothing of the file was asked for.

    One range is served; several at once, or another unit, get the whole file, as RFC 9110 allows.
    """
    whole = (0, size - 1)
    match = re.fullmatch(r"bytes=(\d*)-(\d*)", header.strip()) if header else None
    if match is None or match.group(1) == match.group(2) == "":
        return whole
    if match[1] == "":
        last_bytes = int(match[2])
        return (max(0, size - last_bytes), size - 1) if last_bytes and size else None
    first = int(match[1])
    last = min(int(match[2]), size - 1) if match[2] else size - 1
    if match[2] and int(match[2]) < first:
        return whole
    return (first, last) if first < size else None


def open_desk(shown: Path | Overview, *, port: int = 0, news: News | None = None) -> Desk:
    """A desk that listens, and does not answer yet.

    port : 0 takes any that is free

    Raises
    ------
    MisuseError : there is no such folder, or the port is no port.
    MissingError : the port is taken.
    """
    if isinstance(shown, Path) and not shown.is_dir():
        raise MisuseError(f"{shown}: there is no such folder to show")
    if not 0 <= port <= 65535:
        raise MisuseError(f"--port {port}: ports go from 0 (any free one) to 65535")
    try:
        return Desk(shown, port=port, news=news)
    except OSError as error:
        raise MissingError(
            f"port {port} cannot be used ({error.strerror or error}); give another one with --port, or leave it out"
        ) from error


def announce(desk: Desk, *, open_browser: bool) -> None:
    """Say where the desk is, as the first line on stdout, and how to stop it."""
    sys.stdout.write(desk.url + "\n")
    sys.stdout.flush()
    sys.stderr.write("Ctrl-C stops it.\n")
    sys.stderr.flush()
    if open_browser:
        webbrowser.open(desk.url)


def serve(shown: Path | Overview, *, port: int = 0, open_browser: bool = True) -> None:
    """Show releases until interrupted; the first line on stdout is the address to open.

    shown : a release folder, a folder of several, or the overview of a week

    Raises
    ------
    MisuseError, MissingError : see :func:`open_desk`.
    """
    with open_desk(shown, port=port) as desk:
        try:
            announce(desk, open_browser=open_browser)
            desk.serve_forever(poll_interval=0.2)
        except KeyboardInterrupt:
            sys.stderr.write(CLOSED)
