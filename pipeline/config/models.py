"""What the creator writes, as typed values: the channel, one lesson, a week of lessons.

Conventions
-----------
- Every field's description says what its value must be; it completes the sentence
  "``name`` must be ..." of a complaint.
- Paths come out joined to the folder of the file that names them, ready to open. The
  validation context carries that ``folder`` and whether paths may leave it.
- In TOML the repeated tables are in the singular (``[[phrase]]``), here in the plural.
"""

from __future__ import annotations

import os.path
import re
import unicodedata
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Final, Literal
from urllib.parse import urlsplit

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainValidator,
    Strict,
    StringConstraints,
    ValidationInfo,
)

from pipeline.config.tempo import TempoChoice
from pipeline.music.key import Key

# what a tier can include; the build makes one or several files of each
PRODUCTS: Final = (
    "tab", "texttab", "musicxml", "midi", "backing", "guide", "clip", "overlay", "cover", "still",
)  # fmt: skip

SLUG_PATTERN: Final = r"^[a-z0-9]+(-[a-z0-9]+)*$"
SLUG_LENGTH: Final = 60  # with "backing with lead", key and tempo behind it, well below 255 bytes
NOT_WRITTEN: Final = "\0path"  # a key nobody writes: the loader sets these fields, the file cannot


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True, allow_inf_nan=False)


def _outer_path(value: object, info: ValidationInfo) -> Path:
    if not isinstance(value, str) or not value.strip() or "\0" in value:
        raise ValueError("a path is text in quotes")
    if any(len(part.encode()) > 255 for part in Path(value).parts) or len(value) > 2000:
        raise ValueError("no file has so long a name; write the name as it stands in the folder")
    folder: Path = info.context["folder"] if info.context else Path()
    return folder / Path(value)


def _path(value: object, info: ValidationInfo) -> Path:
    path = _outer_path(value, info)
    if not info.context or info.context["allow_outside"]:
        return path
    folder: Path = info.context["folder"]
    if not Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder)):
        linked = Path(os.path.normpath(path)).is_relative_to(os.path.normpath(folder))
        way = " (it is a link to elsewhere)" if linked else ""
        raise ValueError(
            f"{value!r} leads out of the folder of the lesson{way}; "
            "put the file inside, or write allow_outside = true"
        )
    return path


def _bars(value: object) -> tuple[int, int]:
    if isinstance(value, int) and not isinstance(value, bool) and value >= 0:
        return value, value
    match = (
        re.fullmatch(r"\s*(\d{1,9})\s*(?:[-–]\s*(\d{1,9})\s*)?", value) if isinstance(value, str) else None
    )
    if match is None:
        raise ValueError(f'bars are written "1-4" or "3", got {value!r}')
    first, last = int(match[1]), int(match[2] or match[1])
    if last < first:
        raise ValueError(f"bars {value} run backwards; write the first bar before the last")
    return first, last


def _key(value: object) -> Key:
    if isinstance(value, Key):
        return value
    if not isinstance(value, str):
        raise ValueError(f'a key is text, such as "Am" or "Bb", got {value!r}')
    return Key.parse(value)


def _day(value: object) -> date:
    if isinstance(value, datetime):
        raise ValueError(f"a date has no time of day, got {value}; write {value.date()}")
    if isinstance(value, date):
        return value
    if isinstance(value, str) and re.fullmatch(r"\s*\d{4}-\d\d-\d\d\s*", value):
        try:
            return date.fromisoformat(value.strip())
        except ValueError as error:
            raise ValueError(f"there is no day {value.strip()}") from error
    got = repr(value) if isinstance(value, str) else value
    raise ValueError(f"a date is year, month and day, such as 2026-11-25, got {got}")


def _colour(value: object) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"#[0-9A-Fa-f]{6}", value):
        raise ValueError(f'a colour is "#" and six hexadecimal digits, such as "#1a6b5c", got {value!r}')
    return value.lower()


def _url(value: object) -> str:
    parts = urlsplit(value) if isinstance(value, str) else None
    if (
        parts is None
        or parts.scheme not in ("http", "https")
        or not parts.netloc
        or re.search(r"\s", str(value))
    ):
        raise ValueError(f"a link starts with https:// or http:// and names a site, got {value!r}")
    return str(value)


def _product(value: object) -> str:
    if value not in PRODUCTS:
        raise ValueError(f"{value!r} is nothing a pack can hold; it can hold {', '.join(PRODUCTS)}")
    return str(value)


def _trimmed(value: object) -> object:
    return value.strip() if isinstance(value, str) else value


