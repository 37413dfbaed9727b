"""Loading lessons, channels and weeks: each bad file breaks one rule of a good one."""

from __future__ import annotations

import os
import pickle
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.config.load import find_channel, load_channel, load_lesson, load_week
from pipeline.config.models import PRODUCTS, Channel, LookConfig, slug_of
from pipeline.config.starter import STARTER_FILES, write_starter
from pipeline.config.tempo import TempoChoice
from pipeline.config.toml import read_toml
from pipeline.errors import MisuseError, Problems
from pipeline.music.key import Key

GOOD = """\
title = "Low Tide"
tab = "tab.txt"
chart = "chart.txt"
take = "take.flac"
tempo = 104
rights = "own work"
tags = ["lead", "shuffle"]
start_s = 1.5
end_s = 40
[backing]
source = "chart"
groove = "shuffle"
keys = ["Am", "E dorian"]
tempos = [60, "80%", "96 bpm"]
[[phrase]]
name = "Call"
bars = "1-4"
[[phrase]]
name = "Answer"
bars = 5
[[segment]]
name = "All of it"
file = "take.flac"
kind = "performance"
[[segment]]
name = "The call"
file = "take.flac"
kind = "phrase"
phrase = "Call"
[look]
accent = "#1A6B5C"
"""

CHANNEL = """\
name = "Harbour Strings"
loudness_lufs = -16
overlay = "vp9"
[look]
paper = "#ffffff"
[[link]]
label = "Lessons"
url = "https://example.org/lessons"
[[tier]]
id = "pages"
title = "Pages"
includes = ["tab", "midi"]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    home = tmp_path / "low_tide"
    home.mkdir()
    for name in ("tab.txt", "chart.txt", "take.flac"):
        (home / name).write_text("x")
    (tmp_path / "other.txt").write_text("x")
    return home


def lesson(folder: Path, text: str):
    (folder / "lesson.toml").write_text(text, encoding="utf-8")
    problems = Problems()
    return load_lesson(folder / "lesson.toml", problems), problems


def test_the_good_lesson(folder: Path) -> None:
    written, problems = lesson(folder, GOOD)
    assert not problems.found and written is not None
    config = written.config
    assert config.title == "Low Tide" and config.slug == "low-tide" and config.tempo == 104.0
    assert config.path == folder / "lesson.toml" and config.folder == folder
    assert config.take == folder / "take.flac"
    assert config.backing.keys == (Key.parse("Am"), Key.parse("E dorian"))
    assert config.backing.tempos == (TempoChoice(percent=60), TempoChoice(percent=80), TempoChoice(bpm=96))
    assert [(p.name, p.first, p.last) for p in config.phrases] == [("Call", 1, 4), ("Answer", 5, 5)]
    assert [(s.kind, s.phrase) for s in config.segments] == [("performance", None), ("phrase", "Call")]
    assert config.look.colours == {"accent": "#1a6b5c"}
    assert pickle.loads(pickle.dumps(config)) == config


def test_the_smallest_lesson(folder: Path) -> None:
    written, problems = lesson(
        folder, 'title = "A"\ntab = "tab.txt"\nchart = "chart.txt"\ntake = "take.flac"\n'
    )
    assert not problems.found and written is not None
    backing = written.config.backing
    assert (backing.guide, backing.count_in, backing.keys, backing.tempos) == (True, True, (), ())


# (line to replace, its new text, column of the complaint, what it says)
BAD_LESSONS = [
    ('title = "Low Tide"', "title = 7", 9, "`title` must be text in quotes, got 7"),
    ('title = "Low Tide"', 'title = "  "', 9, "`title` is empty"),
    ('title = "Low Tide"', 'titel = "Low Tide"', 1, r"unknown key `titel`[\s\S]*Did you mean `title`"),
    (
        "tempo = 104",
        'tempo = "fast"',
        9,
        "`tempo` must be a number of quarter notes a minute, 10 to 500, got 'fast'",
    ),
    ("tempo = 104", 'tempo = "104"', 9, "`tempo` must be a number of quarter notes a minute"),
    ("tempo = 104", "tempo = true", 9, "`tempo` must be .* got true"),
    ("tempo = 104", "tempo = 5", 9, "`tempo` must be .* 10 to 500, got 5"),
    ("tempo = 104", "tempo = nan", 9, "`tempo` must be .* got nan"),
    ("tempo = 104", "tempo = inf", 9, "`tempo` must be .* got inf"),
    ("tempo = 104", "path = 'x'", 1, "unknown key `path`"),
    ("tempo = 104", "phrases = []", 1, r"unknown key `phrases`[\s\S]*Did you mean `phrase`"),
    ("tempo = 104", "given_slug = 'x'", 1, "unknown key `given_slug`"),
    ("tempo = 104", 'slug = "Low Tide"', 8, "`slug` must be up to 60 small letters and digits"),
    ("tempo = 104", 'slug = "../x"', 8, "`slug` must be up to 60 small letters and digits"),
    ("tempo = 104", "loudness_lufs = -14", 1, r"unknown key `loudness_lufs`[\s\S]*belongs in channel.toml"),
    ('tags = ["lead", "shuffle"]', 'tags = "lead"', 8, "`tags` must be a list of words, got 'lead'"),
    ('tags = ["lead", "shuffle"]', 'tags = ["lead", 3]', 17, "`tags 2` must be text in quotes, got 3"),
    ('tab = "tab.txt"', 'tab = "tba.txt"', 7, r"there is no file 'tba.txt'[\s\S]*'tab.txt'"),
    ('tab = "tab.txt"', 'tab = ""', 7, "`tab`: a path is text in quotes"),
    ('tab = "tab.txt"', 'tab = "."', 7, "is a folder, not a file"),
    (
        'tab = "tab.txt"',
        'tab = "../other.txt"',
        7,
        r"'\.\./other.txt' leads out of the folder[\s\S]*allow_outside = true",
    ),
    ('tab = "tab.txt"', 'tab = "/etc/hosts"', 7, "leads out of the folder"),
    ('tab = "tab.txt"', 'tab = "link.txt"', 7, "it is a link to elsewhere"),
    ("end_s = 40", "end_s = 1", 9, r"would end \(1 s\) before it starts \(1.5 s\)"),
    ("end_s = 40", "end_s = -1", 9, "`end_s` must be a number of seconds, got -1"),
    (
        'source = "chart"',
        'source = "cahrt"',
        10,
        r'`backing.source` must be "chart", "mix"[\s\S]*Did you mean "chart"',
    ),
    ('source = "chart"', 'source = "mix"', 10, "no recording is named"),
    ('groove = "shuffle"', "grove = 'x'", 1, r"unknown key `grove` in \[backing\][\s\S]*`groove`"),
    ('groove = "shuffle"', "guide = 1", 9, "`backing.guide` must be true or false, got 1"),
    ('keys = ["Am", "E dorian"]', 'keys = ["Am", "H"]', 15, "`backing.keys 2`: not a key: 'H'"),
    ('keys = ["Am", "E dorian"]', "keys = [3]", 9, "`backing.keys 1`: a key is text"),
    ('tempos = [60, "80%", "96 bpm"]', 'tempos = [60, "x"]', 15, "`backing.tempos 2`: not a tempo: 'x'"),
    ('tempos = [60, "80%", "96 bpm"]', "tempos = [60, 4]", 15, "10 to 400 percent, got 4"),
    ('tempos = [60, "80%", "96 bpm"]', "tempos = 80", 10, "`backing.tempos` must be a list of tempos"),
    ('bars = "1-4"', 'bars = "4-1"', 8, "`phrase 1.bars`: bars 4-1 run backwards"),
    ('bars = "1-4"', 'bars = "one"', 8, 'bars are written "1-4" or "3", got \'one\''),
    ('bars = "1-4"', "bars = -3", 8, "bars are written"),
    ('name = "Answer"', 'name = "Call"', 8, r"two \[\[phrase\]\] tables have the name 'Call'"),
    (
        'kind = "performance"',
        'kind = "prase"',
        8,
        '`segment 1.kind` must be "performance"[\\s\\S]*Did you mean "phrase"',
    ),
    (
        'name = "Answer"',
        'talk = "t.flac"',
        1,
        r"unknown key `talk` in \[phrase 2\][\s\S]*Put the line further up",
    ),
    ('phrase = "Call"', "", 1, "segment 'The call' shows a phrase, but not which"),
    ('accent = "#1A6B5C"', 'accent = "teal"', 10, "`look.accent`: a colour is .* got 'teal'"),
    ('accent = "#1A6B5C"', 'font_bold = "a.ttf"', 13, "there is no file 'a.ttf'"),
]


@pytest.mark.parametrize(("old", "new", "column", "said"), BAD_LESSONS, ids=[f"{b[1]}" for b in BAD_LESSONS])
def test_one_broken_rule(folder: Path, old: str, new: str, column: int, said: str) -> None:
    assert GOOD.count(old + "\n") == 1
    (folder / "link.txt").symlink_to(folder.parent / "other.txt")
    text = GOOD.replace(old, new)
    _, problems = lesson(folder, text)
    told = [p for p in problems.errors if re.search(said, p.text())]
    assert len(told) == 1, [p.text() for p in problems]
    row = (
        text[: text.rindex(new)].count("\n") + 1
        if new
        else GOOD[: GOOD.index('name = "The call"')].count("\n")
    )
    assert (told[0].path, told[0].line, told[0].column) == (folder / "lesson.toml", row, column)
    # nothing else is said, but for a required key that the broken line took away
    others = [p for p in problems.errors if p is not told[0]]
    assert all("is missing" in p.what for p in others), [p.text() for p in others]


def test_every_problem_at_once(folder: Path) -> None:
    """Wrong shapes, unknown keys and missing files are told together, from top to bottom."""
    text = (
        GOOD.replace("tempo = 104", 'tempo = "x"')
        .replace("chart.txt", "chrat.txt")
        .replace("#1A6B5C", "blue")
    )
    text = text.replace('bars = "1-4"', 'brs = "1-4"')
    _, problems = lesson(folder, text)
    said = "\n".join(p.text() for p in problems.errors)
    for part in (
        "`tempo` must be",
        "no file 'chrat.txt'",
        "a colour is",
        "unknown key `brs`",
        "`bars` is missing",
    ):
        assert part in said
    assert len(problems.errors) == 5


@pytest.mark.parametrize(
    ("written", "said", "remedy"),
    [
        ("tempos = [5]", "10 to 400 percent, got 5", "Write a list of tempos"),
        (f"tempos = [{'9' * 400}]", "10 to 400 percent", "Write a list of tempos"),
        ('tempos = ["fast"]', "not a tempo: 'fast'", "Write a list of tempos"),
        ('keys = ["H"]', "not a key: 'H'", "Write a list of keys"),
    ],
)
def test_what_is_wrong_in_a_list_comes_with_a_remedy(
    folder: Path, written: str, said: str, remedy: str
) -> None:
    path = folder / "lesson.toml"
    path.write_text(f'title = "T"\ntab = "{"x" * 300}.txt"\n[backing]\n{written}\n')
    problems = Problems()
    load_lesson(path, problems)
    long, other = problems.errors
    assert (long.line, "so long a name" in long.what, long.remedy[:15]) == (2, True, "Write the name ")
    assert said in other.what
    assert other.remedy.startswith(remedy)


def test_without_a_title_the_rest_is_still_checked(folder: Path) -> None:
    _, problems = lesson(folder, 'tab = "nope.txt"\n')
    assert [p.what for p in problems.errors] == ["`title` is missing", "`tab`: there is no file 'nope.txt'"]


def test_allow_outside(folder: Path) -> None:
    text = GOOD.replace('"tab.txt"', '"../other.txt"').replace("tempo = 104", "allow_outside = true")
    written, problems = lesson(folder, text)
    assert not problems.errors and written is not None
    assert written.config.tab.resolve() == (folder.parent / "other.txt").resolve()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_is_no_file(folder: Path) -> None:
    os.mkfifo(folder / "pipe")
    _, problems = lesson(folder, GOOD.replace('take = "take.flac"', 'take = "pipe"'))
    assert "'pipe' is not an ordinary file" in problems.errors[0].what


def channel(tmp_path: Path, text: str):
    (tmp_path / "channel.toml").write_text(text)
    problems = Problems()
    return load_channel(tmp_path / "channel.toml", problems), problems


def test_the_good_channel(tmp_path: Path) -> None:
    written, problems = channel(tmp_path, CHANNEL)
    assert not problems.found and written is not None
    found = written.config
    assert (found.name, found.loudness_lufs, found.overlay) == ("Harbour Strings", -16.0, "vp9")
    assert [(t.id, t.name, t.includes) for t in found.tiers] == [("pages", "Pages", ("tab", "midi"))]
    assert found.links[0].url == "https://example.org/lessons"


BAD_CHANNELS = [
    ("loudness_lufs = -16", "loudness_lufs = 3", "`loudness_lufs` must be a number from -30 to -8"),
    ("loudness_lufs = -16", "true_peak_dbtp = 1", "`true_peak_dbtp` must be a number from -9 to 0"),
    ('overlay = "vp9"', 'overlay = "gif"', '`overlay` must be "qtrle", "vp9" or "prores", got \'gif\''),
    ('overlay = "vp9"', 'sheet = "A3"', '`sheet` must be "A4" or "Letter"'),
    ('overlay = "vp9"', 'templates = "none"', "there is no f"),
    ('paper = "#ffffff"', 'paper = "#fff"', "`look.paper`: a colour is"),
    ('url = "https://example.org/lessons"', 'url = "javascript:x"', "a link starts with https://"),
    ('url = "https://example.org/lessons"', 'url = "https://"', "a link starts with https://"),
    ('url = "https://example.org/lessons"', 'url = "https://a b.org"', "a link starts with https://"),
    ('id = "pages"', 'id = "My pages"', "`tier 1.id` must be up to 60 small letters"),
    (
        'includes = ["tab", "midi"]',
        'includes = ["tabs"]',
        r'nothing a pack can hold[\s\S]*Did you mean "tab"',
    ),
    ('includes = ["tab", "midi"]', "", r"`includes` is missing in \[tier 1\]"),
    ('name = "Harbour Strings"', 'nmae = "x"', r"unknown key `nmae`[\s\S]*`name`"),
]


@pytest.mark.parametrize(("old", "new", "said"), BAD_CHANNELS, ids=[f"{b[1]}" for b in BAD_CHANNELS])
def test_one_broken_rule_of_a_channel(tmp_path: Path, old: str, new: str, said: str) -> None:
    _, problems = channel(tmp_path, CHANNEL.replace(old, new))
    assert len(problems.errors) == 1
    assert re.search(said, problems.errors[0].text()), problems.errors[0].text()


def test_two_tiers_of_one_id(tmp_path: Path) -> None:
    text = CHANNEL + CHANNEL[CHANNEL.index("[[tier]]") :]
    _, problems = channel(tmp_path, text)
    assert "two [[tier]] tables have the id 'pages'" in problems.errors[0].what


def test_the_built_in_channel_offers_only_known_products() -> None:
    assert all(set(tier.includes) <= set(PRODUCTS) for tier in Channel().tiers)


def test_looks_lie_over_each_other() -> None:
    under, over = LookConfig(accent="#000000", ink="#111111"), LookConfig(accent="#222222")
    assert over.over(under).colours == {"accent": "#222222", "ink": "#111111"}


@pytest.mark.parametrize(
    ("title", "slug"),
    [
        ("Low Tide", "low-tide"),
        ("Été à l'île, n° 2", "ete-a-l-ile-n-2"),
        ("  --  ", ""),
        ("夜", ""),
        ("A" * 3, "aaa"),
    ],
)
def test_slugs(title: str, slug: str) -> None:
    assert slug_of(title) == slug


def test_a_title_without_latin_letters_takes_the_folder_as_slug(folder: Path) -> None:
    written, _ = lesson(folder, GOOD.replace("Low Tide", "夜の港"))
    assert written is not None and written.config.slug == "low-tide"


def week(tmp_path: Path, text: str):
    (tmp_path / "week.toml").write_text(text)
    problems = Problems()
    return load_week(tmp_path / "week.toml", problems), problems


def test_a_week_in_either_form(tmp_path: Path) -> None:
    text = 'title = "W"\nlessons = ["a", {path = "b", tempo = 90, backing = {guide = false}}]\n'
    text += '[[lesson]]\npath = "c"\ntitle = "Other"\n'
    found, problems = week(tmp_path, text)
    assert not problems.found and found is not None
    assert [item.path for item in found.config.lessons] == [tmp_path / "a", tmp_path / "b", tmp_path / "c"]
    assert [over.data for over in found.overrides] == [
        {},
        {"tempo": 90, "backing": {"guide": False}},
        {"title": "Other"},
    ]


@pytest.mark.parametrize(
    ("text", "line", "said", "left"),
    [
        ('title = "W"\n', None, "the week lists no lesson", ""),
        ("lessons = []\n", None, "the week lists no lesson", ""),
        ('lessons = "a"\n', 1, "must be a list of lessons, got 'a'", ""),
        ('lessons = ["a", 3]\n', 1, "a lesson of a week has a `path`", "a"),
        ('lessons = ["a"]\n[[lesson]]\ntempo = 3\n', 2, "a lesson of a week has a `path`", "a"),
        ('lesons = ["a"]\nlessons = ["b"]\n', 1, r"unknown key `lesons`[\s\S]*`lessons`", "b"),
        ("title = 3\nlessons = ['a']\n", 1, "`title` must be text in quotes, got 3", "a"),
        ('title = "W"\nlesson = ["a"]\n', 2, r"`lesson` is for tables[\s\S]*Did you mean `lessons`\?", ""),
    ],
)
def test_one_broken_rule_of_a_week(tmp_path: Path, text: str, line: int | None, said: str, left: str) -> None:
    """What is right of it can still be built."""
    found, problems = week(tmp_path, text)
    assert len(problems.errors) == 1
    assert ([item.path.name for item in found.config.lessons] if found else []) == left.split()
    assert re.search(said, problems.errors[0].text()), problems.errors[0].text()
    assert line is None or problems.errors[0].line == line


def test_overrides_are_judged_like_the_lesson_and_told_at_the_week(folder: Path) -> None:
    (folder / "lesson.toml").write_text(GOOD)
    path = folder.parent / "week.toml"
    path.write_text('[[lesson]]\npath = "low_tide"\ntempo = 90\n\n[lesson.backing]\ngroove = 3\n')
    problems = Problems()
    document = read_toml(path, problems)
    assert document is not None
    over = document.sub(("lesson", 0), without=("path",))
    written = load_lesson(folder / "lesson.toml", problems, overrides=over)
    assert written is not None and written.config.tempo == 90.0
    (problem,) = problems.errors
    assert (problem.path, problem.line, problem.column) == (path, 6, 10)


def test_the_nearest_channel(tmp_path: Path) -> None:
    deep = tmp_path / "configs" / "summer" / "low_tide"
    deep.mkdir(parents=True)
    (tmp_path / "channel.toml").write_text("")
    assert find_channel(deep) is None  # above configs nobody looks
    (tmp_path / "configs" / "channel.toml").write_text("")
    found = find_channel(deep)
    assert found is not None and found.resolve() == (tmp_path / "configs" / "channel.toml").resolve()
    (deep / "channel.toml").write_text("")
    assert find_channel(deep) == deep / "channel.toml"


def test_without_configs_one_level_up(tmp_path: Path) -> None:
    deep = tmp_path / "a" / "b"
    deep.mkdir(parents=True)
    (tmp_path / "channel.toml").write_text("")
    assert find_channel(deep) is None
    assert find_channel(tmp_path / "a") is not None


def test_starter_is_all_or_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that fills up at the second file leaves no first one that would bar the next try."""
    real = Path.open

    def full(self: Path, mode: str = "r", **options):
        if mode == "x" and self.name == "tab.txt":
            raise OSError(28, "No space left on device", str(self))
        return real(self, mode, **options)

    monkeypatch.setattr(Path, "open", full)
    with pytest.raises(OSError, match="No space left"):
        write_starter(tmp_path / "x")
    assert list((tmp_path / "x").iterdir()) == []


