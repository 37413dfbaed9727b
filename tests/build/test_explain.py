"""Why each step was made or reused; what a dry run tells; whose place a release has."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from pipeline import cli
from pipeline.build.summary import LessonResult, StepTold
from tests.build.test_week import Desk


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    made = Desk(tmp_path_factory.mktemp("explain"))
    assert made.build().exit_code == 0
    return made


def only(desk: Desk, **more: Any) -> LessonResult:
    (lesson,) = desk.build(**more).lessons
    return lesson


def why(lesson: LessonResult) -> dict[str, tuple[str, ...]]:
    return {step.name: step.why for step in lesson.steps if step.state != "reused"}


def states(lesson: LessonResult) -> dict[str, str]:
    return {step.name: step.state for step in lesson.steps}


def tree(folder: Path) -> dict[str, int]:
    """Every file with its time; when a result was last of use, which its record's time says, apart."""
    found = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {str(path): 0 if path.name == "made.json" else path.stat().st_mtime_ns for path in found}


def test_an_unchanged_lesson_is_not_even_read(desk: Desk) -> None:
    only(desk)
    before = tree(desk.out)
    lesson = only(desk)
    assert set(states(lesson).values()) == {"reused"}
    assert {step.why for step in lesson.steps} == {("nothing it depends on changed",)}
    receipt = str(desk.out / ".store" / "receipts" / "ebb.json")
    assert {path for path, time in tree(desk.out).items() if before.get(path) != time} <= {receipt}


def test_a_note_is_named_by_its_bar(desk: Desk) -> None:
    desk.rewrite("tab.txt", "-3------", "-2------")
    try:
        dry = only(desk, dry=True)
        made = only(desk)
    finally:
        desk.rewrite("tab.txt", "-2------", "-3------")
    assert why(made)["page"] == why(made)["midi"] == ("tab.txt changed: bar 2",)
    assert why(made)["pack crew"] == ("texttab and midi came out different",)
    # the dry run named the same steps, and made nothing
    assert set(why(dry)) >= set(why(made))
    assert why(dry)["page"] == ("tab.txt changed: bar 2",)
    assert "may come out different" in why(dry)["pack crew"][0]
    assert states(dry)["midi"] == "would be made"
    assert states(dry)["pack crew"] == "may be made"
    back = only(desk)
    assert {step.why for step in back.steps if step.name == "page"} == {("the same had been made before",)}


def test_a_dry_run_touches_nothing(desk: Desk) -> None:
    only(desk)
    before = tree(desk.out)
    desk.rewrite("chart.txt", "C Em", "C G")
    try:
        lesson = only(desk, dry=True)
    finally:
        desk.rewrite("chart.txt", "C G", "C Em")
    assert tree(desk.out) == before
    assert why(lesson)["page"] == ("chart.txt changed: bar 2 (C Em → C G)",)
    assert states(lesson)["midi"] == "reused"


def test_what_is_gone_and_what_is_damaged(desk: Desk) -> None:
    only(desk)
    objects = [
        path for path in (desk.out / ".store" / "objects").glob("*/*") if (path / "still.png").exists()
    ]
    (objects[0] / "still.png").unlink()
    (objects[0] / "still.png").write_bytes(b"no picture")
    (desk.release / "public" / "still.png").unlink()
    assert why(only(desk))["still"] == ("what was kept of it was damaged",)
    shutil.rmtree(desk.out / ".store" / "objects")
    (desk.release / "review.html").unlink()
    reasons = why(only(desk))
    assert reasons["page"] == reasons["still"] == ("what was kept of it is gone",)


def test_another_lesson_of_that_name_is_not_written_over(desk: Desk, tmp_path: Path) -> None:
    only(desk)
    before = desk.contents()
    other = tmp_path / "copy"
    shutil.copytree(desk.lesson, other)
    theirs = Desk.__new__(Desk)
    theirs.lesson, theirs.out = other, desk.out
    summary = theirs.build()
    assert summary.exit_code == 1
    (problem,) = summary.lessons[0].source_errors
    assert (
        problem.what
        == f"{desk.release} holds the release of another lesson of that name, {desk.lesson / 'lesson.toml'}"
    )
    assert 'slug = "..."' in problem.remedy
    assert desk.contents() == before
    # a lesson that was moved is still itself
    shutil.move(desk.lesson, tmp_path / "moved")
    try:
        theirs.lesson = tmp_path / "moved"
        shutil.copy(desk.lesson.parent / "channel.toml", tmp_path / "channel.toml")
        shutil.copytree(desk.lesson.parent / "texts", tmp_path / "texts")
        assert theirs.build().exit_code == 0
    finally:
        shutil.move(tmp_path / "moved", desk.lesson)
        desk.build()


def test_the_store_keeps_to_its_size(desk: Desk, tmp_path: Path) -> None:
    """What this build needs stays in any case; what no build needed for longest goes."""
    own = Desk(tmp_path)
    own.build()
    objects = own.out / ".store" / "objects"
    first = {path.name for path in objects.glob("*/*")}
    own.rewrite("tab.txt", "-0-3-", "-2-3-")
    own.build(store_bytes=1)
    kept = {path.name for path in objects.glob("*/*")}
    assert kept & first and first - kept  # shared ones stayed, replaced ones went
    own.rewrite("tab.txt", "-2-3-", "-0-3-")
    assert why(only(own))["midi"][0].startswith("tab.txt changed")


