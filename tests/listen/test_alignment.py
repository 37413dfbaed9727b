"""The result as plain data."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from pipeline.listen.alignment import Alignment, HeardBar, HeardNote
from pipeline.listen.errors import ListenError
from pipeline.music.timemap import TimeMap


def sample() -> Alignment:
    return Alignment(
        time_map=TimeMap((0.0, 1.0, 2.5), (0.5, 1.1, 2.0)),
        lead_in_s=0.5,
        end_s=2.25,
        tuning_cents=-12.3,
        notes=(
            HeardNote(0, 1, 1.0, 0.0, 0.501, 0.93, "played"),
            HeardNote(1, 1, 2.0, 1.0, 1.1, 0.1, "missing"),
        ),
        bars=(HeardBar(1, 0.5, 0.9),),
        median_ms_residual=4.5,
        match=0.9,
    )


def test_round_trip_through_json() -> None:
    assert Alignment.from_json(json.loads(json.dumps(sample().to_json()))) == sample()


@pytest.mark.parametrize("key", ["lead_in_s", "notes", "time_map", "bars"])
def test_a_part_missing(key: str) -> None:
    data = sample().to_json()
    del data[key]
    with pytest.raises(ListenError, match="not a stored alignment"):
        Alignment.from_json(data)


def test_listen_error_is_for_the_user_and_survives_a_process_pool() -> None:
    import pickle

    error = pickle.loads(pickle.dumps(ListenError("what", "remedy")))
    assert isinstance(error, ValueError)
    assert (error.what, error.remedy, str(error)) == ("what", "remedy", "what\n  remedy")


def test_import_is_light() -> None:
    code = "import pipeline.listen.alignment, sys; print([m for m in ('librosa','scipy','soxr') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
