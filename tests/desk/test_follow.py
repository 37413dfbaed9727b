"""Following: a save, and what is built and shown of it; errors, stops and the end."""

from __future__ import annotations

import errno
import http.client
import json
import os
import queue
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from pipeline.build.crew import Stopped
from pipeline.build.summary import LessonResult, StepTold, Summary
from pipeline.config.starter import write_starter
from pipeline.desk import follow
from pipeline.desk.serve import NEWS_PATH
from pipeline.errors import MissingError

WAIT_S = 90.0
ROUND = re.compile(r"\d\d:\d\d:\d\d  ")


class Followed:
    """The command as it runs, its terminal, and a page that is open."""

    def __init__(self, *arguments: str, home: Path) -> None:
        self.home = home
        self.process = subprocess.Popen(
            [sys.executable, "-m", "pipeline.cli", "follow", *arguments, "--no-open"],
            cwd=home, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        )  # fmt: skip
        self.told: list[str] = []
        self._rounds: queue.Queue[str] = queue.Queue()
        assert self.process.stdout is not None
        found = re.match(r"http://127\.0\.0\.1:(\d+)/\?token=(\S+)", self.process.stdout.readline())
        self._connections: list[http.client.HTTPConnection] = []
        self._reader = threading.Thread(target=self._read)
        self._reader.start()
        if found is None:
            return
        self.port, self.cookie = int(found[1]), f"desk{found[1]}={found[2]}"

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.told.append(line.rstrip("\n"))
            if ROUND.match(line):
                self._rounds.put(line.strip()[10:])

    def round(self) -> str:
        """The line of the next round."""
        return self._rounds.get(timeout=WAIT_S)

    def no_round(self, seconds: float) -> bool:
        try:
            self._rounds.get(timeout=seconds)
        except queue.Empty:
            return True
        return False

    def get(self, path: str) -> tuple[int, str]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=WAIT_S)
        connection.request("GET", path, headers={"Cookie": self.cookie})
        answer = connection.getresponse()
        text = answer.read().decode()
        connection.close()
        return answer.status, answer.headers["location"] or text

    def hear(self, page: str) -> Iterator[dict]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=WAIT_S)
        connection.request("GET", f"{NEWS_PATH}?page={page}", headers={"Cookie": self.cookie})
        self._connections.append(connection)
        answer = connection.getresponse()
        while line := answer.readline():
            if line.startswith(b"data: "):
                yield json.loads(line[6:])

    def end(self) -> int:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        return self.process.wait(WAIT_S)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(WAIT_S)
        self._reader.join()
        for connection in self._connections:
            connection.close()
        for stream in (self.process.stdout, self.process.stderr):
            assert stream is not None
            stream.close()


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Followed]]:
    running: list[Followed] = []

    def begin(*arguments: str) -> Followed:
        running.append(Followed(*arguments, home=tmp_path))
        return running[-1]

    yield begin
    for one in running:
        one.close()


@pytest.fixture
def lesson(tmp_path: Path) -> Path:
    write_starter(tmp_path / "tide")
    path = tmp_path / "tide" / "lesson.toml"
    path.write_text(path.read_text().replace('title = "Tide"', 'title = "Low Tide"'))
    assert "Low Tide" in path.read_text()
    return tmp_path / "tide"


def until(news: Iterator[dict], wanted: Callable[[dict], bool]) -> dict:
    return next(one for one in news if wanted(one))


def settled(version: str = "") -> Callable[[dict], bool]:
    """Built, as another version than this."""
    return lambda one: not one["building"] and one["version"] not in ("", version)


def in_place(path: Path, text: str) -> None:
    path.write_text(text)


def by_rename(path: Path, text: str) -> None:
    beside = path.with_name("." + path.name + ".part")
    beside.write_text(text)
    beside.replace(path)


def made_anew(path: Path, text: str) -> None:
    path.unlink()
    time.sleep(0.02)
    path.write_text(text)


