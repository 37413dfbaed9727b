"""Which lessons are meant by lessons, folders, weeks and weeks of weeks."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.config.load import load_lesson
from pipeline.config.starter import write_starter
from pipeline.config.toml import Document, read_toml
from pipeline.errors import MisuseError, Problems
from pipeline.read.lesson import read_lessons
from pipeline.read.weeks import MAX_DEPTH, LessonSource, clashes, lesson_files, read_paths, slug_at


def lesson(folder: Path, title: str = "") -> Path:
    """A lesson as far as finding it goes."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "lesson.toml").write_text(f'title = "{title or folder.name}"\ntab = "tab.txt"\n')
    return folder / "lesson.toml"


def found(*paths: Path) -> tuple[list[str], Problems]:
    """The lessons' folders, from the one that all paths lie in; and what was told."""
    problems = Problems()
    return [source.path.parent.name for source in read_paths(paths, problems)], problems


def told(problems: Problems) -> list[str]:
    return [problem.text() for problem in problems]


@pytest.fixture
def home(tmp_path: Path) -> Path:
    for name in ("ash", "birch", "cedar", "older/dogwood", "older/elm"):
        lesson(tmp_path / name)
    return tmp_path


def test_a_week_lists_lessons_weeks_and_folders(home: Path) -> None:
    (home / "one.toml").write_text('lessons = ["birch", "ash/lesson.toml"]\n')
    (home / "older" / "two.toml").write_text('lessons = ["elm", "../cedar"]\n')
    (home / "all.toml").write_text('lessons = ["one.toml", "older/two.toml", "older"]\n')
    names, problems = found(home / "all.toml")
    assert names == ["birch", "ash", "elm", "cedar", "dogwood"] and not told(problems)
    (source, *_) = read_paths([home / "all.toml"], problems)
    assert source.spot is not None
    assert (source.spot.path, source.spot.line, source.spot.column) == (home / "one.toml", 1, 12)


def test_a_folder_is_every_lesson_below_it(home: Path) -> None:
    lesson(home / ".trash" / "gone")
    lesson(home / "ash" / "part two")
    built = lesson(home / "out" / "ash" / "packs" / "x").parents[2]
    (built / "release.json").write_text("{}")
    (home / "older" / "link back").symlink_to(home, target_is_directory=True)
    names, problems = found(home)
    assert names == ["ash", "part two", "birch", "cedar", "dogwood", "elm"] and not told(problems)
    assert found(home / "ash")[0] == ["ash"], "a lesson named by its folder is that one"


