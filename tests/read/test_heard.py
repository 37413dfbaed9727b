"""A recording is listened through once, and again when it may be another."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.read import heard
from pipeline.read.heard import Heard
from pipeline.read.media import MediaError, SoundCheck, check_audio

RATE = 8000


@pytest.fixture
def times(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Every listening, as it happens."""
    found: list[Path] = []

    def listened(path: Path) -> SoundCheck:
        found.append(path)
        return check_audio(path)

    monkeypatch.setattr(heard, "check_audio", listened)
    monkeypatch.setattr(heard, "_YOUNG_NS", 0)
    return found


def record(path: Path, seconds: float = 1.0, level: float = 0.3) -> Path:
    soundfile.write(path, level * np.sin(np.arange(round(seconds * RATE)) / 5), RATE)
    return path


def test_the_same_file_is_heard_once(tmp_path: Path, times: list[Path]) -> None:
    take = record(tmp_path / "take.wav")
    first = Heard(tmp_path / "notes").check(take)
    assert first == SoundCheck(1.0, ())
    assert Heard(tmp_path / "notes").check(take) == first  # also by another process
    assert times == [take]
    other = record(tmp_path / "other.wav", 2.0)
    assert Heard(tmp_path / "notes").check(other).end_s == 2.0
    assert times == [take, other]


def again(path: Path) -> None:
    record(path, 2.0)


def same_size(path: Path) -> None:
    facts = path.stat()
    record(path, level=0.1)
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))


def put_instead(path: Path) -> None:
    """As programs save, and with the old file's time, as copying programs do."""
    aside = path.with_suffix(".part")
    shutil.copy2(path, aside)
    aside.replace(path)


@pytest.mark.parametrize("change", [again, same_size, put_instead])
def test_another_file_is_heard(tmp_path: Path, times: list[Path], change: Callable[[Path], None]) -> None:
    take = record(tmp_path / "take.wav")
    Heard(tmp_path / "notes").check(take)
    time.sleep(0.02)
    change(take)
    assert Heard(tmp_path / "notes").check(take) == check_audio(take)
    assert len(times) == 2
    assert len(list((tmp_path / "notes").iterdir())) == 1  # one note a recording, however often it changes


def test_a_file_just_saved_is_not_trusted(
    tmp_path: Path, times: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Within one tick of the disk's clock a file can change and look the same."""
    monkeypatch.setattr(heard, "_YOUNG_NS", 2_000_000_000)
    take = record(tmp_path / "take.wav")
    for _ in range(2):
        Heard(tmp_path / "notes").check(take)
    assert len(times) == 2


@pytest.mark.parametrize("text", ["", "{", "[]", '{"file": 1}', "null", '{"end_s": 1}'])
def test_a_damaged_note_is_written_anew(tmp_path: Path, times: list[Path], text: str) -> None:
    take = record(tmp_path / "take.wav")
    Heard(tmp_path / "notes").check(take)
    (note,) = (tmp_path / "notes").iterdir()
    whole = note.read_text()
    note.write_text(text)
    assert Heard(tmp_path / "notes").check(take) == SoundCheck(1.0, ())
    assert note.read_text() == whole
    note.write_text(whole.replace('"end_s": 1.0', '"end_s": "x"'))
    assert Heard(tmp_path / "notes").check(take).end_s == 1.0


def test_what_is_wrong_is_found_each_time(tmp_path: Path, times: list[Path]) -> None:
    take = record(tmp_path / "take.wav", level=0.0)
    for _ in range(2):
        with pytest.raises(MediaError, match="is silent"):
            Heard(tmp_path / "notes").check(take)
    with pytest.raises(MediaError, match="does not exist"):
        Heard(tmp_path / "notes").check(tmp_path / "gone.wav")
    assert len(times) == 3


def test_where_nothing_can_be_kept(tmp_path: Path, times: list[Path]) -> None:
    (tmp_path / "notes").write_text("a file")
    take = record(tmp_path / "take.wav")
    for _ in range(2):
        assert Heard(tmp_path / "notes").check(take).end_s == 1.0
    assert len(times) == 2
