"""Make the recordings of the demo week: takes, spoken segments and the truth about them.

Run by hand after a tab changes (``python assets/make_takes.py [LESSON...]``); a build never
runs it. Needs ``numba`` (it comes with librosa) and, for the spoken segments, the Debian
package ``espeak-ng``.
"""

from __future__ import annotations

import csv
import shutil
import subprocess
import sys
import tempfile
import zlib
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import filming
import numpy as np
import plucked
import soundfile
from playing import Stroke, free_map, sound_of, strokes_of
from plucked import BUILDS, RATE, Floats
from scipy import signal

from pipeline.errors import Problems
from pipeline.music.tab import Tab
from pipeline.read.tabfile import read_tab

HERE = Path(__file__).resolve().parent
TAIL_S = 2.2


@dataclass(frozen=True)
class Film:
    size: tuple[int, int]
    fps: int


@dataclass(frozen=True)
class Take:
    """How one lesson is recorded. ``sway``: how far the tempo leaves the written one."""

    file: str
    lead_in_s: float
    sway: float
    jitter_s: float = 0.008
    film: Film | None = None


TAKES = {
    "breakwater_lamp": Take("take.mp4", 4.4, 0.015, film=Film((640, 360), 25)),
    "ferry_letter": Take("take.opus", 3.1, 0.08, jitter_s=0.010),
    "net_menders": Take("take.m4a", 5.2, 0.006, jitter_s=0.006),
    "gulls_at_supper": Take("take.mp4", 3.6, 0.03, film=Film((640, 360), 30)),
}
# what is said, and the phrase that is played slowly after it
TALK: dict[str, dict[str, tuple[str, str | None, str]]] = {
    "breakwater_lamp": {
        "talk_welcome": (
            "Good evening from the string room. Tonight's piece is called Breakwater Lamp. "
            "It is a lead for one guitar over a shuffle, in A dorian. I play it once, and then "
            "we take it apart, phrase by phrase. Tune up, and turn the tone down a little.",
            None, "",
        ),
        "talk_chords": (
            "The band needs two chords, A minor seven and D nine, one bar each. "
            "In the second line they leave for C major seven and E minor seven. "
            "The last line goes home by way of G, D over F sharp, and E minor seven. "
            "The last A minor seven is a full stop.",
            None, "",
        ),
        "talk_phrase_1": (
            "Phrase one, the call. Bend the seventh fret up a whole tone. Here it is, slowly.",
            "The call", "Sing the first bar before you play it.",
        ),
        "talk_phrase_2": (
            "Phrase two, down the steps. Lay the palm on the low strings for three notes. Slowly.",
            "Down the steps", "",
        ),
        "talk_phrase_3": (
            "Phrase three. The same call, now at the tenth fret.", "The call from higher up",
            "Push the silent bend up before you strike it.",
        ),
        "talk_phrase_4": (
            "Phrase four. We go home along the wall, and end on a harmonic.", "Home along the wall", "",
        ),
        "talk_farewell": (
            "That is all of it. Play it with the slow backing track first, then with the full one. "
            "Rest your hands after ten minutes. Until next week, from the harbour.",
            None, "",
        ),
    },
    "ferry_letter": {
        "talk_welcome": (
            "Good evening. This is a waltz for the fingers, called Letter from the Ferry. The thumb takes "
            "the bass, and the tune lies on top. It is played freely, so don't look for a click.",
            None, "",
        ),
        "talk_slowly": (
            "Here is the middle part, slowly. Listen for the open string that covers the change of place.",
            "Midstream", "The second time it ends in another way, and goes on to the far bank.",
        ),
    },
    "net_menders": {
        "talk_welcome": (
            "Good evening, low strings. Net Menders is a line in sixteenths, in G mixolydian. "
            "One note in four is a dead one: it keeps the hand moving, and nothing else.",
            None, "",
        ),
        "talk_slowly": (
            "The middle part, slowly. A low note, a dead note, and the octave. Four chords, one pull.", "Knots", "",
        ),
    },
    "gulls_at_supper": {
        "talk_welcome": (
            "Good evening. Take the ukulele with the high fourth string, and count two beats in a bar. "
            "The tune is called Gulls at Supper, and it hops from string to string.",
            None, "",
        ),
        "talk_slowly": (
            "The first four bars, slowly. Let every note ring into the next.", "Supper bell",
            "The second line begins in the same way.",
        ),
    },
}  # fmt: skip


