"""The desk shows a release to the one who opened it, and nothing to anybody else."""

from __future__ import annotations

import http.client
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.desk.find import review_folder
from pipeline.desk.serve import Desk, serve
from pipeline.errors import MissingError, MisuseError

MEDIA = bytes(range(256)) * 40


@pytest.fixture
def release(tmp_path: Path) -> Path:
    folder = tmp_path / "out" / "low-tide"
    (folder / "public").mkdir(parents=True)
    (folder / "review.html").write_text("<h1>Low Tide</h1>")
    (folder / "release.json").write_text("{}")
    (folder / "public" / "a clip #1.mp4").write_bytes(MEDIA)
    (folder / ".hidden").write_text("secret")
    (tmp_path / "out" / "outside.txt").write_text("secret")
    (folder / "link.txt").symlink_to(tmp_path / "out" / "outside.txt")
    return folder


@pytest.fixture
def desk(release: Path) -> Iterator[Desk]:
    with Desk(release) as desk:
        thread = threading.Thread(target=desk.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield desk
        desk.shutdown()
        thread.join()


Answer = tuple[int, dict[str, str], bytes]


def ask(desk: Desk, path: str, *, method: str = "GET", known: bool = True, **headers: str) -> Answer:
    connection = http.client.HTTPConnection("127.0.0.1", desk.port, timeout=5)
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    if known:
        sent["Cookie"] = f"{desk.cookie}={desk.token}"
    try:
        connection.putrequest(method, path, skip_host="Host" in sent)
        for name, value in sent.items():
            connection.putheader(name, value)
        connection.endheaders()
        answer = connection.getresponse()
        return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
    finally:
        connection.close()


def test_the_printed_address_opens_the_page(desk: Desk) -> None:
    status, headers, _ = ask(desk, f"/?token={desk.token}", known=False)
    assert status == 303
    assert headers["location"] == "/"
    cookie = headers["set-cookie"]
    assert cookie.endswith("; Path=/; HttpOnly; SameSite=Strict")
    status, headers, _ = ask(desk, "/", known=False, Cookie=cookie.partition(";")[0])
    assert (status, headers["location"]) == (303, "/review.html")
    status, headers, body = ask(desk, "/review.html")
    assert (status, body) == (200, b"<h1>Low Tide</h1>")
    assert headers["x-content-type-options"] == "nosniff"
    assert "default-src 'none'" in headers["content-security-policy"]


@pytest.mark.parametrize(
    "path", ["/", "/review.html", "/public/a%20clip%20%231.mp4", "/?token=", "/?token=wrong"]
)
def test_without_the_token_there_is_nothing(desk: Desk, path: str) -> None:
    status, headers, body = ask(desk, path, known=False)
    assert status == 403
    assert b"Low Tide" not in body
    assert "set-cookie" not in headers


@pytest.mark.parametrize("cookie", ["desk1=x", "", "other", "desk=\x7f", "a=b; =; c"])
def test_other_cookies_do_not_count(desk: Desk, cookie: str) -> None:
    assert ask(desk, "/review.html", known=False, Cookie=cookie)[0] == 403
    assert ask(desk, "/review.html", known=False, Cookie=f"{desk.cookie}={desk.token[:-1]}")[0] == 403


@pytest.mark.parametrize(
    "host", ["evil.example.org", "127.0.0.1", "127.0.0.1:1", "evil.example.org:{port}", ""]
)
def test_only_its_own_name(desk: Desk, host: str) -> None:
    """A page elsewhere whose name was pointed at this machine gets nothing, cookie or not."""
    status, _, body = ask(desk, "/review.html", Host=host.format(port=desk.port))
    assert status == 421
    assert b"Low Tide" not in body


def test_localhost_is_its_own_name_too(desk: Desk) -> None:
    assert ask(desk, "/review.html", Host=f"localhost:{desk.port}")[0] == 200


@pytest.mark.parametrize(
    "path",
    [
        "/../outside.txt",
        "/public/../../outside.txt",
        "/%2e%2e/outside.txt",
        "/..%2foutside.txt",
        "/public/..%5c..%5coutside.txt",
        "/link.txt",
        "/.hidden",
        "//etc/passwd",
        "/%00",
        "/public",
        "/nothing.txt",
        "/public/a clip",
    ],
)
def test_nothing_outside_and_nothing_hidden(desk: Desk, path: str) -> None:
    status, _, body = ask(desk, path.replace(" ", "%20"))
    assert status == 404
    assert b"secret" not in body


@pytest.mark.parametrize(
    ("asked", "status", "span"),
    [
        ("bytes=0-99", 206, (0, 100)),
        ("bytes=100-", 206, (100, len(MEDIA))),
        ("bytes=-10", 206, (len(MEDIA) - 10, len(MEDIA))),
        ("bytes=5-999999", 206, (5, len(MEDIA))),
        ("bytes=-999999", 200, (0, len(MEDIA))),
        ("bytes=7-3", 200, (0, len(MEDIA))),
        ("bytes=0-1,5-6", 200, (0, len(MEDIA))),
        ("pages=1-2", 200, (0, len(MEDIA))),
    ],
)
def test_parts_of_a_recording(desk: Desk, asked: str, status: int, span: tuple[int, int]) -> None:
    """RFC 9110, 14.1.2 and 14.2."""
    got, headers, body = ask(desk, "/public/a%20clip%20%231.mp4", Range=asked)
    assert got == status
    assert body == MEDIA[span[0] : span[1]]
    assert headers["content-type"] == "video/mp4"
    if status == 206:
        assert headers["content-range"] == f"bytes {span[0]}-{span[1] - 1}/{len(MEDIA)}"


def test_a_part_beyond_the_end(desk: Desk) -> None:
    """RFC 9110, 15.5.17."""
    status, headers, _ = ask(desk, "/public/a%20clip%20%231.mp4", Range=f"bytes={len(MEDIA)}-")
    assert (status, headers["content-range"]) == (416, f"bytes */{len(MEDIA)}")


def test_head_sends_no_body_and_nothing_can_be_changed(desk: Desk) -> None:
    status, headers, body = ask(desk, "/review.html", method="HEAD")
    assert (status, headers["content-length"], body) == (200, "17", b"")
    for method in ("POST", "PUT", "DELETE"):
        assert ask(desk, "/review.html", method=method)[0] == 501


def test_only_this_machine_is_served(desk: Desk) -> None:
    assert desk.server_address[0] == "127.0.0.1"
    assert len(desk.token) >= 32


def test_a_folder_of_releases_lists_them(release: Path) -> None:
    with Desk(release.parent) as desk:
        thread = threading.Thread(target=desk.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        status, _, body = ask(desk, "/")
        desk.shutdown()
        thread.join()
    assert status == 200
    assert b'<a href="/low-tide/review.html">low-tide</a>' in body


def test_a_taken_port_and_no_folder(release: Path, desk: Desk) -> None:
    with pytest.raises(MissingError, match=f"port {desk.port} cannot be used"):
        serve(release, port=desk.port, open_browser=False)
    with pytest.raises(MisuseError, match="there is no such folder"):
        serve(release / "nowhere", port=0, open_browser=False)
    with pytest.raises(MisuseError, match="ports go from 0"):
        serve(release, port=70_000, open_browser=False)


def test_what_the_creator_means(release: Path, tmp_path: Path) -> None:
    lesson = tmp_path / "lessons" / "tide"
    lesson.mkdir(parents=True)
    (lesson / "lesson.toml").write_text('title = "Low Tide"\ntab = "tab.txt"\n')
    out = release.parent
    assert review_folder(release) == release
    assert review_folder(release / "release.json") == release
    assert review_folder(out) == out
    assert review_folder(lesson, out=out) == release
    assert review_folder(lesson / "lesson.toml", out=out) == release
    with pytest.raises(MisuseError, match=r"nothing is built of 'low-tide' in .*elsewhere yet"):
        review_folder(lesson, out=tmp_path / "elsewhere")
    with pytest.raises(MisuseError, match="is not there; give a lesson"):
        review_folder(tmp_path / "missing")
    with pytest.raises(MisuseError, match="holds no release"):
        review_folder(tmp_path / "lessons")
