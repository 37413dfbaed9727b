"""The desk shows a release to the one who opened it, and nothing to anybody else."""

from __future__ import annotations

import http.client
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.desk.find import what_to_show
from pipeline.desk.overview import Overview
from pipeline.desk.serve import Desk, serve
from pipeline.errors import MissingError, MisuseError, SourceError

MEDIA = bytes(range(256)) * 40


@pytest.fixture
def release(tmp_path: Path) -> Path:
    folder = tmp_path / "out" / "low-tide"
    (folder / "public").mkdir(parents=True)
    (folder / "review.html").write_text("<h1>Low Tide</h1>")
    (folder / "release.json").write_text('{"files": []}')
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
    assert b'<h2><a href="low-tide/review.html">low-tide</a></h2>' in body
    assert b"1 of 1 lesson built" in body


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
    assert what_to_show(release) == release
    assert what_to_show(release / "release.json") == release
    assert what_to_show(out) == out
    assert what_to_show(lesson, out=out) == release
    assert what_to_show(lesson / "lesson.toml", out=out) == release
    with pytest.raises(MisuseError, match=r"nothing is built of 'low-tide' in .*elsewhere yet"):
        what_to_show(lesson, out=tmp_path / "elsewhere")
    with pytest.raises(MisuseError, match="is not there; give a lesson, a week file"):
        what_to_show(tmp_path / "missing")
    (tmp_path / "empty").mkdir()
    with pytest.raises(MisuseError, match="holds no release"):
        what_to_show(tmp_path / "empty")


def test_a_folder_of_lessons_is_one_page(week: Path, release: Path) -> None:
    """The week's words over a lesson are not said here: gull is called as it calls itself."""
    shown = what_to_show(week.parent, out=release.parent)
    assert isinstance(shown, Overview) and shown.title == "Configs"
    assert [entry.address for entry in shown.entries] == ["gull-co", "low-tide", "wreck"]
    assert shown.built == 1
    with pytest.raises(
        MisuseError, match=rf"nothing is built of its lessons in .*\n  Run: .* build {week.parent},"
    ):
        (release / "release.json").rename(release / "gone")
        what_to_show(week.parent, out=release.parent)


def test_a_week_of_weeks_is_one_page(week: Path, release: Path) -> None:
    """What a week lists in vain stands on the page too."""
    year = week.with_name("year.toml")
    year.write_text('title = "All of it"\nlessons = ["harbour_week.toml", "elsewhere"]\n')
    page = what_to_show(year, out=release.parent).page()
    assert "<h1>All of it</h1>" in page and "1 of 4 lessons built" in page
    assert f"year.toml:2:33: there is no lesson at {week.parent / 'elsewhere'}." in page
    assert f" build {week}</code>" in page


RECORD = {
    "title": "Low <Tide>",
    "files": [
        {"path": "packs/crew/low-tide - cover.jpg", "product": "cover"},
        {"path": "public/still.png", "product": "still"},
    ],
    "facts": {"instrument": "guitar DADGAD", "key": "F#m", "metre": "6/8", "tempo_bpm": 92.5, "bars": 16},
    "cautions": ["one", "two"],
}


@pytest.fixture
def week(release: Path, tmp_path: Path) -> Path:
    """A week of three: one built, one not, one that cannot be read."""
    (release / "release.json").write_text(json.dumps(RECORD))
    (release / "public" / "still.png").write_bytes(b"a picture")
    configs = tmp_path / "configs"
    for name, text in (
        ("tide", 'title = "Low Tide"\ntab = "tab.txt"\n'),
        ("gull", 'title = "Gull & Co"\ntab = "tab.txt"\n'),
        ("wreck", "title = \n"),
    ):
        (configs / name).mkdir(parents=True)
        (configs / name / "lesson.toml").write_text(text)
    (configs / "channel.toml").write_text('name = "A Room"\n[look]\nplate = "#401020"\n')
    path = configs / "harbour_week.toml"
    path.write_text('lessons = ["tide", {path = "gull", slug = "gulls"}, "wreck"]\n')
    return path