def test_a_lesson_is_followed(start: Callable[..., Followed], lesson: Path, tmp_path: Path) -> None:
    """Saves of all kinds, an error and its mending, a file that comes anew, the end."""
    followed = start("tide", "--step", "texttab", "--out", "tide/out")
    assert followed.round().startswith("made low-tide (texttab) in ")
    news = followed.hear("/low-tide/review.html")
    version = until(news, settled())["version"]
    assert followed.get("/") == (303, "/low-tide/review.html")
    tab = lesson / "tab.txt"
    good, written = tab.read_text(), tmp_path / "tide" / "out" / "low-tide"
    (number,) = set(re.findall(r"^tempo: (\d+)$", good, re.M))
    for bpm, save in ((71, in_place), (72, by_rename), (73, made_anew)):
        save(tab, good.replace(f"tempo: {number}", f"tempo: {bpm}"))
        assert followed.round().startswith("tab.txt: made low-tide (texttab) in ")
        version = until(news, settled(version))["version"]
        assert any(str(bpm) in path.read_text() for path in written.rglob("*tab*.txt"))
        status, page = followed.get("/low-tide/review.html")
        assert status == 200 and f'data-version="{version}"' in page
        assert "data-version" not in (written / "review.html").read_text()

    # an error is told here and there, and the release stays
    before = {path: path.read_bytes() for path in written.rglob("*") if path.is_file()}
    tab.write_text(good.replace("key: ", "key: H"))
    assert followed.round().startswith("tab.txt: not built: low-tide in ")
    wrong = until(news, lambda one: bool(one["wrong"]))
    assert wrong["version"] == version and re.match(
        r"error at tab\.txt:\d+:\d+: not a key: ", wrong["wrong"][0]
    )
    assert any(re.match(r"tide/tab\.txt:\d+:\d+: error: not a key: ", line) for line in followed.told)
    assert before == {path: path.read_bytes() for path in written.rglob("*") if path.is_file()}
    tab.write_text(good)
    followed.round()
    version = until(news, settled(version))["version"]

    # a nearer channel; then one save that changes nothing
    (lesson / "channel.toml").write_text('name = "A Room by the Sea"\n')
    assert followed.round().startswith("channel.toml: ")
    version = until(news, settled(version))["version"]
    assert "A Room by the Sea" in followed.get("/low-tide/review.html")[1]
    tab.touch()
    assert followed.round().startswith("tab.txt: nothing had to be made in ")
    assert followed.no_round(1.0), "what is built below the watched folder is no save"

    # a lesson that cannot be read at all stays where it was, with what is wrong on its page
    path = lesson / "lesson.toml"
    written_well = path.read_text()
    path.write_text(written_well + "title =\n")
    assert followed.round().startswith("lesson.toml: not built: ")
    wrong = until(news, lambda one: bool(one["wrong"]))
    assert wrong["wrong"][0].startswith("error at lesson.toml:") and wrong["version"] == version
    status, page = followed.get("/low-tide/review.html")
    assert status == 200 and f'data-version="{version}"' in page
    assert followed.get("/") == (303, "/low-tide/review.html")
    path.write_text(written_well)
    assert followed.round().startswith("lesson.toml: nothing had to be made in ")
    until(news, lambda one: not one["wrong"] and not one["building"])

    # another name: the old page leads to the new one
    path = lesson / "lesson.toml"
    path.write_text(path.read_text().replace("Low Tide", "High Tide"))
    assert followed.round().startswith("lesson.toml: made high-tide (texttab)")
    assert followed.get("/low-tide/review.html") == (303, "/")
    assert followed.get("/") == (303, "/high-tide/review.html")
    assert followed.end() == 0
    assert followed.told[-1] == "The desk is closed."


