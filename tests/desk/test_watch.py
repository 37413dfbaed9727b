"""Saves are heard of, however an editor makes them; other writing is not."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from watchfiles import Change

from pipeline.build.planning import Asked, Order, plan_source
from pipeline.config.starter import write_starter
from pipeline.desk import watch
from pipeline.desk.watch import Watch, Watched, watched_for
from pipeline.errors import Problems
from pipeline.read.weeks import find_lessons

WAIT_S = 20.0


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """Two lessons, one with files elsewhere; a channel with templates and a font; a week."""
    home = tmp_path / "configs"
    write_starter(home / "ash")
    write_starter(home / "birch")
    lesson = home / "birch" / "lesson.toml"
    moved = lesson.read_text().replace('tab = "tab.txt"', 'tab = "notes/tab.txt"')
    lesson.write_text('allow_outside = true\ntake = "../../takes/b.wav"\n' + moved)
    (home / "birch" / "notes").mkdir()
    (home / "birch" / "tab.txt").rename(home / "birch" / "notes" / "tab.txt")
    (tmp_path / "takes").mkdir()
    (home / "texts" / "parts").mkdir(parents=True)
    (home / "a font.ttf").write_text("")
    (home / "channel.toml").write_text('templates = "texts"\n[look]\nfont_bold = "a font.ttf"\n')
    (home / "week.toml").write_text('lessons = ["ash", "birch", "later"]\n')
    return home


def watched(*paths: Path) -> Watched:
    return watched_for(paths, find_lessons(paths, Problems()))


def concerned(found: Watched, home: Path, *names: str, change: Change = Change.modified) -> list[str]:
    return [name for name in names if found.concerns(change, os.path.normpath(home / name))]


COUNTS = (
    "ash/lesson.toml", "ash/tab.txt", "ash/chart.txt", "birch/notes/tab.txt", "../takes/b.wav", "channel.toml",
    "ash/channel.toml", "texts/description.txt.j2", "texts/parts/opening.txt", "a font.ttf", "week.toml",
    "later/lesson.toml",
)  # fmt: skip
OTHERS = (
    "ash/tab.txt~", "ash/.tab.txt.swp", "ash/render.mp4", "birch/tab.txt", "texts/.opening.txt.swp", "texts/.git/x",
    "../takes/c.wav", "cedar/lesson.toml", "out/ash/release.json", ".store/x", "ash", ".", "birch/notes",
)  # fmt: skip


def test_what_counts_and_what_does_not(home: Path) -> None:
    found = watched(home / "week.toml")
    assert concerned(found, home, *COUNTS, *OTHERS) == list(COUNTS)
    for change in (Change.added, Change.deleted):
        both = concerned(found, home, *COUNTS, *OTHERS, change=change)
        assert both == [*COUNTS, "ash", ".", "birch/notes"], "folders that come and go take files with them"


def test_a_folder_of_lessons_gets_new_ones(home: Path) -> None:
    found = watched(home)
    write_starter(home / "cedar" / "one")
    (home / "empty").mkdir()
    (home / "out" / "ash").mkdir(parents=True)
    (home / "out" / "ash" / "release.json").write_text("{}")
    (home / ".store" / "work").mkdir(parents=True)
    names = (
        "cedar/one/lesson.toml",
        "cedar",
        "empty",
        "out",
        "out/ash",
        ".store",
        ".store/work",
        "cedar/one/tab.txt",
    )
    assert concerned(found, home, *names, change=Change.added) == ["cedar/one/lesson.toml", "cedar"]
    assert concerned(watched(home / "ash"), home, *names, change=Change.added) == []


def test_every_file_that_a_build_goes_by_is_watched(home: Path) -> None:
    """Held against what reading a lesson opens: nothing is left out that could change a release."""
    (home / "channel.toml").write_text('templates = "texts"\n')
    (home / "texts" / "description.txt.j2").write_text("x")
    (source,) = find_lessons([home / "ash"], Problems()).sources
    planned = plan_source(Order(source, Asked()))
    assert planned.plan is not None
    opened = {os.path.normpath(one) for one in (*(seen.path for seen in planned.inputs), *planned.absent)}
    assert {Path(path).name for path in opened} == {
        "lesson.toml", "tab.txt", "chart.txt", "channel.toml", "description.txt.j2",
    }  # fmt: skip
    found = watched(home / "ash")
    assert all(found.concerns(Change.modified, path) for path in opened)


def test_small_letters_capitals_and_accents_are_as_disks_have_them(tmp_path: Path) -> None:
    found = Watched(frozenset({str(tmp_path / "Été" / "Tab.txt")}))
    assert found.concerns(Change.modified, str(tmp_path / "E\u0301te\u0301" / "tab.TXT"))


class Ear:
    """Collects what is told, and waits for it."""

    def __init__(self) -> None:
        self.heard: set[str] = set()
        self.told: list[str] = []
        self._news = threading.Condition()

    def saved(self, paths: frozenset[str]) -> None:
        with self._news:
            self.heard |= {Path(path).name for path in paths}
            self._news.notify_all()

    def waits_for(self, *names: str) -> bool:
        """Until one of them is heard of."""
        with self._news:
            came = self._news.wait_for(lambda: not self.heard.isdisjoint(names), WAIT_S)
            self.heard.clear()
            return came


@pytest.fixture
def ear() -> Ear:
    return Ear()


@pytest.fixture(params=["by word of the system", "by looking"])
def listening(request: pytest.FixtureRequest, ear: Ear, monkeypatch: pytest.MonkeyPatch) -> Iterator[Watch]:
    if request.param == "by looking":
        monkeypatch.setattr(watch, "_on_a_share", lambda folder: True)
        monkeypatch.setattr(watch, "_LOOK_S", 0.05)
    found = Watch(ear.saved, ear.told.append)
    yield found
    found.close()


def in_place(path: Path, text: str) -> None:
    path.write_text(text)


def by_rename(path: Path, text: str) -> None:
    beside = path.with_name("." + path.name + ".part")
    beside.write_text(text)
    beside.replace(path)


def kept_aside(path: Path, text: str) -> None:
    path.rename(path.with_name(path.name + "~"))
    path.write_text(text)


def made_anew(path: Path, text: str) -> None:
    path.unlink()
    path.write_text(text)


@pytest.mark.parametrize("save", [in_place, by_rename, kept_aside, made_anew])
def test_saves_as_editors_make_them(
    home: Path, ear: Ear, listening: Watch, save: Callable[[Path, str], None], request: pytest.FixtureRequest
) -> None:
    assert listening.attend(watched(home / "week.toml"))
    for text in ("one", "two, longer", "three"):
        save(home / "ash" / "tab.txt", text)
        assert ear.waits_for("tab.txt"), f"{save.__name__}: {text}"
    assert not listening.attend(watched(home / "week.toml")), "the folders are the same"
    assert len(ear.told) == ("by looking" in str(request.node.name))


def test_what_comes_later_and_what_lies_elsewhere(home: Path, ear: Ear, listening: Watch) -> None:
    listening.attend(watched(home / "week.toml"))
    (home.parent / "takes" / "b.wav").write_text("sound")
    assert ear.waits_for("b.wav")
    (home / "ash" / "channel.toml").write_text("")
    assert ear.waits_for("channel.toml")
    (home / "texts" / "parts" / "closing.txt").write_text("x")
    assert ear.waits_for("closing.txt")
    write_starter(home / "later")
    assert ear.waits_for("later", "lesson.toml")
    listening.attend(watched(home / "week.toml"))
    (home / "later" / "tab.txt").write_text("x")
    assert ear.waits_for("tab.txt")


def test_a_folder_taken_away_and_put_back(home: Path, ear: Ear, listening: Watch, tmp_path: Path) -> None:
    """What was watched was another folder by then; saves in the new one went unheard."""
    listening.attend(watched(home / "week.toml"))
    (home / "ash").rename(tmp_path / "aside")
    assert ear.waits_for("ash", "lesson.toml")
    listening.attend(watched(home / "week.toml"))
    shutil.copytree(tmp_path / "aside", home / "ash")
    assert ear.waits_for("ash", "lesson.toml")
    listening.attend(watched(home / "week.toml"))
    (home / "ash" / "tab.txt").write_text("new")
    assert ear.waits_for("tab.txt")


def test_when_the_system_tells_nothing_it_is_looked_for(
    home: Path, ear: Ear, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*folders: str, **rest: object):
        raise OSError("OS file watch limit reached.")

    monkeypatch.setattr(watch, "watch", refuse)
    monkeypatch.setattr(watch, "_LOOK_S", 0.05)
    listening = Watch(ear.saved, ear.told.append)
    try:
        listening.attend(watched(home / "ash"))
        (home / "ash" / "tab.txt").write_text("new")
        assert ear.waits_for("tab.txt")
    finally:
        listening.close()
    assert ear.told == [
        "The system does not tell what is saved (OS file watch limit reached.): it is looked for, twice a second."
    ]


@pytest.mark.parametrize(
    ("mounts", "share"),
    [
        ("/dev/sda / ext4 rw\nnas:/x /home/ann/les\\040sons nfs4 rw\n", True),
        ("/dev/sda / ext4 rw\nnas:/x /home/ann nfs4 rw\n/dev/sdb /home/ann/les\\040sons xfs rw\n", False),
        ("/dev/sda / ext4 rw\n//nas/x /home/ann/les cifs rw\n", False),
        ("//nas/x / cifs rw\n", True),
        ("", False),
    ],
)
def test_network_shares_are_known(monkeypatch: pytest.MonkeyPatch, mounts: str, share: bool) -> None:
    """The kinds and the octal blanks of /proc/self/mounts: proc(5), fstab(5)."""
    monkeypatch.setattr(watch.Path, "read_text", lambda *_: mounts)
    assert watch._on_a_share("/home/ann/les sons/ash") is share
