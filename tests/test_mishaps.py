"""What can go wrong on a creator's desk, through the command itself.

Each test starts from the lesson that ``new`` makes, breaks one thing, and looks at the exit
code, at what is said and where, and at what is left on the disk.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile

from pipeline.build import making
from pipeline.cli import run
from pipeline.config.models import SLUG_LENGTH, slug_of
from pipeline.picture.clip import look_at_take
from pipeline.read.media import check_audio, probe

Said = Callable[..., tuple[int, str, str]]


@pytest.fixture
def lesson(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    assert run(["new", str(tmp_path / "first")]) == 0
    capsys.readouterr()
    return tmp_path / "first"


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Said:
    """Runs a command; gives exit code, stdout and stderr, which never hold a traceback."""

    def command(*arguments: object) -> tuple[int, str, str]:
        code = run([str(argument) for argument in arguments])
        told = capsys.readouterr()
        assert "Traceback" not in told.err and "itself failed" not in told.err, told.err
        return code, told.out, told.err

    return command


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")


def with_take(lesson: Path, name: str) -> Path:
    change(lesson / "lesson.toml", '# take = "take.flac"', f'take = "{name}"')
    return lesson / name


# -- the lesson's file ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('# groove = "shuffle"', 'groove = "polka"', "lesson.toml:23:10: error: there is no groove 'polka'"),
        ("# [look]", '[look]\nfont_bold = "tab.txt"', "lesson.toml:45:13: error: look: font "),
        (
            '"tab.txt"',
            '"../first/../tab.txt"',
            "lesson.toml:6:7: error: `tab`: '../first/../tab.txt' leads out",
        ),
        ('"tab.txt"', '"/etc/passwd"', "lesson.toml:6:7: error: `tab`: '/etc/passwd' leads out"),
        ("level =", "levle =", "lesson.toml:15:1: error: unknown key `levle`"),
        ('"First"', '""', "lesson.toml:5:9: error: `title` is empty\n"),
        ("[80, 100]", '["900 bpm"]', "lesson.toml:25:11: error: `backing.tempos 1`: a tempo is 10 to 500"),
        ('"D dorian"', '"X#"', "lesson.toml:24:9: error: `backing.keys 1`: not a key: 'X#'"),
    ],
)
def test_told_at_its_place(lesson: Path, said: Said, old: str, new: str, told: str) -> None:
    """Grooves and fonts are found out only when the build is planned, and were told without
    line and column, a font even at the path of the font."""
    change(lesson / "lesson.toml", old, new)
    code, _, err = said("check", lesson)
    assert code == 1
    assert told in err


def test_a_feel_nobody_knows_is_told_in_the_chart(lesson: Path, said: Said) -> None:
    change(lesson / "chart.txt", "straight eighths", "straigt eigths")
    code, _, err = said("check", lesson)
    assert code == 1
    assert "chart.txt:6:7: error: there is no groove 'straigt eigths'" in err
    assert "  Did you mean 'straight eighths'?" in err


def test_all_that_planning_finds_is_told_at_once(lesson: Path, said: Said) -> None:
    """The groove was told only after the font had been mended."""
    change(lesson / "lesson.toml", '# groove = "shuffle"', 'groove = "polka"')
    change(lesson / "lesson.toml", "# [look]", '[look]\nfont_regular = "chart.txt"')
    code, out, err = said("build", lesson, "--out", lesson / "out")
    assert code == 1 and "2 errors in the sources" in out
    assert "polka" in err and "chart.txt cannot be used" in err


def test_a_damaged_font_is_no_font(lesson: Path, said: Said) -> None:
    """A collection of fonts with a broken head raised AssertionError inside the font library,
    and lessonwright itself failed."""
    (lesson / "house.ttf").write_bytes(b"ttcf" + bytes(range(200)))
    change(lesson / "lesson.toml", "# [look]", '[look]\nfont_regular = "house.ttf"')
    code, _, err = said("check", lesson)
    assert code == 1
    assert "house.ttf cannot be used (" in err


@pytest.mark.parametrize("kind", ["dangling", "loop", "pipe", "out"])
def test_a_tab_that_is_no_file(lesson: Path, said: Said, kind: str) -> None:
    """A link to nothing was "no file", with another file of the folder suggested; a pipe must
    not be waited for."""
    tab = lesson / "tab.txt"
    tab.unlink()
    if kind == "pipe":
        os.mkfifo(tab)
    else:
        tab.symlink_to({"dangling": "nowhere.txt", "loop": "tab.txt", "out": "/etc/passwd"}[kind])
    code, _, err = said("check", lesson)
    assert code == 1
    what = {"pipe": "is not an ordinary file", "out": "leads out of the folder of the lesson"}
    assert what.get(kind, "is a link to a file that is not there") in err


def test_a_title_longer_than_a_file_name(lesson: Path, said: Said) -> None:
    """The folder was named after the whole title: "File name too long", and with it ended the
    build of the whole week."""
    change(lesson / "lesson.toml", "First", "Down by the water " * 20)
    code, out, _ = said("build", lesson, "--out", lesson / "out", "--step", "still")
    assert code == 0, out
    (release,) = (path for path in (lesson / "out").iterdir() if path.name != ".store")
    assert release.name == "down-by-the-water-down-by-the-water-down-by-the-water-down"
    assert slug_of("x" * 300) == "x" * SLUG_LENGTH
    assert slug_of("a " + "x" * 300) == "a"


@pytest.mark.parametrize("title", ["שלום ערב", "夜の歌", "🎸 👩‍🎤", "...", "a\\tb\\nc", "<b>&'{{ 7*7 }}"])
def test_titles_of_every_kind(lesson: Path, said: Said, title: str) -> None:
    change(lesson / "lesson.toml", "First", title)
    out = lesson / "out of the box"
    code, _, err = said("build", lesson, "--out", out, "--step", "words", "--step", "still")
    assert code == 0, err
    (description,) = out.glob("*/public/description.txt")
    assert title.encode().decode("unicode_escape")[0] in description.read_text("utf-8") or "\\" not in title


def test_a_bad_tempo_is_told_once(lesson: Path, said: Said) -> None:
    """With ``tempo: 9`` the check also said that no tempo was stated."""
    change(lesson / "tab.txt", "tempo: 92", "tempo: 9")
    code, _, err = said("check", lesson)
    assert code == 1
    assert "not a tempo: '9'" in err and "no tempo is stated" not in err


# -- the command ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--cluster", ""], "--cluster: the address is empty"),
        (["--step", "zzz"], "--step zzz: no such step\n  There are align, "),
        (["--step", "overlya"], "no such step\n  Did you mean overlay? There are"),
        (["--tempo", "900"], "--tempo 900: a tempo is 10 to 500"),
        (["--tempo", "nan"], "--tempo nan: not a tempo"),
        (["--key", ""], "not a key: ''"),
    ],
)
def test_misuse_makes_nothing(lesson: Path, said: Said, options: list[str], told: str) -> None:
    """An empty address (of an unset variable) was taken for no address."""
    code, out, err = said("build", lesson, "--out", lesson / "out", *options)
    assert (code, out) == (2, "")
    assert told in err
    assert not (lesson / "out").exists()


def test_all_misuse_is_told_at_once(lesson: Path, said: Said) -> None:
    """Only the first was: the next came to light when it was mended."""
    options = ["--key", "H", "--tempo", "abc", "--tempo", "900", "--step", "zzz"]
    code, _, err = said("build", lesson, *options)
    assert code == 2
    for told in ("error: --key H:", "error: --tempo abc:", "error: --tempo 900:", "error: --step zzz:"):
        assert told in err


def test_a_full_disk_is_called_full(lesson: Path, said: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    """With no byte free when the store was to be made, the advice was to change permissions."""

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(making.Making, "write_whole", full)
    code, _, err = said("build", lesson, "--out", lesson / "out", "--step", "still")
    assert code == 3
    assert "No space left on device" in err and "free some space there" in err and "permissions" not in err


# -- weeks ------------------------------------------------------------------------------------


def test_a_week_in_which_much_is_wrong(lesson: Path, said: Said) -> None:
    """Missing, broken and misspelt lessons: each told at its place, the whole one built, and
    the answer is one JSON document."""
    (lesson.parent / "second").mkdir()
    (lesson.parent / "second" / "lesson.toml").write_text('title = "Two"\ntab = "tab.txt"\n')
    week = lesson.parent / "week.toml"
    week.write_text('lessons = ["first", "second", "third", {path = "first", colour = 1, title = "Three"}]\n')
    out = lesson.parent / "out"
    code, told, err = said("build", week, "--out", out, "--step", "still", "--json")
    answer: dict[str, Any] = json.loads(told)
    assert code == 1
    assert [one["ok"] for one in answer["lessons"]] == [True, False, False]
    assert "week.toml:1:31: error: there is no lesson at" in answer["errors"][0]
    assert "week.toml:1:57: error: unknown key `colour`" in err
    assert (out / "first" / "public" / "still.png").is_file()


def test_a_week_without_lessons_prints_nothing_on_stdout(lesson: Path, said: Said) -> None:
    """It printed an empty line."""
    week = lesson.parent / "week.toml"
    week.write_text("lessons = []\n")
    code, out, err = said("build", week, "--out", lesson.parent / "out")
    assert (code, out) == (1, "")
    assert "week.toml:1:1: error: the week lists no lesson" in err


# -- templates --------------------------------------------------------------------------------


@pytest.fixture
def texts(lesson: Path) -> Path:
    (lesson / "channel.toml").write_text('name = "N"\ntemplates = "texts"\n')
    (lesson / "texts").mkdir()
    return lesson / "texts"


def test_a_template_that_is_a_link_out_is_refused(texts: Path, said: Said) -> None:
    """A link named description.txt.j2 to a file anywhere put that file into the public folder."""
    secret = texts.parent.parent / "secret.txt"
    secret.write_text("not for the public\n")
    (texts / "description.txt.j2").symlink_to(secret)
    out = texts.parent / "out"
    code, _, err = said("build", texts.parent, "--out", out, "--step", "words")
    assert code == 1
    assert "description.txt.j2: error: this template is a link to a file elsewhere" in err
    assert not list(out.glob("*/public/*"))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a\n{% if %}\n", "description.txt.j2:2: error: the template stops: Expected an expression"),
        ("a\n{{ titel }}\n", ""),  # what a variable is worth shows only when the text is made
    ],
)
def test_check_reads_templates(texts: Path, said: Said, text: str, told: str) -> None:
    """`check` said "can be built" of a lesson whose template could not be parsed."""
    (texts / "description.txt.j2").write_text(text)
    code, _, err = said("check", texts.parent)
    assert (code, told in err) == (1 if told else 0, True)
    code, _, err = said("build", texts.parent, "--out", texts.parent / "out", "--step", "words")
    assert code == 1 and "description.txt.j2:2: error: " in err


def test_a_misnamed_template_is_mentioned(texts: Path, said: Said) -> None:
    """``description.txt`` in the folder of templates was passed over without a word."""
    (texts / "description.txt").write_text("mine\n")
    (texts / "readme.txt.j2").write_text('{% include "foot.j2" %}')
    (texts / "foot.j2").write_text("foot\n")
    code, _, err = said("check", texts.parent)
    assert code == 0
    assert "description.txt: no text is made with this file. Did you mean description.txt.j2?" in err
    assert err.count("no text is made") == 1


@pytest.mark.parametrize("text", ['{% include "/etc/passwd" %}', '{% include "../lesson.toml" %}',
                                  "{{ lesson.__class__ }}", "{% for i in range(10**9) %}x{% endfor %}"])  # fmt: skip
def test_templates_stay_in_their_room(texts: Path, said: Said, text: str) -> None:
    (texts / "description.txt.j2").write_text(text)
    code, _, err = said("build", texts.parent, "--out", texts.parent / "out", "--step", "words")
    assert code == 1 and "description.txt.j2" in err
    assert not list((texts.parent / "out").glob("*/public/*"))


# -- takes ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("take.wav", b"", "is empty (0 bytes)"),
        ("take.wav", np.random.default_rng(5).bytes(40_000), "is damaged or not a recording"),
        ("take.mp4", b"this is no film\n" * 50, "is damaged or not a recording"),
        # it was once "Operation not permitted", as if permissions were at fault
        ("take.flac", np.random.default_rng(5).bytes(40_000), "is damaged or not a recording\n"),
    ],
)
def test_what_is_no_recording(lesson: Path, said: Said, name: str, content: bytes, told: str) -> None:
    with_take(lesson, name).write_bytes(content)
    code, _, err = said("check", lesson)
    assert code == 1
    assert "lesson.toml:8:8: error: " in err and told in err


@pytest.mark.parametrize(
    ("seconds", "level", "told"),
    [
        (30.0, 0.0, "is silent (every sample is zero)"),
        (30.0, 1e-4, "is silent (its peak is -8"),
        (5.0, 0.1, "the take holds 5.0 s, the tab lasts 20.9 s as played at 92"),
        (30.0, float("nan"), "holds samples that are not numbers"),
    ],
)
def test_takes_that_cannot_be(lesson: Path, said: Said, seconds: float, level: float, told: str) -> None:
    noise = np.random.default_rng(7).uniform(-level, level, round(8000 * seconds)) if level == level else None
    samples = noise if noise is not None else np.full(round(8000 * seconds), np.nan)
    soundfile.write(with_take(lesson, "take.wav"), samples.astype(np.float32), 8000, subtype="FLOAT")
    code, _, err = said("check", lesson)
    assert code == 1
    assert "lesson.toml:8:8: error: " in err and told in err


@pytest.mark.parametrize("step", ["align", "clip"])
def test_a_take_of_something_else_leaves_the_release(lesson: Path, said: Said, step: str) -> None:
    out = lesson / "out"
    assert said("build", lesson, "--out", out, "--step", "still", "--step", "midi")[0] == 0
    before = {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in (out / "first").rglob("*.*")
              if p.is_file()}  # fmt: skip
    noise = np.random.default_rng(7).uniform(-0.3, 0.3, 22_050 * 25)
    soundfile.write(with_take(lesson, "take.wav"), noise, 22_050)
    code, told, err = said("build", lesson, "--out", out, "--step", step, "--json")
    assert code == 1 and json.loads(told)["lessons"][0]["ok"] is False
    assert "this recording does not seem to be a take of this tab" in err
    assert all(hashlib.sha256(p.read_bytes()).hexdigest() == digest for p, digest in before.items())


def ffmpeg(*arguments: object) -> None:
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-nostdin", "-y", *map(str, arguments)]
    subprocess.run(command, check=True)


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Thirty seconds of picture and noise, what says how long it is at the front."""
    path = tmp_path_factory.mktemp("film") / "film.mp4"
    ffmpeg("-f", "lavfi", "-i", "testsrc2=s=64x48:r=30:d=30", "-f", "lavfi", "-i",
           "anoisesrc=d=30:a=0.2:seed=1:r=22050", "-c:v", "libx264", "-preset", "ultrafast", "-c:a", "aac",
           "-movflags", "+faststart", path)  # fmt: skip
    return path