@pytest.mark.slow
def test_a_week_is_followed(start: Callable[..., Followed], lesson: Path, tmp_path: Path) -> None:
    """Lessons come and go; one that is wrong leaves the other alone; only what a save concerns is built."""
    for name in ("gull", "crab"):
        shutil.copytree(lesson, tmp_path / name)
        path = tmp_path / name / "lesson.toml"
        path.write_text(path.read_text().replace("Low Tide", name.title()))
    week = tmp_path / "week.toml"
    week.write_text('lessons = ["tide", "gull", "later"]\n')
    followed = start("week.toml", "--step", "words")
    line = followed.round()
    assert line.startswith("made low-tide (words), gull (words); some of what is listed was left out in ")
    news = followed.hear("/")
    wrong = until(news, lambda one: bool(one["wrong"]) and not one["building"])["wrong"]
    assert wrong == ["error at week.toml:1:28: there is no lesson at later"]
    assert "2 of 3 lessons built" in followed.get("/")[1]
    (tmp_path / "crab").rename(tmp_path / "later")
    while not (line := followed.round()).startswith(("later: made crab", "later/lesson.toml: made crab")):
        assert line.split(": ", 1)[1].startswith(("nothing", "stopped", "some of")), line
    until(news, lambda one: not one["wrong"] and not one["building"])
    assert "3 of 3 lessons built" in followed.get("/")[1]
    path = tmp_path / "gull" / "lesson.toml"
    path.write_text(path.read_text().replace("Eight bars", "A few bars"))
    assert followed.round().startswith("gull/lesson.toml: made gull (words) in ")
    path.write_text(path.read_text().replace("blurb", "blurp"))
    assert followed.round().startswith("gull/lesson.toml: not built: gull in ")
    week.write_text('lessons = ["tide", "later"\n')
    assert "left out" in followed.round()
    week.write_text('lessons = ["tide", "later"]\n')
    assert followed.round().split(": ", 1)[1].startswith("nothing had to be made in ")
    assert "2 of 2 lessons built" in followed.get("/")[1]
    shutil.rmtree(tmp_path / "tide")
    while "left out" not in (line := followed.round()):
        pass
    assert followed.end() == 0


@pytest.mark.slow
def test_a_save_stops_the_build_and_begins_another(
    start: Callable[..., Followed], lesson: Path, tmp_path: Path
) -> None:
    """What was finished is kept; of what was not, nothing is left."""
    followed = start("tide")
    news = followed.hear("/")
    until(news, lambda one: one["building"])
    while not list((tmp_path / "out" / ".store").rglob("making/*")) and followed.process.poll() is None:
        time.sleep(0.01)
    path = lesson / "lesson.toml"
    path.write_text(path.read_text().replace("Low Tide", "High Tide"))
    assert followed.round() == "stopped, since something was saved again"
    assert followed.round().startswith("lesson.toml: made high-tide (")
    assert followed.get("/") == (303, "/high-tide/review.html")
    # a save that changes nothing leaves the page alone, though two builds have been over it
    news = followed.hear("/high-tide/review.html")
    version = next(news)["version"]
    path.touch()
    assert followed.round().startswith("lesson.toml: nothing had to be made in ")
    heard = [next(news)]
    while heard[-1]["building"]:
        heard.append(next(news))
    assert {one["version"] for one in heard} == {version} and any(one["building"] for one in heard)
    record = json.loads((tmp_path / "out" / "high-tide" / "release.json").read_text())
    assert record["title"] == "High Tide" and len(record["backing"]) > 0
    assert followed.end() == 0
    assert list((tmp_path / "out" / ".store" / "making").iterdir()) == []


@pytest.mark.parametrize("pause_s", [0.0, 0.08])
def test_ctrl_c_while_building(start: Callable[..., Followed], lesson: Path, pause_s: float) -> None:
    """A worker that was just being started lost its parent in the middle of that, and said so in
    fifteen lines."""
    followed = start("tide")
    until(followed.hear("/"), lambda one: one["building"])
    time.sleep(pause_s)
    assert followed.end() == 0
    followed.close()
    assert followed.told[-1] == "The desk is closed."
    assert not any("Traceback" in line for line in followed.told)


