"""The overlay as a player decodes it: transparency, and every change on its frame."""

from __future__ import annotations

import itertools
from fractions import Fraction as F
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from pipeline.errors import MisuseError
from pipeline.music.timemap import TimeMap
from pipeline.page.look import default_look
from pipeline.picture.encode import CODECS
from pipeline.picture.overlay import OverlayFacts, plan_overlay, render_overlay
from tests.samples import lead_spans, lead_tab, waltz_spans, waltz_tab

SIZE = (320, 180)
# as a player hurries, drags and breathes: nothing is on a grid
TIMES = [
    0.713,
    1.29,
    1.901,
    2.43,
    3.07,
    3.55,
    4.17,
    4.749,
    5.3,
    5.91,
    6.43,
    7.0,
    7.66,
    8.2,
    8.77,
    9.31,
    10.013,
]
PLAYED = TimeMap.from_points(enumerate(TIMES))


def render(path: Path, **changed: Any) -> OverlayFacts:
    given: dict[str, Any] = {
        "seconds": 11.0, "size": SIZE, "fps": F(30), "look": default_look(), "form": lead_tab().form, "title": "Tide",
    }  # fmt: skip
    return render_overlay(path, lead_spans(), PLAYED, **(given | changed))


def decoded(path: Path, codec: str = "") -> tuple[list[F], list[np.ndarray]]:
    """Times of the frames, exact, and RGBA pictures."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        if not codec:
            frames = list(container.decode(stream))
        else:  # the decoder that also reads the transparency
            context = av.CodecContext.create(codec, "r")
            frames = [
                f
                for packet in container.demux(stream)
                for f in context.decode(packet if packet.size else None)
            ]
            for frame in frames:
                frame.time_base = stream.time_base
        return [f.pts * f.time_base for f in frames], [f.to_ndarray(format="rgba") for f in frames]


@pytest.mark.parametrize("fps", [F(24), F(25), F(30000, 1001), F(30), F(60), F(2718281, 90001)])
def test_every_change_lands_on_the_nearest_frame(tmp_path: Path, fps: F) -> None:
    facts = render(tmp_path / "o.mov", fps=fps)
    times, pictures = decoded(tmp_path / "o.mov")
    assert times == [F(n) / fps for n in range(facts.frames)]
    assert abs(facts.frames / fps - 11) <= F(1, 2) / fps
    # chords: Am7 at quarter 0, D9 at 4, Am7 at 8, Em7 at 10, Am7 at 12; the end at 16
    wanted = [TIMES[quarter] for quarter in (0, 4, 8, 10, 12)]
    assert [seconds for seconds, _, _ in facts.changes] == pytest.approx(wanted)
    assert [chord for _, _, chord in facts.changes] == ["Am7", "D9", "Am7", "Em7", "Am7"]
    left, top, right, bottom = facts.box
    # where the chord now is drawn: the left part of the card, above the row of marks
    now = [p[top : top + int((bottom - top) * 0.8), left : left + (right - left) // 4] for p in pictures]
    changed = [n for n, (a, b) in enumerate(itertools.pairwise(now), start=1) if (a != b).any()]
    assert changed == [frame for _, frame, _ in facts.changes] + [round(F(TIMES[16]) * fps)]
    for seconds, frame in zip([*wanted, TIMES[16]], changed, strict=True):
        assert abs(frame / float(fps) - seconds) <= 0.5 / float(fps) + 1e-9
    # and every beat moves a mark on its own frame
    foot = [p[bottom - int((bottom - top) * 0.15) : bottom, left:right] for p in pictures]
    beats = [n for n, (a, b) in enumerate(itertools.pairwise(foot), start=1) if (a != b).any()]
    assert beats == [int(F(t) * fps + F(1, 2)) for t in TIMES]


def test_it_is_transparent_where_and_when_nothing_is_shown(tmp_path: Path) -> None:
    facts = render(tmp_path / "o.mov")
    _, pictures = decoded(tmp_path / "o.mov")
    first, last = facts.changes[0][1], round(TIMES[16] * 30)
    left, top, right, bottom = facts.box
    for number, picture in enumerate(pictures):
        alpha = picture[..., 3].copy()
        if not first <= number < last:
            assert not alpha.any()
            continue
        card = alpha[top:bottom, left:right].copy()
        assert (card[5:-5, 5:-5] >= 236).all()
        alpha[top:bottom, left:right] = 0
        assert not alpha.any()


@pytest.mark.parametrize(
    ("codec", "suffix", "decoder"), [("vp9", ".webm", "libvpx-vp9"), ("prores", ".mov", "")]
)
def test_the_other_formats_carry_transparency_too(
    tmp_path: Path, codec: str, suffix: str, decoder: str
) -> None:
    facts = render(tmp_path / f"o{suffix}", codec=codec, seconds=2.0, fps=F(25))
    exact = render(tmp_path / "exact.mov", seconds=2.0, fps=F(25))
    times, pictures = decoded(tmp_path / f"o{suffix}", decoder)
    _, wanted = decoded(tmp_path / "exact.mov")
    assert (facts.frames, facts.codec) == (50, CODECS[codec].name)
    assert exact.changes == facts.changes
    assert len(times) == 50
    assert all(abs(t - F(n, 25)) <= F(1, 1000) for n, t in enumerate(times))
    for got, want in zip(pictures, wanted, strict=True):
        assert np.abs(got[..., 3].astype(int) - want[..., 3]).max() <= 40
        assert np.abs(got[..., 3].astype(int) - want[..., 3]).mean() <= 1
        seen = want[..., 3] > 200
        if seen.any():
            assert np.abs(got[seen][:, :3].astype(int) - want[seen][:, :3]).mean() < 12


@pytest.mark.parametrize("codec", ["rle", "vp9"])
def test_the_same_again_is_the_same_bytes(tmp_path: Path, codec: str) -> None:
    suffix = CODECS[codec].suffix
    render(tmp_path / f"a{suffix}", codec=codec, seconds=3.0)
    render(tmp_path / f"b{suffix}", codec=codec, seconds=3.0)
    assert (tmp_path / f"a{suffix}").read_bytes() == (tmp_path / f"b{suffix}").read_bytes()


def test_a_failure_leaves_nothing_and_keeps_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "o.mov"
    path.write_bytes(b"the old one")

    def stop(share: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render(path, progress=stop)
    assert [p.name for p in tmp_path.iterdir()] == ["o.mov"]
    assert path.read_bytes() == b"the old one"


def test_progress_goes_from_nothing_to_all(tmp_path: Path) -> None:
    told: list[float] = []
    render(tmp_path / "o.mov", progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"codec": "gif"}, "no overlay format 'gif'; there are rle, vp9, prores"),
        ({"codec": "vp9"}, r"is a \.webm file, got o\.mov"),
        ({"seconds": 0.0}, "more than nothing"),
        ({"seconds": float("nan")}, "more than nothing"),
        ({"fps": F(0)}, "1 to 240 frames"),
        ({"size": (1920, 32)}, "64 to 16384 pixels"),
    ],
)
def test_misuse_is_told_and_nothing_written(tmp_path: Path, changed: dict[str, Any], said: str) -> None:
    with pytest.raises(MisuseError, match=said):
        render(tmp_path / "o.mov", **changed)
    assert not list(tmp_path.iterdir())


def test_no_chart_is_told() -> None:
    with pytest.raises(MisuseError, match="give the lesson a chart"):
        plan_overlay([], PLAYED, seconds=9.0, size=SIZE, fps=F(25), look=default_look(), form=lead_tab().form)


def test_a_take_shorter_or_later_than_the_music_is_told(tmp_path: Path) -> None:
    facts = render(tmp_path / "o.mov", seconds=8.0)
    assert facts.notes == ("The music goes on 2.0 s after the end of the overlay.",)
    plan = plan_overlay(
        lead_spans(), PLAYED.shifted(-1.713), seconds=11.0, size=SIZE, fps=F(25), look=default_look(),
        form=lead_tab().form,
    )  # fmt: skip
    assert plan.facts.notes == ("The music begins 1.0 s before the start of the overlay.",)


def test_each_different_picture_is_drawn_once(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = plan_overlay(
        lead_spans(), PLAYED, seconds=11.0, size=SIZE, fps=F(25), look=default_look(), form=lead_tab().form
    )
    drawn: list[object] = []
    draw = plan.card.draw
    monkeypatch.setattr(plan.card, "draw", lambda scene: (drawn.append(scene), draw(scene))[1])
    assert len(list(plan.pictures(whole_frame=False))) == len(plan.cues)
    assert len(drawn) == len(set(drawn))


def test_a_pickup_without_a_chord_is_no_change() -> None:
    form, spans = waltz_tab().form, waltz_spans()
    planned = plan_overlay(
        spans, TimeMap.steady(132), seconds=10.0, size=(640, 360), fps=F(25), look=default_look(), form=form
    )
    assert planned.facts.changes[0][1:] == (round(60 / 132 * 25), "G")
    assert planned.cues[0].scene is not None and planned.cues[0].scene.waiting
