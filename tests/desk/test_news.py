"""Open pages hear how their lesson stands; the files of a release know nothing of it."""

from __future__ import annotations

import http.client
import json
import re
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.desk.news import News, Standing, release_version
from pipeline.desk.overview import Entry, Overview
from pipeline.desk.serve import NEWS_PATH, Desk

PAGE = b"<!doctype html>\n<html><body>\n<h1>Low Tide</h1>\n</BODY></html>\n"


def release(folder: Path, *files: tuple[str, str], page: bytes = PAGE) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    rows = [{"path": path, "sha256": digest} for path, digest in files]
    (folder / "release.json").write_text(json.dumps({"files": rows, "steps": [{"seconds": 1.5}]}))
    (folder / "review.html").write_bytes(page)
    return folder


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return release(tmp_path / "low-tide", ("a", "1"))


@pytest.fixture
def news() -> News:
    found = News()
    found.list_lessons({"low-tide": "v1", "gulls": ""})
    return found


@pytest.fixture
def desk(home: Path, news: News) -> Iterator[Desk]:
    entries = (Entry("low-tide", "Low Tide", (home,)), Entry("gulls", "Gulls", (home.with_name("gulls"),)))
    with Desk(Overview("Week", entries), news=news) as desk:
        thread = threading.Thread(target=desk.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield desk
        news.close()
        desk.shutdown()
        thread.join()


def opened(
    desk: Desk, path: str, *, method: str = "GET", known: bool = True
) -> tuple[http.client.HTTPConnection, http.client.HTTPResponse]:
    connection = http.client.HTTPConnection("127.0.0.1", desk.port, timeout=20)
    cookie = {"Cookie": f"{desk.cookie}={desk.token}"} if known else {}
    connection.request(method, path, headers=cookie)
    return connection, connection.getresponse()


def ask(desk: Desk, path: str, **how) -> tuple[int, dict[str, str], bytes]:
    connection, answer = opened(desk, path, **how)
    try:
        return answer.status, {name.lower(): value for name, value in answer.getheaders()}, answer.read()
    finally:
        connection.close()


def test_the_script_is_in_what_is_sent_and_in_no_file(desk: Desk, home: Path) -> None:
    """CSP Level 3: only the script that carries the nonce of this answer may run."""
    status, headers, body = ask(desk, "/low-tide/review.html")
    assert status == 200 and (home / "review.html").read_bytes() == PAGE
    tag = re.search(rb'<script nonce="([\w-]+)" data-version="v1">', body)
    assert (
        tag is not None
        and f"script-src 'nonce-{tag[1].decode()}'; connect-src 'self'" in headers["content-security-policy"]
    )
    assert "default-src 'none'" in headers["content-security-policy"]
    before, after = body[: tag.start()], body.partition(b"</script>\n")[2]
    assert before + after == PAGE and after.startswith(b"</BODY>")
    again = ask(desk, "/low-tide/review.html")[2]
    assert tag[1] not in again, "a nonce counts once"
    head = ask(desk, "/low-tide/review.html", method="HEAD")
    assert (head[1]["content-length"], head[2]) == (str(len(body)), b"")


def test_a_page_without_an_end_gets_it_there(desk: Desk, home: Path) -> None:
    (home / "review.html").write_bytes(b"<h1>x")
    assert ask(desk, "/low-tide/review.html")[2].startswith(b"<h1>x<script nonce=")


def test_without_news_nothing_is_put_in(home: Path) -> None:
    with Desk(home) as desk:
        thread = threading.Thread(target=desk.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        page, stream = ask(desk, "/review.html"), ask(desk, NEWS_PATH)
        desk.shutdown()
        thread.join()
    assert page[2] == PAGE and "script-src" not in page[1]["content-security-policy"]
    assert stream[0] == 404


def test_the_front_is_the_list_or_the_only_lesson(desk: Desk, home: Path) -> None:
    status, _, body = ask(desk, "/")
    assert status == 200 and b"1 of 2 lessons built" in body and b"data-version=" in body
    desk.shown = Overview("One", (Entry("low-tide", "Low Tide", (home,)),))
    assert ask(desk, "/")[1]["location"] == "/low-tide/review.html"
    desk.shown = Overview("One", (Entry("gulls", "Gulls", (home.with_name("gulls"),)),))
    status, _, body = ask(desk, "/")
    assert status == 200 and b"Not built yet." in body, "until it is built, a page that waits for that"


def test_a_page_that_is_gone_leads_to_the_front(desk: Desk) -> None:
    assert ask(desk, "/old-name/review.html")[1]["location"] == "/"
    assert ask(desk, "/old-name/public/clip.mp4")[0] == 404


class Stream:
    """A page's ear, over HTTP."""

    def __init__(self, desk: Desk, page: str) -> None:
        self.connection, self.answer = opened(desk, f"{NEWS_PATH}?page={page}")

    def next(self) -> dict | None:
        """The next news; None when the stream ends. Lines with a colon are signs of life."""
        while line := self.answer.readline():
            if line.startswith(b"data: "):
                return json.loads(line[6:])
        return None


def test_news_come_as_they_happen(desk: Desk, news: News) -> None:
    """HTML Living Standard, 9.2.5: lines that begin with "data:", events end with an empty line."""
    stream = Stream(desk, "/low-tide/review.html")
    assert stream.answer.headers["content-type"] == "text/event-stream"
    assert stream.next() == {"version": "v1", "building": False, "wrong": []}
    news.begin()
    assert stream.next() == {"version": "v1", "building": True, "wrong": []}
    news.lesson("gulls", Standing("g2"))
    news.lesson("low-tide", Standing("v1", False, ("error at tab.txt:12:5: no such fret",)))
    assert stream.next() == {
        "version": "v1",
        "building": False,
        "wrong": ["error at tab.txt:12:5: no such fret"],
    }
    news.lesson("low-tide", Standing("v2"))
    assert stream.next() == {"version": "v2", "building": False, "wrong": []}
    news.close()
    assert stream.next() is None
    stream.connection.close()


def test_news_are_for_those_who_know_the_token(desk: Desk) -> None:
    status, headers, _ = ask(desk, NEWS_PATH, known=False)
    assert status == 403 and headers["content-type"].startswith("text/plain")
    assert ask(desk, NEWS_PATH, method="HEAD")[2] == b""


def test_a_page_that_goes_away_is_let_go(desk: Desk, news: News) -> None:
    before = set(threading.enumerate())  # some of them may end by themselves meanwhile
    streams = [Stream(desk, "/") for _ in range(5)]
    assert all(stream.next() for stream in streams)
    serving = set(threading.enumerate()) - before
    assert len(serving) >= 5
    for stream in streams:
        stream.answer.close()
        stream.connection.close()
    for number in range(200):  # a closed connection is noticed at the second thing written to it
        if not any(thread.is_alive() for thread in serving):
            break
        news.lesson("low-tide", Standing(f"n{number}"))
        threading.Event().wait(0.02)
    assert not any(thread.is_alive() for thread in serving)


def test_only_what_concerns_a_page_is_its_news(news: News) -> None:
    front, low, gulls = (news.for_page(page) for page in (None, "low-tide", "gulls"))
    news.begin({"gulls"})
    assert [news.for_page(page)["building"] for page in (None, "low-tide", "gulls")] == [True, False, True]
    news.lesson("gulls", Standing("g1"))
    assert news.for_page("low-tide") == low and news.for_page("gulls")["version"] != gulls["version"]
    assert news.for_page(None)["version"] != front["version"], "the list shows every lesson"
    news.lesson("stranger", Standing("x"))
    assert news.version("stranger") == ""
    news.end(["error at week.toml:3:1: there is no lesson at x"])
    assert news.for_page("low-tide")["wrong"] == ["error at week.toml:3:1: there is no lesson at x"]
    news.end()
    news.list_lessons({"gulls": "g1"})
    assert news.version("low-tide") == ""


def test_many_errors_are_counted(news: News) -> None:
    news.lesson("low-tide", Standing("v1", False, tuple(f"error {n}" for n in range(8))))
    assert news.for_page("low-tide")["wrong"] == [
        *(f"error {n}" for n in range(5)),
        "and 3 more, see the terminal",
    ]


def test_a_version_is_what_the_release_holds(tmp_path: Path) -> None:
    """How long the steps took is in the record too, and no reason to load a page again."""
    home = release(tmp_path / "x", ("a", "1"), ("b", "2"))
    version = release_version(home)
    assert version
    record = json.loads((home / "release.json").read_text())
    record["steps"] = [{"seconds": 9}]
    record["files"].reverse()
    (home / "release.json").write_text(json.dumps(record))
    assert release_version(home) == version
    assert release_version(release(home, ("a", "1"), ("b", "3"))) != version
    for text in ("", "[]", "{}", '{"files": [1]}', '{"files": [{"path": "a"}]}'):
        (home / "release.json").write_text(text)
        assert release_version(home) == ""