def test_what_is_built_when(
    lesson: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The order of things, with builds that only say that they were asked for: what can be seen
    soon comes first, a save stops what is going on, and only what it concerns is built."""
    gull = tmp_path / "gull" / "lesson.toml"
    shutil.copytree(lesson, tmp_path / "gull")
    gull.write_text(gull.read_text().replace("Low Tide", "Gull"))
    (tmp_path / "out" / "gull").mkdir(parents=True)
    (tmp_path / "out" / "gull" / "release.json").write_text('{"files": []}')
    tide = lesson / "lesson.toml"
    asked: list[tuple[tuple[str, ...], set[str] | None]] = []

    def build(paths, *, steps, only, stop, report, **rest: object) -> Summary:
        asked.append((steps, None if only is None else {path.parent.name for path in only}))
        match len(asked):
            case 2:  # all of the first round: a save comes between
                gull.write_text(gull.read_text() + "# saved\n")
                assert stop.wait(WAIT_S)
                raise Stopped("stopped")
            case 4:
                tide.write_text(tide.read_text() + "# saved\n")
            case 6:
                raise MissingError("the disk is gone")
            case 7:
                tide.write_text(tide.read_text() + "# saved\n")
                assert stop.wait(WAIT_S)
                raise OSError(errno.ENOSPC, "No space left on device", "out/.store")
            case 8:
                raise KeyboardInterrupt
        for text in ("tab.txt:1:1: error: one", "tab.txt:2:1: error: two"):
            report.problem("low-tide", text)
        if len(asked) == 4:
            assert stop.wait(WAIT_S)  # the build was through by then
        if len(asked) == 5:
            (tmp_path / "tide" / "chart.txt").write_text("| Am |\n")
        return Summary((LessonResult("low-tide", Path("out/low-tide"), steps=made),))

    made = (
        StepTold("a", "page", (), "made", 1.0, 1.0, ()),
        StepTold("b", "words", (), "reused", 0.0, 1.0, ()),
    )
    monkeypatch.setattr(follow, "build", build)
    following = follow._Following([tmp_path], tmp_path / "out", (), None, looks=False)
    following.look()
    with pytest.raises(KeyboardInterrupt):
        following.run(None)
    following.close()
    assert asked == [
        (follow.SOON, {"tide"}),  # of the gull there is something to see
        ((), None),
        (follow.SOON, {"tide"}),
        ((), None),
        (follow.SOON, {"tide"}),
        ((), {"tide"}),  # stopped by nothing: it fails
        (follow.SOON, {"tide"}),
        (follow.SOON, {"tide"}),
    ]
    lines = [
        re.sub(r"\d\.\d s(, the pages after .*)?", "N s", line)
        for line in capsys.readouterr().err.splitlines()
    ]
    assert [line[10:] if ROUND.match(line) else line for line in lines] == [
        "tab.txt:1:1: error: one",
        "tab.txt:2:1: error: two",
        "stopped, since something was saved again",
        "tab.txt:1:1: error: one",  # told once in a round, however often it is built in it
        "tab.txt:2:1: error: two",
        "gull/lesson.toml: made low-tide (page) in N s",
        "tab.txt:1:1: error: one",
        "tab.txt:2:1: error: two",
        "error: the disk is gone",
        "tide/lesson.toml: nothing was built",
        "error: the disk is full (out/.store); free some space and build again, finished steps are kept",
        "tide/chart.txt: nothing was built",
    ]


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["nowhere"], 2, "error: nowhere: there is no such file or folder"),
        (["tide", "--step", "pages"], 2, "error: --step pages: no such step"),
        (["tide", "--port", "70000"], 2, "error: --port 70000: ports go from 0"),
        (["tide", "--out", "tide/tab.txt"], 2, "error: --out tide/tab.txt: this is a file, not a folder"),
    ],
)
def test_misuse_is_told_at_the_start(
    start: Callable[..., Followed], lesson: Path, arguments: list[str], code: int, said: str
) -> None:
    followed = start(*arguments)
    assert followed.process.wait(WAIT_S) == code
    for _ in range(100):
        if any(line.startswith(said) for line in followed.told):
            break
        time.sleep(0.05)
    assert any(line.startswith(said) for line in followed.told), followed.told
