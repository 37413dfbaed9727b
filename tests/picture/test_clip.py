"""The clip: the take's own picture and sound, upright, in time, with the card burnt in."""

from __future__ import annotations

import subprocess
from fractions import Fraction as F
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from pipeline.errors import MisuseError, StepError
from pipeline.ffmpeg import ffmpeg_binary
from pipeline.music.timemap import TimeMap
from pipeline.page.look import default_look
from pipeline.picture import clip as clip_module
from pipeline.picture.clip import ClipFacts, look_at_take, render_clip
from tests.samples import lead_spans, lead_tab

PLAYED = TimeMap.from_points([(0, 0.4), (4, 1.3), (8, 2.35), (10, 2.8), (12, 3.3), (16, 4.2)])
TONE = ["-f", "lavfi", "-i", "sine=440:r=48000:d=5"]


def make(path: Path, *arguments: str) -> Path:
    subprocess.run([ffmpeg_binary(), "-loglevel", "error", *arguments, str(path)], check=True)
    return path


def grey(size: str, fps: str) -> list[str]:
    return ["-f", "lavfi", "-i", f"color=0x808080:s={size}:r={fps}:d=5"]


def render(path: Path, take: Path, **changed: Any) -> ClipFacts:
    given: dict[str, Any] = {
        "look": default_look(),
        "form": lead_tab().form,
        "title": "Low Tide",
        "size": (320, 180),
    }
    return render_clip(path, take, lead_spans(), PLAYED, **(given | changed))


def pictures(path: Path) -> tuple[list[F], list[np.ndarray]]:
    with av.open(str(path)) as container:
        frames = list(container.decode(container.streams.video[0]))
        return [f.pts * f.time_base for f in frames], [f.to_ndarray(format="rgb24") for f in frames]


@pytest.mark.parametrize(("rate", "fps"), [("25", F(25)), ("30000/1001", F(30000, 1001)), ("60", F(60))])
def test_the_card_is_burnt_in_on_the_nearest_frame(tmp_path: Path, rate: str, fps: F) -> None:
    take = make(tmp_path / "t.mp4", *grey("320x180", rate), *TONE, "-c:v", "libx264", "-c:a", "aac")
    facts = render(tmp_path / "c.mp4", take)
    times, seen = pictures(tmp_path / "c.mp4")
    assert (facts.size, facts.fps, facts.from_still, facts.copied_audio) == ((320, 180), fps, False, True)
    assert len(times) == facts.frames == round(5 * fps)
    assert times == [F(n) / fps for n in range(len(times))]
    dark = [picture[135:165, 18:40].mean() < 90 for picture in seen]
    first, last = dark.index(True), len(dark) - 1 - dark[::-1].index(True)
    assert all(dark[first : last + 1])
    assert first == facts.changes[0][1] == int(F("0.4") * fps + F(1, 2))
    assert last + 1 == int(F("4.2") * fps + F(1, 2))
    # the rest of the picture is the take's: it once came out darker, by way of RGB and back
    _, own = pictures(take)
    assert all(abs(picture[:90].mean() - own[0][:90].mean()) <= 1 for picture in seen)


def test_sound_of_another_kind_is_encoded_and_nothing_is_shifted(tmp_path: Path) -> None:
    burst = ["-f", "lavfi", "-i", "aevalsrc=if(between(t\\,2\\,2.1)\\,0.8*sin(2*PI*880*t)\\,0):s=48000:d=5"]
    take = make(tmp_path / "t.mov", *grey("320x180", "25"), *burst, "-c:v", "libx264", "-c:a", "pcm_s16le")
    facts = render(tmp_path / "c.mp4", take)
    assert not facts.copied_audio
    with av.open(str(tmp_path / "c.mp4")) as container:
        assert container.streams.audio[0].codec_context.name == "aac"
        parts = [(float(f.pts * f.time_base), f.to_ndarray()[0]) for f in container.decode(audio=0)]
    start = next(t + int(np.argmax(np.abs(x) > 0.2)) / 48000 for t, x in parts if (np.abs(x) > 0.2).any())
    assert start == pytest.approx(2.0, abs=0.005)


def test_a_phone_held_upright_stays_upright(tmp_path: Path) -> None:
    flat = make(
        tmp_path / "f.mov", *grey("320x180", "25"), "-vf", "drawbox=0:0:40:180:white:fill", "-c:v", "libx264"
    )
    take = make(tmp_path / "t.mov", "-display_rotation", "90", "-i", str(flat), "-c", "copy")
    facts = render(tmp_path / "c.mp4", take)
    assert facts.size == (180, 320)
    _, seen = pictures(tmp_path / "c.mp4")
    assert seen[0].shape == (320, 180, 3)
    # turned anticlockwise by 90 degrees, as the file says: the left edge is now the foot
    assert seen[0][290:].mean() > 200
    assert seen[0][:200].mean() < 140


def test_odd_sizes_and_oblong_pixels(tmp_path: Path) -> None:
    odd = make(tmp_path / "odd.mkv", *grey("321x181", "25"), "-pix_fmt", "rgb24", "-c:v", "ffv1")
    facts = render(tmp_path / "c.mp4", odd)
    assert facts.size == (320, 180)
    assert facts.notes == ("The clip is 320 x 180 pixels, as video has even sizes.",)
    oblong = make(tmp_path / "w.mp4", *grey("240x180", "25"), "-vf", "setsar=4/3", "-c:v", "libx264")
    assert render(tmp_path / "d.mp4", oblong).size == (320, 180)
    assert pictures(tmp_path / "d.mp4")[1][0].shape == (180, 320, 3)