def seed_of(*names: str) -> np.random.Generator:
    """The same chance for the same names, on every run."""
    return np.random.default_rng(zlib.crc32("/".join(names).encode()))


def record(lesson: str, tab: Tab, take: Take) -> tuple[Floats, tuple[Stroke, ...]]:
    """(n, 2) the whole recording, and when each note was struck."""
    rng, build = seed_of(lesson, "take"), BUILDS[tab.instrument.name]
    time_map = free_map(tab, depth=take.sway, start_s=take.lead_in_s)
    strokes = strokes_of(tab, time_map, build, jitter_s=take.jitter_s, rng=rng)
    seconds = max(s.end_s for s in strokes) + TAIL_S
    mutes = (0.9, 1.15, 1.4)
    bare = sound_of(tab, strokes, build, seconds=seconds, mutes_s=mutes, rng=rng)
    bare[-int(0.4 * RATE) :] *= np.linspace(1, 0, int(0.4 * RATE)) ** 2
    wet = plucked.through_amplifier(bare, build) if build.pickup_at else plucked.through_body(bare, build)
    wet = 0.5 * wet / np.abs(wet).max()
    _before_and_after(wet, tab, take, rng)
    heard = plucked.in_a_room(wet, seconds=build.room_s, share=build.room, rng=rng)
    heard += plucked.room_noise(len(heard), hum_db=build.hum_db, rng=rng)
    return 0.7 * heard / np.abs(heard).max(), strokes


def _before_and_after(sound: Floats, tab: Tab, take: Take, rng: np.random.Generator) -> None:
    """A chair, the count on the wood, and the chair again."""
    metre = tab.form.bars[0].metre
    beat_s = float(metre.beat_quarters) * 60.0 / tab.tempo_bpm
    count = int(metre.quarters / metre.beat_quarters)
    lead = metre.quarters - tab.form.bars[0].length if tab.form.pickup else Fraction(0)
    first_s = take.lead_in_s - beat_s * (float(lead / metre.beat_quarters) if lead else count)
    taps = int(lead / metre.beat_quarters) if lead else count
    moments = [first_s + i * beat_s for i in range(taps)]
    for moment in moments:
        _add(sound, moment + rng.normal(0, 0.004), 0.16 * rng.uniform(0.8, 1.1) * plucked.knock(rng))
    _add(sound, 0.15, 0.05 * plucked.creak(rng))
    _add(sound, len(sound) / RATE - 1.0, 0.04 * plucked.creak(rng))


def _add(sound: Floats, moment_s: float, what: Floats) -> None:
    a = int(moment_s * RATE)
    if a >= 0:
        part = what[: max(0, len(sound) - a)]
        sound[a : a + len(part)] += part