def test_a_third_of_a_film_that_says_it_is_whole(film: Path, lesson: Path, said: Said) -> None:
    """An upload cut short still says its full length at the front: it passed the check
    and was then "not a take of this tab"."""
    front = film.with_name("front.mov")
    ffmpeg("-i", film, "-c:v", "copy", "-c:a", "pcm_s16le", "-movflags", "+faststart", front)
    whole = front.read_bytes()
    with_take(lesson, "take.mov").write_bytes(whole[: len(whole) // 3])
    code, _, err = said("check", lesson)
    assert code == 1
    assert "says it lasts 30.0 s, but its sound ends at " in err
    assert "error: the take holds " in err and "the tab lasts 20.9 s" in err


def test_dropped_frames_keep_the_grid(film: Path, tmp_path: Path) -> None:
    """A film with every third frame of a stretch only was turned into one of 18.78 frames a
    second, its average: motion stuttered. Its frames stand on a grid of 30."""
    path = tmp_path / "dropped.mp4"
    ffmpeg("-i", film, "-vf", "select='not(mod(n,3))+lt(mod(n,90),40)'", "-fps_mode", "vfr", "-c:v", "libx264",
           "-preset", "ultrafast", "-c:a", "copy", path)  # fmt: skip
    info = probe(path)
    assert info.video is not None and info.video.fps == 30
    assert look_at_take(path).fps == 30


def test_sound_that_starts_late_ends_late(film: Path, tmp_path: Path) -> None:
    """The clip ended with the picture, 1.5 s before its sound."""
    path = tmp_path / "late.mp4"
    ffmpeg("-i", film, "-itsoffset", "1.5", "-i", film, "-map", "0:v", "-map", "1:a", "-c", "copy", path)
    assert look_at_take(path).seconds == pytest.approx(31.5, abs=0.1)
    assert check_audio(path).end_s == pytest.approx(31.5, abs=0.1)


# -- nonsense ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("tab.txt", "8b10", "9" * 5000),
        ("tab.txt", "time: 4/4", "time: 4/" + "9" * 5000),
        ("tab.txt", "key: D dorian", "capo: " + "9" * 5000),
        ("chart.txt", "| G7 |", "| G7 :|x" + "9" * 5000),
        ("lesson.toml", '"5-8"', '"5-' + "9" * 5000 + '"'),
        ("lesson.toml", "# tempo = 92", "tempo = " + "9" * 5000),
    ],
)
def test_endless_numbers(lesson: Path, said: Said, file: str, old: str, new: str) -> None:
    """Python reads no number of more than 4300 digits: a key held down on a fret, and
    lessonwright itself failed."""
    change(lesson / file, old, new)
    code, _, err = said("check", lesson)
    assert code == 1
    assert f"{file}:" in err and "set_int_max_str_digits" not in err
    assert max(map(len, err.splitlines())) < 5400