def test_a_take_with_sound_alone_gets_the_title_card(tmp_path: Path) -> None:
    take = make(tmp_path / "t.flac", *TONE)
    facts = render(tmp_path / "c.mp4", take, fps=F(25))
    assert facts.from_still
    assert facts.frames == 125
    _, seen = pictures(tmp_path / "c.mp4")
    assert seen[0][:100].std() > 20  # the title
    changed = np.abs(seen[60].astype(int) - seen[0])
    left = changed[:, :160].max()
    assert left > 150
    assert changed[:100].max() < 60


def test_cover_art_is_no_video(tmp_path: Path) -> None:
    cover = make(tmp_path / "c.png", *grey("64x64", "1"), "-frames:v", "1")
    take = make(tmp_path / "t.mp3", *TONE, "-i", str(cover), "-map", "0", "-map", "1", "-c:v", "copy",
                "-disposition:v", "attached_pic")  # fmt: skip
    streams = look_at_take(take)
    assert streams.video is None
    assert streams.audio == 0
    assert streams.seconds == pytest.approx(5, abs=0.1)


def test_a_picture_that_ends_before_its_sound_stands_still(tmp_path: Path) -> None:
    short = ["-f", "lavfi", "-i", "color=0x808080:s=320x180:r=25:d=3"]
    take = make(tmp_path / "t.mp4", *short, *TONE, "-c:v", "libx264", "-c:a", "aac")
    facts = render(tmp_path / "c.mp4", take)
    times, seen = pictures(tmp_path / "c.mp4")
    assert facts.frames == len(times) == 125
    assert abs(seen[-1][:90].mean() - 128) < 3


def test_a_silent_take_has_a_silent_clip(tmp_path: Path) -> None:
    take = make(tmp_path / "t.mp4", *grey("320x180", "25"), "-c:v", "libx264")
    render(tmp_path / "c.mp4", take)
    with av.open(str(tmp_path / "c.mp4")) as container:
        assert not container.streams.audio
        assert len(container.streams.video) == 1


def test_the_same_again_is_the_same_bytes_and_starts_with_its_index(tmp_path: Path) -> None:
    take = make(tmp_path / "t.flac", *TONE)
    render(tmp_path / "a.mp4", take)
    render(tmp_path / "b.mp4", take)
    data = (tmp_path / "a.mp4").read_bytes()
    assert data == (tmp_path / "b.mp4").read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")


def test_names_that_look_like_options_or_addresses_are_files(tmp_path: Path) -> None:
    odd = make(tmp_path / "t.flac", *TONE).rename(tmp_path / "-i 100%d [x];'y.flac")
    assert render(tmp_path / "clip %03d.mp4", odd).frames == 150
    assert (tmp_path / "clip %03d.mp4").is_file()


@pytest.mark.parametrize(
    ("content", "said"),
    [(None, "there is no take"), (b"no video at all", "can't be read"), (b"", "can't be read")],
)
def test_a_take_that_is_none(tmp_path: Path, content: bytes | None, said: str) -> None:
    take = tmp_path / "t.mp4"
    if content is not None:
        take.write_bytes(content)
    with pytest.raises(MisuseError, match=said):
        render(tmp_path / "c.mp4", take)
    assert not (tmp_path / "c.mp4").exists()


def test_an_encoder_that_fails_leaves_nothing_and_says_its_last_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    take = make(tmp_path / "t.flac", *TONE)
    out = tmp_path / "c.mp4"
    out.write_bytes(b"the old one")
    monkeypatch.setattr(clip_module, "THREADS", "several")
    with pytest.raises(StepError, match=r"c\.mp4 could not be made; ffmpeg stopped \(\d+\): \S+"):
        render(out, take)
    assert out.read_bytes() == b"the old one"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["c.mp4", "t.flac"]


def test_the_file_ending_is_checked(tmp_path: Path) -> None:
    with pytest.raises(MisuseError, match=r"an \.mp4 file, got c\.avi"):
        render(tmp_path / "c.avi", tmp_path / "t.flac")


def test_the_quality_is_checked(tmp_path: Path) -> None:
    with pytest.raises(MisuseError, match="0 to 51, got 52"):
        render(tmp_path / "c.mp4", tmp_path / "t.flac", crf=52)


def test_a_take_whose_frames_come_unevenly_is_shown_evenly(tmp_path: Path) -> None:
    """As telephones record: the times of the frames wander, the clip's do not."""
    even = make(tmp_path / "e.mp4", *grey("320x180", "30"), "-c:v", "libx264")
    take = make(tmp_path / "t.mkv", "-i", str(even), "-vf", "setpts='PTS+0.008*sin(N)/TB'", "-fps_mode", "vfr",
                "-enc_time_base", "1/1000", "-c:v", "libx264")  # fmt: skip
    facts = render(tmp_path / "c.mp4", take)
    times, _ = pictures(tmp_path / "c.mp4")
    assert facts.seconds == pytest.approx(5, abs=0.05)
    assert times == [F(n) / facts.fps for n in range(facts.frames)]