def spoken(text: str) -> Floats:
    """A sentence in a synthetic voice, (n,) at ``RATE``."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        program = shutil.which("espeak-ng")
        if program is None:
            raise SystemExit("espeak-ng is missing: apt-get install espeak-ng, then run this again")
        subprocess.run([program, "-v", "en-gb", "-s", "152", "-p", "42", "-w", str(path), text], check=True)
        voice, rate = soundfile.read(path)
    voice = signal.resample_poly(voice, RATE // 50, rate // 50)
    return np.asarray(0.35 * voice / np.abs(voice).max())


def talked(lesson: str, name: str, tab: Tab) -> Floats:
    """A spoken segment with the phrase played at 70 percent after the words, (n, 2)."""
    before, phrase_name, behind = TALK[lesson][name]
    rng, build = seed_of(lesson, name), BUILDS[tab.instrument.name]
    gap = np.zeros(int(0.7 * RATE))
    parts = [gap, spoken(before), gap]
    if phrase_name is not None:
        phrase = next(p for p in tab.phrases if p.name == phrase_name)
        start, end = tab.phrase_spans(phrase)[0]
        time_map = free_map(tab, depth=0.02, start_s=0.0, pace=0.7)
        shift = time_map.seconds_at(start) - 0.1
        strokes = tuple(
            Stroke(s.sounding, s.start_s - shift, s.end_s - shift)
            for s in strokes_of(tab, time_map, build, jitter_s=0.008, rng=rng)
            if start <= s.sounding.onset < end
        )
        bare = sound_of(tab, strokes, build, seconds=max(s.end_s for s in strokes) + 1.2, rng=rng)
        played = (
            plucked.through_amplifier(bare, build) if build.pickup_at else plucked.through_body(bare, build)
        )
        parts += [0.4 * played / np.abs(played).max(), gap]
    if behind:
        parts += [spoken(behind), gap]
    dry = np.concatenate(parts)
    heard = plucked.in_a_room(dry, seconds=0.4, share=0.08, rng=rng)
    heard += plucked.room_noise(len(heard), hum_db=None, rng=rng)
    return 0.7 * heard / np.abs(heard).max()


def write_media(path: Path, sound: Floats, *, kbps: int, mono: bool = False, film: Film | None = None,
                tab: Tab | None = None, strokes: tuple[Stroke, ...] = ()) -> None:  # fmt: skip
    """Encode: Opus in Ogg, AAC in M4A, or H.264 and AAC in MP4, by the file's ending."""
    codec = "libopus" if path.suffix == ".opus" else "aac"
    data = sound.mean(axis=1, keepdims=True) if mono else sound
    fresh = path.with_name("fresh" + path.suffix)
    form = {".opus": "ogg", ".m4a": "ipod", ".mp4": "mp4"}[path.suffix]
    options = {"fflags": "+bitexact"}  # no random serial number, no date
    if form != "ogg":
        options["movflags"] = "+faststart"
    with av.open(str(fresh), "w", format=form, options=options) as out:
        picture = None
        if film is not None and tab is not None:
            picture = out.add_stream("libx264", rate=film.fps, options={"crf": "27", "preset": "slow"})
            picture.width, picture.height = film.size
            picture.pix_fmt = "yuv420p"
        stream = out.add_stream(codec, rate=RATE, layout="mono" if mono else "stereo")
        stream.bit_rate = kbps * 1000
        frame = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(data.T.astype(np.float32)),
            format="fltp",
            layout="mono" if mono else "stereo",
        )
        frame.sample_rate, frame.pts, frame.time_base = RATE, 0, Fraction(1, RATE)
        convert = av.AudioResampler(format=stream.codec_context.format, layout=stream.layout, rate=RATE,
                                    frame_size=stream.codec_context.frame_size or 960)  # fmt: skip
        for piece in [*convert.resample(frame), *convert.resample(None)]:
            out.mux(stream.encode(piece))
        out.mux(stream.encode(None))
        if picture is not None and film is not None and tab is not None:
            seconds = len(sound) / RATE
            for drawn in filming.frames(tab, strokes, seconds=seconds, size=film.size, fps=film.fps):
                out.mux(picture.encode(av.VideoFrame.from_ndarray(drawn, format="rgb24")))
            out.mux(picture.encode(None))
    fresh.replace(path)


def write_truth(path: Path, strokes: tuple[Stroke, ...]) -> None:
    """When each note of ``Tab.sounding`` starts in the recording."""
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(["index", "quarter", "seconds"])
        for stroke in strokes:
            note = stroke.sounding
            rows.writerow([note.index, str(note.onset), f"{stroke.start_s:.4f}"])


def main(names: list[str]) -> None:
    for lesson in names or list(TAKES):
        problems = Problems()
        tab = read_tab(HERE.parent / "configs" / lesson / "tab.txt", problems, tempo_bpm=None, title="")
        if tab is None:
            raise SystemExit("\n".join(problem.text() for problem in problems))
        folder = HERE / lesson
        folder.mkdir(exist_ok=True)
        take = TAKES[lesson]
        sound, strokes = record(lesson, tab, take)
        write_truth(folder / "truth.csv", strokes)
        write_media(folder / take.file, sound, kbps=96, film=take.film, tab=tab, strokes=strokes)
        print(f"{lesson}: {len(strokes)} notes, {len(sound) / RATE:.1f} s")
        for name in TALK.get(lesson, {}):
            said = talked(lesson, name, tab)
            write_media(folder / f"{name}.opus", said, kbps=40, mono=True)
            print(f"  {name}: {len(said) / RATE:.1f} s")


if __name__ == "__main__":
    main(sys.argv[1:])