def test_a_week_is_one_page(week: Path, release: Path) -> None:
    shown = what_to_show(week, out=release.parent)
    assert isinstance(shown, Overview)
    page = shown.page()
    assert "<h1>Harbour week</h1>" in page and "1 of 3 lessons built · A Room" in page
    assert "--plate: #401020" in page, "the channel's colours"
    assert '<h2><a href="low-tide/review.html">Low &lt;Tide&gt;</a></h2>' in page
    assert "Guitar DADGAD, F♯ minor, 6/8, ♩. = 61.7, 16 bars" in page
    assert '<img src="low-tide/public/still.png" alt="">' in page
    assert '<span class="badge">2</span> to look at' in page
    assert "<h2>Gull &amp; Co</h2>\n<p>Not built yet.</p>" in page and f" build {week}</code>" in page
    assert "<h2>wreck</h2>" in page and "lesson.toml:1:" in page
    # what is built in the meantime is there when the page is asked for again
    (release.parent / "gulls").mkdir()
    (release.parent / "gulls" / "release.json").write_text('{"files": []}')
    assert "2 of 3 lessons built" in shown.page() and 'href="gulls/review.html"' in shown.page()


def test_the_files_of_a_weeks_lessons_and_no_others(week: Path, release: Path) -> None:
    (release.parent / "stranger").mkdir()
    (release.parent / "stranger" / "release.json").write_text("{}")
    with Desk(what_to_show(week, out=release.parent)) as desk:
        thread = threading.Thread(target=desk.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        answers = {
            path: ask(desk, path)[0]
            for path in ("/", "/low-tide/review.html", "/low-tide/public/still.png", "/review.html", "/gulls/x",
                         "/low-tide/.hidden", "/low-tide/../stranger/release.json", "/stranger/release.json",
                         "/low-tide", "/low-tide/link.txt")
        }  # fmt: skip
        refused = ask(desk, "/", known=False)[0]
        desk.shutdown()
        thread.join()
    assert [path for path, status in answers.items() if status == 200] == [
        "/", "/low-tide/review.html", "/low-tide/public/still.png",
    ]  # fmt: skip
    assert set(answers.values()) == {200, 404} and refused == 403


def test_a_week_of_which_nothing_is_built(week: Path, tmp_path: Path) -> None:
    (tmp_path / "out").rename(tmp_path / "aside")
    with pytest.raises(MisuseError, match=rf"nothing is built of its lessons in .*\n  Run: .* build {week}"):
        what_to_show(week, out=tmp_path / "out")


@pytest.mark.parametrize("text", ["lessons = [1]\n", "lessons = [\n", "lessons = []\n"])
def test_a_week_that_cannot_be_read(week: Path, text: str) -> None:
    week.write_text(text)
    with pytest.raises(SourceError, match=r"harbour_week\.toml:\d+:\d+: error"):
        what_to_show(week)


def test_a_lesson_that_cannot_be_read_says_why(week: Path) -> None:
    with pytest.raises(SourceError, match=r"wreck/lesson\.toml:1:\d+: error"):
        what_to_show(week.parent / "wreck")


def test_as_a_command(week: Path, release: Path) -> None:
    """The first line of stdout is the address; how to stop is said on stderr."""
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", "review", str(week), "--no-open"],
        cwd=release.parent.parent, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    assert process.stdout is not None and process.stderr is not None
    address, how = process.stdout.readline(), process.stderr.readline()
    process.send_signal(signal.SIGINT)
    _, told = process.communicate(timeout=20)
    assert address.startswith("http://127.0.0.1:") and "/?token=" in address
    assert (how, told) == ("Ctrl-C stops it.\n", "The desk is closed.\n")
    assert process.returncode == 0