def test_endless_numbers_in_a_score(lesson: Path, said: Said) -> None:
    (lesson / "tab.musicxml").write_text(f"<score-partwise>\n<x>{'9' * 5000}</x></score-partwise>")
    change(lesson / "lesson.toml", '"tab.txt"', '"tab.musicxml"')
    code, _, err = said("check", lesson)
    assert code == 1 and "tab.musicxml:2: error: a number of 5000 digits" in err


def test_a_string_named_with_a_foreign_digit(lesson: Path, said: Said) -> None:
    """Regular expressions take ٣ for a digit; the reader of note names did not, and failed."""
    tab = lesson / "tab.txt"
    tab.write_text(tab.read_text().replace("\nG|", "\nG٣|"))
    code, _, err = said("check", lesson)
    assert code == 1 and "error: 'G٣' at the start of this string is not the name of a note" in err


# -- where the release goes -------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["file", "link"])
def test_what_stands_in_the_way_is_left_alone(lesson: Path, said: Said, kind: str) -> None:
    """A file of the creator's own with the name of the release was deleted; behind a link, the
    files of the folder it led to were carried off into the release."""
    out, mine = lesson.parent / "out", lesson.parent / "mine"
    out.mkdir()
    mine.mkdir()
    (mine / "letters.txt").write_text("dear")
    place = out / "first"
    if kind == "file":
        place.write_text("dear")
    else:
        place.symlink_to(mine)
    code, told, err = said("build", lesson, "--out", out, "--step", "still", "--json")
    assert code == 3 and json.loads(told)["lessons"][0]["ok"] is False
    assert f"first is a {kind}; take it away, or choose another folder" in err
    assert (mine / "letters.txt").read_text() == "dear"
    assert place.is_symlink() if kind == "link" else place.read_text() == "dear"


