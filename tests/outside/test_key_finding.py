"""Key finding against music21's own implementation of the same published profiles."""

from __future__ import annotations

import random

import numpy as np
import pytest

from pipeline.music.keyfinding import PROFILES
from pipeline.study.key import key_guesses


def test_profiles_are_the_published_ones() -> None:
    """Krumhansl and Kessler (1982), as carried by music21's ``KrumhanslKessler``."""
    from music21.analysis import discrete

    theirs = discrete.KrumhanslKessler()
    for mode in ("major", "minor"):
        assert PROFILES[mode] == pytest.approx(theirs.getWeights(mode))


def test_same_key_as_music21_on_random_melodies() -> None:
    """200 seeded melodies: first choice equal to music21's Krumhansl-Kessler analysis."""
    from music21 import analysis, note, stream

    random.seed(7)
    same = 0
    for _ in range(200):
        melody = stream.Stream()
        quarters = np.zeros(12)
        tonic = random.randrange(12)
        for _ in range(24):
            midi = 60 + tonic + random.choice((0, 2, 4, 5, 7, 9, 11, 0, 7, 4))
            length = random.choice((0.5, 1.0, 2.0))
            melody.append(note.Note(midi, quarterLength=length))
            quarters[midi % 12] += length
        theirs = analysis.discrete.KrumhanslKessler(melody).getSolution(melody)
        mine = key_guesses(quarters)[0].key
        same += (mine.tonic.pitch_class, mine.mode) == (theirs.tonic.pitchClass, theirs.mode)
    assert same == 200