def test_the_store_may_lie_elsewhere(tmp_path: Path) -> None:
    one, other = Desk(tmp_path / "one"), Desk(tmp_path / "other")
    store = str(tmp_path / "shared")
    assert one.build(store=store).exit_code == 0
    assert not (one.out / ".store" / "objects").exists()
    lesson = only(other, store=store)
    assert set(states(lesson).values()) == {"reused"}
    assert other.contents() == one.contents()


def test_what_is_damaged_at_an_address_is_made_again_in_the_same_build(tmp_path: Path) -> None:
    """Damage that leaves the size as it was shows only when the file has come."""
    one, other = Desk(tmp_path / "one"), Desk(tmp_path / "other")
    store = (tmp_path / "shared").as_uri()
    assert one.build(store=store).exit_code == 0
    records = (tmp_path / "shared" / "results").glob("*/*/made.json")
    home = next(
        p.parent for p in records if [f["name"] for f in json.loads(p.read_text())["files"]] == ["still.png"]
    )
    (picture,) = (path for path in home.iterdir() if path.name != "made.json")
    picture.write_bytes(bytes(len(picture.read_bytes())))
    lesson = only(other, store=store)
    assert lesson.ok, lesson.failure
    assert states(lesson)["still"] == "made"
    assert states(lesson)["midi"] == "reused"
    assert other.contents() == one.contents()


def test_a_release_without_a_receipt_is_a_release(tmp_path: Path) -> None:
    """It was in place, and the message said that the one before stayed as it was."""
    own = Desk(tmp_path)
    (own.out / ".store").mkdir(parents=True)
    (own.out / ".store" / "receipts").write_text("not a folder")
    lesson = only(own, steps=("still",))
    assert lesson.ok
    assert any(c.startswith("It could not be noted what was built") for c in lesson.cautions)
    assert (own.release / "public" / "still.png").is_file()


def test_on_the_command_line(desk: Desk, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    only(desk)
    arguments = ["build", str(desk.lesson), "--out", str(desk.out), "--explain"]
    assert cli.run([*arguments, "--graph", str(tmp_path / "steps.svg")]) == 0
    said = capsys.readouterr().out
    assert "  reused        page, musicxml, midi, " in said
    assert said.rstrip().endswith(": nothing it depends on changed")
    assert (tmp_path / "steps.svg").read_text("utf-8").startswith("<svg")
    assert cli.run(["build", str(desk.lesson), "--out", str(desk.out), "--dry-run"]) == 0
    assert capsys.readouterr().out == "ebb: nothing would be made\n" + "".join(
        line + "\n" for line in said.splitlines() if line.startswith("  reused")
    )


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--store", " "], "--store: the place is empty"),
        (["--store-size", "0"], "--store-size: it must be more than nothing"),
        (["--store-size", "nan"], "--store-size: it must be more than nothing"),
        (["--store-size", "1e300"], "--store-size: it must be more than nothing"),
        (["--limit", "-1"], "--limit: it must be more than nothing"),
        (["--store", "nosuch://place"], "nosuch"),
    ],
)
def test_options_that_make_no_sense(
    desk: Desk, capsys: pytest.CaptureFixture[str], options: list[str], told: str
) -> None:
    assert cli.run(["build", str(desk.lesson), "--out", str(desk.out), *options]) in (2, 3)
    assert told in capsys.readouterr().err


def test_seconds_and_reasons_are_data(desk: Desk) -> None:
    step = StepTold("page", "page", (), "made", 1.23456, 3.0, ("tab.txt changed: bar 2",))
    assert step.to_json() == {
        "name": "page", "state": "made", "seconds": 1.235, "why": ["tab.txt changed: bar 2"], "needs": [],
    }  # fmt: skip


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("configs/ebb/tab.txt", "the picture is an SVG file"),
        ("out/ebb/release.json", "the picture is an SVG file"),
        ("configs/logo.svg", "was not drawn by lessonwright"),
        ("folder.svg", "this is a folder"),
    ],
)
def test_a_picture_is_not_drawn_over_something_else(
    desk: Desk, name: str, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """``--graph tab.txt`` replaced the tab by the picture, and the build was told to be fine."""
    home = desk.out.parent
    (home / "configs" / "logo.svg").write_text('<svg xmlns="http://www.w3.org/2000/svg"/>')
    (home / "folder.svg").mkdir(exist_ok=True)
    before = {path: path.read_bytes() for path in home.rglob("*") if path.is_file()}
    arguments = ["build", str(desk.lesson), "--out", str(desk.out), "--graph", str(home / name)]
    assert cli.run(arguments) == 2
    assert told in capsys.readouterr().err
    assert {path: path.read_bytes() for path in home.rglob("*") if path.is_file()} == before


def test_a_picture_is_drawn_anew(desk: Desk, tmp_path: Path) -> None:
    only(desk)
    arguments = ["build", str(desk.lesson), "--out", str(desk.out), "--graph", str(tmp_path / "a.svg")]
    assert cli.run(arguments) == 0
    assert cli.run(arguments) == 0