@pytest.mark.parametrize(
    "record",
    ["", "[]", "[" * 100_000, '{"files": 5}', '{"files": [{"path": 5}, {}, 7, {"path": "../x", "step": "a"}]}',
     '{"files": [], "steps": 3, "version": []}'],
)  # fmt: skip
def test_a_record_that_was_damaged(lesson: Path, said: Said, record: str) -> None:
    """An entry of release.json without its step ended the build in a KeyError."""
    out = lesson.parent / "out"
    assert said("build", lesson, "--out", out, "--step", "still")[0] == 0
    (out / "first" / "release.json").write_text(record)
    code, _, err = said("build", lesson, "--out", out, "--step", "still")
    assert code == 0, err
    found = json.loads((out / "first" / "release.json").read_text())
    assert "public/still.png" in [entry["path"] for entry in found["files"]]


def test_a_store_that_was_damaged(lesson: Path, said: Said) -> None:
    """A mark that no version wrote is made good; one of a newer version is refused."""
    out = lesson.parent / "out"
    mark = out / ".store" / "format"
    assert said("build", lesson, "--out", out, "--step", "still")[0] == 0
    mark.write_bytes(b"\xff\xfe")
    assert said("build", lesson, "--out", out, "--step", "still")[0] == 0
    assert mark.read_text() == "1\n"
    mark.write_text("2\n")
    code, _, err = said("build", lesson, "--out", out, "--step", "still")
    assert code == 3 and "or delete the folder to make everything again" in err


def test_a_wrong_key_hides_nothing_beside_it(lesson: Path, said: Said) -> None:
    """A segment of an unknown kind kept all segments from being checked: the missing file of
    the next one was told only at the next check."""
    more = '\n[[segment]]\nname = "A"\nfile = "no.mp4"\nkind = "song"\n'
    more += '\n[[segment]]\nname = "B"\nfile = "nor.mp4"\n\n[look]\nink = "teal"\nfont_bold = "no.ttf"\n'
    path = lesson / "lesson.toml"
    path.write_text(path.read_text() + more)
    code, _, err = said("check", lesson)
    assert code == 1
    told = [line for line in err.splitlines() if ": error: " in line]
    for part in ("`segment 1.kind` must be", "'no.mp4'", "'nor.mp4'", "`look.ink`", "'no.ttf'"):
        assert sum(part in line for line in told) == 1, (part, told)