def test_a_linked_folder_is_walked_once(home: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    far = tmp_path_factory.mktemp("other disk")
    lesson(far / "fir")
    (home / "linked").symlink_to(far, target_is_directory=True)
    (home / "older" / "again").symlink_to(far, target_is_directory=True)
    assert found(home)[0] == ["ash", "birch", "cedar", "fir", "dogwood", "elm"]


def test_a_folder_that_cannot_be_listed(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Forbidden by hand, as the superuser may look everywhere; the others are found all the same."""
    real = os.scandir

    def scan(path):
        if Path(path).name == "older":
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", scan)
    names, problems = found(home)
    assert names == ["ash", "birch", "cedar"]
    (said,) = told(problems)
    assert said.startswith(f"{home / 'older'}: error: the folder cannot be read: Permission denied")


def test_what_a_week_says_goes_down_and_the_outermost_is_on_top(home: Path) -> None:
    (home / "in.toml").write_text(
        'lessons = ["ash", {path = "birch", tempo = 60, backing = {guide = false, groove = "shuffle"}}]\n'
    )
    (home / "out.toml").write_text(
        '[[lesson]]\npath = "in.toml"\ntempo = 90\nbacking.groove = "straight"\n\n'
        '[[lesson]]\npath = "older"\nlevel = "hard"\n'
    )
    problems = Problems()
    sources = read_paths([home / "out.toml"], problems)
    assert [source.overrides.data if source.overrides else None for source in sources] == [
        {"tempo": 90, "backing": {"groove": "straight"}},
        {"tempo": 90, "backing": {"guide": False, "groove": "straight"}},
        {"level": "hard"},
        {"level": "hard"},
    ]
    over = sources[1].overrides
    assert over is not None
    assert over.value_spot(("tempo",)).path == home / "out.toml"
    assert over.value_spot(("backing", "guide")).path == home / "in.toml"


@pytest.mark.parametrize("listed", ["older", "two.toml"])
@pytest.mark.parametrize(
    ("key", "value"), [("title", '"X"'), ("slug", '"x"'), ("take", '"t.wav"'), ("phrase", "[]")]
)
def test_what_is_for_one_lesson_cannot_be_said_of_several(
    home: Path, listed: str, key: str, value: str
) -> None:
    (home / "two.toml").write_text('lessons = ["birch", "cedar"]\n')
    (home / "all.toml").write_text(
        f'[[lesson]]\npath = "{listed}"\n{key} = {value}\n[[lesson]]\npath="ash"\n'
    )
    names, problems = found(home / "all.toml")
    assert names == ["ash"], "the others are still built"
    (said,) = told(problems)
    assert said.startswith(f"{home / 'all.toml'}:3:1: error: `{key}` is for one lesson, but {home / listed} ")


def test_a_circle_of_weeks_is_told_once_with_its_chain(home: Path) -> None:
    (home / "a.toml").write_text('lessons = [\n    "ash",\n    "b.toml",\n    "birch",\n]\n')
    (home / "b.toml").write_text('lessons = ["./older/../a.toml", "cedar"]\n')
    for paths in ([home / "a.toml"], [home / "a.toml", home / "b.toml"]):
        names, problems = found(*paths)
        assert names == ["ash", "cedar", "birch"]
        (said,) = told(problems)
        assert said.startswith(f"{home / 'b.toml'}:1:12: error: weeks list one another in a circle: ")
        chain = said.split("circle: ")[1].splitlines()[0].split(" lists ")
        assert [Path(os.path.normpath(link)).name for link in chain] == ["a.toml", "b.toml", "a.toml"]


def test_a_week_that_lists_itself(home: Path) -> None:
    (home / "a.toml").write_text('lessons = ["a.toml", "ash"]\n')
    names, problems = found(home / "a.toml")
    assert names == ["ash"]
    (said,) = told(problems)
    assert said.startswith(f"{home / 'a.toml'}:1:12: error: weeks list one another in a circle")


def test_weeks_far_too_deep_and_many_ways_to_one_week(home: Path) -> None:
    """A long chain ended in a RecursionError, and doubling ways would be walked 2^30 times."""
    for number in range(30):
        (home / f"w{number}.toml").write_text(f'lessons = ["w{number + 1}.toml", "./w{number + 1}.toml"]\n')
    (home / "w30.toml").write_text('lessons = ["ash"]\n')
    assert found(home / "w0.toml") == (["ash"], Problems())
    for number in range(30, 2000):
        (home / f"w{number}.toml").write_text(f'lessons = ["w{number + 1}.toml", "birch"]\n')
    names, problems = found(home / "w0.toml")
    assert names == ["birch"]
    (said,) = told(problems)
    assert f"weeks are listed {MAX_DEPTH} deep" in said and f"w{MAX_DEPTH - 1}.toml:1:12" in said


@pytest.mark.parametrize(
    ("entry", "said", "remedy"),
    [
        ("brich", "there is no lesson at ", "Did you mean 'birch'?"),
        ("on.toml", "there is no lesson at ", "Did you mean 'one.toml'?"),
        ("zzz", "there is no lesson at ", "The path counts from the week's file."),
        ("empty", "the folder ", "A lesson has a lesson.toml."),
        ("channel.toml", "is the channel file", "Name a lesson, a folder or a week."),
        ("ash/tab.txt", "is not a lesson", "Name its folder, or its lesson.toml."),
    ],
)
def test_one_wrong_entry_leaves_the_others(home: Path, entry: str, said: str, remedy: str) -> None:
    (home / "channel.toml").write_text("")
    (home / "ash" / "tab.txt").write_text("")
    (home / "one.toml").write_text('lessons = ["ash"]\n')
    (home / "empty").mkdir()
    (home / "week.toml").write_text(f'lessons = ["ash", {{path = "{entry}"}}, "birch"]\n')
    names, problems = found(home / "week.toml")
    assert names == ["ash", "birch"]
    (problem,) = problems.errors
    assert (problem.path, problem.line, problem.column) == (home / "week.toml", 1, 27)
    assert said in problem.what and problem.remedy == remedy


def test_a_listed_week_with_errors_leaves_the_others(home: Path) -> None:
    (home / "bad.toml").write_text('lessons = ["ash"\n')
    (home / "half.toml").write_text('lessons = ["birch", 7]\n')
    (home / "week.toml").write_text('lessons = ["bad.toml", "half.toml", "cedar", "bad.toml"]\n')
    names, problems = found(home / "week.toml")
    assert names == ["birch", "cedar"]
    assert [str(p.path.name) for p in problems.errors if p.path] == ["bad.toml", "half.toml"]


def test_a_lesson_named_twice_is_read_once(home: Path) -> None:
    (home / "week.toml").write_text('lessons = ["ash", "birch", {path = "ash"}, "birch/lesson.toml"]\n')
    (home / "link").symlink_to(home / "ash", target_is_directory=True)
    names, problems = found(home / "ash", home / "week.toml", home / "ash" / "lesson.toml", home / "link")
    assert names == ["ash", "birch"] and not told(problems)
    (home / "week.toml").write_text('lessons = [{path = "ash", tempo = 60}, {path = "ash", tempo = 60}]\n')
    assert found(home / "week.toml")[0] == ["ash"]


def test_the_same_lesson_with_other_words_over_it(home: Path) -> None:
    path = home / "week.toml"
    path.write_text(
        'lessons = [\n  "ash",\n  {path = "ash", tempo = 60},\n  {path = "ash", slug = "ash-slow"},\n]\n'
    )
    sources = read_paths([path], Problems())
    first, second, third = clashes(sources)
    assert first is None and third is None and second is not None
    assert second.text().startswith(
        f"{path}:3:11: error: {home / 'ash'} is listed a second time (first: {path}:2) with other words over it, "
        "and both would be written to 'ash'"
    )
    assert "slug =" in second.remedy


def test_two_lessons_of_one_name(tmp_path: Path) -> None:
    write_starter(tmp_path / "a")
    write_starter(tmp_path / "b")
    write_starter(tmp_path / "c")
    own = tmp_path / "c" / "lesson.toml"
    own.write_text(own.read_text().replace('title = "C"', 'title = "A"'))
    (tmp_path / "week.toml").write_text('lessons = ["a", {path = "b", title = "— A —"}, "c"]\n')
    reads, _ = read_lessons([tmp_path / "week.toml"])
    assert [read.lesson is not None for read in reads] == [True, False, False]
    (_, by_week, by_file) = (read.problems.errors for read in reads)
    assert [len(by_week), len(by_file)] == [1, 1]
    assert f"this lesson and {tmp_path / 'a' / 'lesson.toml'} would both be called 'a'" in by_week[0].what
    assert (by_week[0].path, by_week[0].line, by_week[0].column) == (tmp_path / "week.toml", 1, 38)
    assert by_file[0].path == tmp_path / "c" / "lesson.toml" and by_file[0].line is not None


def test_a_broken_lesson_keeps_its_place(tmp_path: Path) -> None:
    """Else mending it would throw another lesson's release away."""
    write_starter(tmp_path / "a" / "tune")
    write_starter(tmp_path / "b" / "tune")
    (tmp_path / "a" / "tune" / "tab.txt").write_text("nothing")
    reads, _ = read_lessons([tmp_path / "a" / "tune", tmp_path / "b" / "tune"])
    assert [read.lesson for read in reads] == [None, None]
    assert "would both be called" in reads[1].problems.errors[-1].what


TITLES = st.text(max_size=70)


@given(
    title=st.none() | TITLES | st.integers(),
    slug=st.none() | st.sampled_from(["low-tide", "Low-Tide", "a" * 61, "-", "x\n", "", 3]) | TITLES,
    over=st.none() | st.sampled_from([{}, {"title": "夜"}, {"slug": "other"}, {"slug": 4}, {"title": " "}]),
    name=st.sampled_from(["a folder", "夜", "Été", "--"]),
)
def test_the_light_look_sees_the_slug_the_lesson_gets(
    tmp_path_factory: pytest.TempPathFactory, title: object, slug: object, over: dict | None, name: str
) -> None:
    folder = tmp_path_factory.mktemp("any") / name
    folder.mkdir()
    (folder / "tab.txt").write_text("")
    rows = {"title": title, "slug": slug, "tab": "tab.txt"}
    path = folder / "lesson.toml"
    path.write_text(
        "".join(f"{k} = {quoted(v)}\n" for k, v in rows.items() if v is not None), encoding="utf-8"
    )
    overrides = None if over is None else Document(path, over)
    problems = Problems()
    written = load_lesson(path, problems, overrides=overrides)
    expected = written.config.slug if written is not None and not problems.errors else None
    assert slug_at(LessonSource(path, overrides)) == expected, told(problems)


def quoted(value: object) -> str:
    if not isinstance(value, str):
        return str(value)
    return '"' + "".join(f"\\U{ord(sign):08X}" for sign in value if not 0xD800 <= ord(sign) < 0xE000) + '"'


@pytest.mark.parametrize("raw", [b"\xff\xfe", b"title = ", b"title = 1" + b"9" * 5000, b"[" * 3000, b""])
def test_a_lesson_that_cannot_be_read_has_no_slug(tmp_path: Path, raw: bytes) -> None:
    (tmp_path / "lesson.toml").write_bytes(raw)
    assert slug_at(LessonSource(tmp_path / "lesson.toml")) is None
    assert slug_at(LessonSource(tmp_path / "none.toml")) is None


def test_as_windows_editors_write_it(tmp_path: Path) -> None:
    (tmp_path / "lesson.toml").write_bytes(b'\xef\xbb\xbftitle = "Low Tide"\r\ntab = "tab.txt"\r\n')
    assert slug_at(LessonSource(tmp_path / "lesson.toml")) == "low-tide"
    assert read_toml(tmp_path / "lesson.toml", Problems()) is not None


def test_what_is_no_lesson_is_misuse_all_at_once(home: Path) -> None:
    (home / "channel.toml").write_text("")
    (home / "ash" / "tab.txt").write_text("")
    (home / "empty").mkdir()
    (home / "empty" / "week.toml").write_text('lessons = ["../ash"]\n')
    paths = [home / "none", home / "empty", home / "channel.toml", home / "ash" / "tab.txt"]
    with pytest.raises(MisuseError) as caught:
        read_paths(paths, Problems())
    assert str(caught.value).splitlines() == [
        f"{home / 'none'}: there is no such file or folder",
        f"{home / 'empty'}: this folder holds no lesson.toml, nor does one below it; try {home / 'empty' / 'week.toml'}",
        f"{home / 'channel.toml'}: this is the channel file; name a lesson or a week",
        f"{home / 'ash' / 'tab.txt'}: not a lesson; name its folder, its lesson.toml, or a week file",
    ]
    with pytest.raises(MisuseError, match="no lesson was named"):
        read_paths([], Problems())


def test_finding_lessons_loads_no_music() -> None:
    """A look at three hundred lessons that changed in nothing must not wait for libraries."""
    code = (
        "import sys, pipeline.read.weeks\n"
        "print([m for m in ('numpy', 'av', 'soundfile', 'PIL', 'scipy', 'rich') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_every_lesson_file_of_the_demo_is_found() -> None:
    configs = Path(__file__).parents[2] / "configs"
    files = list(lesson_files(configs, Problems()))
    assert files == sorted(configs.glob("*/lesson.toml")) and len(files) >= 4


def test_a_folder_that_may_not_be_entered(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It ended the whole build, with an advice about where to write."""
    is_file = Path.is_file

    def refused(path: Path) -> bool:
        if path.parent.name == "birch":
            raise PermissionError(13, "Permission denied", str(path))
        return is_file(path)

    monkeypatch.setattr(Path, "is_file", refused)
    (home / "week.toml").write_text('lessons = ["ash", "birch", "cedar"]\n')
    names, problems = found(home / "week.toml")
    assert names == ["ash", "cedar"]
    (said,) = told(problems)
    assert f"week.toml:1:19: error: {home / 'birch'} cannot be looked at: Permission denied" in said
    names, problems = found(home / "birch", home / "ash")
    assert names == ["ash"]
    assert "birch cannot be looked at" in told(problems)[0]


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ('lesons = ["ash"]', "lessons"),
        ('Lessons = ["ash"]', "lessons"),
        ('[[lessen]]\npath = "ash"', "lesson"),
    ],
)
def test_a_week_with_a_slip_in_its_list_is_still_a_week(home: Path, written: str, meant: str) -> None:
    """It was read as a lesson, and told that title and tab were missing."""
    (home / "week.toml").write_text(written + "\n")
    names, problems = found(home / "week.toml")
    assert names == [] and len(problems.found) == 1
    assert (
        "1:1: error: unknown key `" in told(problems)[0] or "1:3: error: unknown key `" in told(problems)[0]
    )
    assert problems.found[0].remedy == f"Did you mean `{meant}`?"