Text = Annotated[str, BeforeValidator(_trimmed)]
Name = Annotated[Text, StringConstraints(min_length=1)]
Number = Annotated[float, Strict()]
Yes = Annotated[bool, Strict()]
Slug = Annotated[str, StringConstraints(pattern=SLUG_PATTERN, max_length=SLUG_LENGTH)]
FilePath = Annotated[Path, PlainValidator(_path)]
OuterPath = Annotated[Path, PlainValidator(_outer_path)]
Bars = Annotated[tuple[int, int], PlainValidator(_bars)]
MusicalKey = Annotated[Key, PlainValidator(_key)]
Tempo = Annotated[TempoChoice, PlainValidator(TempoChoice.parse)]
Day = Annotated[date, PlainValidator(_day)]
Colour = Annotated[str, PlainValidator(_colour)]
Url = Annotated[str, PlainValidator(_url)]
Product = Annotated[str, PlainValidator(_product)]


class LookConfig(_Part):
    """Colours and fonts; None: the channel's, or the built-in ones."""

    accent: Colour | None = Field(default=None, description="a colour")
    ink: Colour | None = Field(default=None, description="a colour")
    paper: Colour | None = Field(default=None, description="a colour")
    plate: Colour | None = Field(default=None, description="a colour")
    plate_ink: Colour | None = Field(default=None, description="a colour")
    font_regular: FilePath | None = Field(default=None, description="the path of a font file")
    font_bold: FilePath | None = Field(default=None, description="the path of a font file")

    @property
    def colours(self) -> dict[str, str]:
        """The colours that are set, by name."""
        names = ("accent", "ink", "paper", "plate", "plate_ink")
        return {name: getattr(self, name) for name in names if getattr(self, name) is not None}

    def over(self, under: LookConfig) -> LookConfig:
        """This look where it says something, ``under`` where it does not."""
        mine = {name: value for name in type(self).model_fields if (value := getattr(self, name)) is not None}
        return under.model_copy(update=mine)


class Link(_Part):
    label: Name = Field(description="text")
    url: Url = Field(description="a web address")


class Tier(_Part):
    """One kind of supporter and what the pack for it holds."""

    id: Slug = Field(description='up to 60 small letters and digits joined by hyphens, such as "full-set"')
    title: Text = Field(default="", description="text")
    includes: tuple[Product, ...] = Field(description=f"a list out of {', '.join(PRODUCTS)}")

    @property
    def name(self) -> str:
        return self.title or self.id.replace("-", " ").capitalize()


class Channel(_Part):
    """What stays the same from lesson to lesson. ``path`` None: the built-in defaults."""

    path: Path | None = Field(default=None, alias=NOT_WRITTEN)
    name: Text = Field(default="", description="text")
    tagline: Text = Field(default="", description="text")
    contact: Text = Field(default="", description="text")
    rights: Text = Field(default="", description="text: your usual rights line")
    terms: Text = Field(default="", description="text: what supporters may do with the files")
    loudness_lufs: Number = Field(default=-14.0, ge=-30, le=-8, description="a number from -30 to -8 (LUFS)")
    true_peak_dbtp: Number = Field(default=-1.0, ge=-9, le=0, description="a number from -9 to 0 (dBTP)")
    overlay: Literal["qtrle", "vp9", "prores"] = Field(
        default="qtrle", description='"qtrle", "vp9" or "prores"'
    )
    sheet: Literal["A4", "Letter"] = Field(default="A4", description='"A4" or "Letter"')
    templates: FilePath | None = Field(default=None, description="the path of a folder with your own texts")
    look: LookConfig = Field(default=LookConfig(), description="a table [look]")
    links: tuple[Link, ...] = Field(default=(), alias="link", description="tables [[link]]")
    tiers: tuple[Tier, ...] = Field(
        default=(
            Tier(id="pages", title="Pages", includes=("tab", "texttab", "musicxml", "midi")),
            Tier(
                id="band",
                title="Pages and band",
                includes=("tab", "texttab", "musicxml", "midi", "backing", "guide", "cover"),
            ),
        ),
        alias="tier",
        description="tables [[tier]]",
    )