def test_starter_never_overwrites(tmp_path: Path) -> None:
    made = write_starter(tmp_path / "x")
    assert [path.name for path in made] == list(STARTER_FILES)
    (tmp_path / "x" / "lesson.toml").unlink()
    (tmp_path / "x" / "tab.txt").write_text("mine")
    with pytest.raises(MisuseError, match=r"already holds tab.txt, chart.txt; nothing was written"):
        write_starter(tmp_path / "x")
    assert (tmp_path / "x" / "tab.txt").read_text() == "mine"
    assert not (tmp_path / "x" / "lesson.toml").exists()
    with pytest.raises(MisuseError, match="is a file"):
        write_starter(tmp_path / "x" / "tab.txt")


@given(
    st.integers(0, len(GOOD) - 1),
    st.integers(0, 12),
    st.sampled_from(
        ["", "3", "[]", "{}", '"x"', "true", "= ", "\n", "[[phrase]]\n", "nan", '"../.."', '""', "#"]
    ),
)
def test_no_change_breaks_the_loader(
    tmp_path_factory: pytest.TempPathFactory, place: int, length: int, instead: str
) -> None:
    """Whatever a slip of the hand makes of a good lesson: values or problems, nothing else."""
    home = tmp_path_factory.mktemp("any")
    written, problems = lesson(home, GOOD[:place] + instead + GOOD[place + length :])
    assert written is not None or problems.errors
    assert all(problem.what and problem.path for problem in problems)


@pytest.mark.parametrize(
    ("folder", "title", "slug"),
    [
        ("kettle-waltz", "Kettle Waltz", "kettle-waltz"),
        ("Été à deux", "Été À Deux", "ete-a-deux"),
        ('a "quoted" one', "Doorstep Study", "doorstep-study"),
        ("---", "Doorstep Study", "doorstep-study"),
    ],
)
def test_a_new_lesson_is_called_as_its_folder(tmp_path: Path, folder: str, title: str, slug: str) -> None:
    """Two new lessons had one title, and so one place."""
    problems = Problems()
    write_starter(tmp_path / folder)
    written = load_lesson(tmp_path / folder / "lesson.toml", problems)
    assert written is not None
    assert (written.config.title, written.config.slug) == (title, slug)
    assert f"title: {title}\n" in (tmp_path / folder / "tab.txt").read_text("utf-8")