class BackingConfig(_Part):
    """Which backing tracks to make. ``keys`` and ``tempos`` empty: as the lesson is."""

    source: Literal["chart", "mix", "stems", "auto"] | None = Field(
        default=None, description='"chart", "mix", "stems" or "auto"'
    )
    mix: FilePath | None = Field(default=None, description="the path of a recording")
    groove: Name | None = Field(default=None, description="the name of a groove")
    keys: tuple[MusicalKey, ...] = Field(default=(), description='a list of keys, such as ["Am", "Cm"]')
    tempos: tuple[Tempo, ...] = Field(
        default=(), description='a list of tempos, such as [80, 100] or ["96 bpm"]'
    )
    guide: Yes = Field(default=True, description="true or false")
    count_in: Yes = Field(default=True, description="true or false")


class PhraseConfig(_Part):
    """A span of bars by printed number. ``note``: what to say about it."""

    name: Name = Field(description="text")
    bars: Bars = Field(description='bar numbers, such as "1-4"')
    note: Text = Field(default="", description="text")

    @property
    def first(self) -> int:
        return self.bars[0]

    @property
    def last(self) -> int:
        return self.bars[1]


class SegmentConfig(_Part):
    """One stretch of the finished video, a file of its own."""

    name: Name = Field(description="text")
    file: FilePath = Field(description="the path of a sound or video file")
    kind: Literal["performance", "chords", "phrase", "talk"] = Field(
        "talk", description='"performance", "chords", "phrase" or "talk"'
    )
    phrase: Name | None = Field(default=None, description="the name of a phrase")


class LessonConfig(_Part):
    """One lesson as written. ``path``: its file; ``folder``: where it lies."""

    path: Path = Field(default=Path("lesson.toml"), alias=NOT_WRITTEN)
    title: Name = Field(description="text")
    tab: FilePath = Field(description="the path of a tab")
    part: Name | None = Field(default=None, description="text: the part of a score, by its name")
    chart: FilePath | None = Field(default=None, description="the path of a chord chart")
    take: FilePath | None = Field(default=None, description="the path of a sound or video file")
    talk: FilePath | None = Field(default=None, description="the path of a sound or video file")
    tempo: Number | None = Field(
        default=None, ge=10, le=500, description="a number of quarter notes a minute, 10 to 500"
    )
    rights: Text = Field(default="", description='text: "own work", or who permitted what')
    artist: Text = Field(default="", description="text: who plays")
    credit: Text = Field(default="", description="text: who composed")
    blurb: Text = Field(default="", description="text: a paragraph for the description")
    tuning: Text = Field(default="", description="text: a remark on the tuning")
    level: Text = Field(default="", description="text")
    date: Day | None = Field(default=None, description="a date, such as 2026-11-25")
    tags: tuple[Name, ...] = Field(default=(), description="a list of words")
    start_s: Number | None = Field(default=None, ge=0, description="a number of seconds")
    end_s: Number | None = Field(default=None, gt=0, description="a number of seconds")
    given_slug: Slug | None = Field(
        default=None,
        alias="slug",
        description='up to 60 small letters and digits joined by hyphens, such as "low-tide"',
    )
    allow_outside: Yes = Field(default=False, description="true or false")
    channel: OuterPath | None = Field(default=None, description="the path of a channel file")
    backing: BackingConfig = Field(default=BackingConfig(), description="a table [backing]")
    phrases: tuple[PhraseConfig, ...] = Field(default=(), alias="phrase", description="tables [[phrase]]")
    segments: tuple[SegmentConfig, ...] = Field(default=(), alias="segment", description="tables [[segment]]")
    look: LookConfig = Field(default=LookConfig(), description="a table [look]")

    @property
    def folder(self) -> Path:
        return self.path.parent

    @property
    def slug(self) -> str:
        """The lesson's name in file names: as given, else from its title, else from its folder."""
        return self.given_slug or slug_of(self.title) or slug_of(self.folder.resolve().name) or "lesson"


class WeekLesson(_Part):
    """An entry of the week. Its other keys, taken out before, override those of the lessons behind it."""

    path: OuterPath = Field(description="the path of a lesson, a folder of lessons, or another week")


class WeekConfig(_Part):
    """Lessons to build together, in order."""

    path: Path = Field(default=Path("week.toml"), alias=NOT_WRITTEN)
    title: Text = Field(default="", description="text")
    lessons: tuple[WeekLesson, ...] = Field(default=(), description="a list of lessons")


def slug_of(text: str) -> str:
    """``Low Tide, part 2`` -> ``low-tide-part-2``; empty if no letter or digit is left.

    A long one ends with the last whole word that fits: it goes into the names of files.
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii").lower()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")
    if len(slug) > SLUG_LENGTH:
        slug = slug[: SLUG_LENGTH + 1].rpartition("-")[0] or slug[:SLUG_LENGTH]
    return slug
