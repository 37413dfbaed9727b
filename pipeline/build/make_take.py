"""Steps that listen to the take."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass

from pipeline.build.looks import Colours, look_of_step
from pipeline.build.step import Given, Result
from pipeline.errors import Problem, SourceError
from pipeline.listen.alignment import Alignment
from pipeline.music.tab import Tab

ALIGNMENT_FILE = "alignment.json"
PICTURE_FILE = "alignment.png"
UNSURE = 0.5  # a bar heard with less confidence than this is named to the creator


@dataclass(frozen=True)
class AlignParams:
    """``start_s``, ``end_s``: the part of the recording to look in, None for all of it."""

    tab: Tab
    start_s: float | None
    end_s: float | None


def align(params: AlignParams, given: Given) -> Result:
    """Find the tab in the take."""
    from dataclasses import replace

    from pipeline.listen.align import align_take
    from pipeline.listen.errors import ListenError
    from pipeline.read.media import MediaError, decode_audio

    take = given.files["take"]
    try:
        audio, rate = decode_audio(take, mono=True)
        first = round((params.start_s or 0.0) * rate)
        last = len(audio) if params.end_s is None else round(params.end_s * rate)
        heard = align_take(params.tab, audio[first:last], rate)
    except ListenError as error:
        raise SourceError([Problem(error.what, error.remedy, path=take)]) from error
    except MediaError as error:  # names the file itself
        raise SourceError([Problem(error.what, error.remedy)]) from error
    if first:
        by = first / rate
        heard = replace(
            heard,
            time_map=heard.time_map.shifted(by),
            lead_in_s=heard.lead_in_s + by,
            end_s=heard.end_s + by,
            notes=tuple(replace(note, seconds=note.seconds + by) for note in heard.notes),
            bars=tuple(replace(bar, seconds=bar.seconds + by) for bar in heard.bars),
        )
    facts = heard.to_json()
    text = json.dumps(facts, ensure_ascii=False, allow_nan=False, indent=1, sort_keys=True)
    (given.folder / ALIGNMENT_FILE).write_text(text + "\n", "utf-8")
    return Result(facts, tuple(_cautions(heard, params.tab)))


def _printed(tab: Tab) -> dict[int, str]:
    """Ordinal of each played bar -> its number on the page, with the time through a repeat."""
    played = tab.form.played.bars
    often = Counter(bar.written for bar in played)
    return {
        bar.ordinal: f"{bar.bar.number}" + (f" (time {bar.passing})" if often[bar.written] > 1 else "")
        for bar in played
    }


def _cautions(heard: Alignment, tab: Tab) -> list[str]:
    found = []
    printed = _printed(tab)
    absent = [bar.bar for bar in heard.bars if bar.confidence == 0]
    if absent:
        first, last = printed[absent[0]], printed[absent[-1]]
        bars = f"Bar {first} was" if len(absent) == 1 else f"Bars {first} to {last} were"
        found.append(
            f"{bars} not found: the take begins after. Was a repeat left out, or the start cut off? "
            "If so, write the tab and the chart as it was played."
        )
    unsure = [printed[bar.bar] for bar in heard.bars if 0 < bar.confidence < UNSURE]
    if unsure:
        bars = f"bar {unsure[0]}" if len(unsure) == 1 else f"bars {', '.join(unsure)}"
        found.append(f"The take is hard to follow in {bars}; look at the overlay there.")
    for status, told in (("missing", "not heard"), ("wrong", "heard at another pitch")):
        told_of = [n for n in heard.notes if n.status == status and n.bar not in absent]
        places = [f"bar {printed[n.bar]} beat {n.beat:g}" for n in told_of]
        if places:
            shown = ", ".join(places[:5]) + (f" and {len(places) - 5} more" if len(places) > 5 else "")
            count = "1 note of the tab was" if len(places) == 1 else f"{len(places)} notes of the tab were"
            found.append(f"{count} {told} in the take: {shown}.")
    return found


@dataclass(frozen=True)
class PictureParams:
    colours: Colours


def draw_alignment(params: PictureParams, given: Given) -> Result:
    """The take as a picture with its bars, for the review page."""
    from pipeline.picture.plots import alignment_picture
    from pipeline.read.media import decode_audio

    heard = Alignment.from_json(given.made["align"].facts)
    audio, rate = decode_audio(given.files["take"], mono=True)
    bars = [(bar.bar, bar.seconds, bar.confidence) for bar in heard.bars]
    look = look_of_step(params.colours, given.files)
    (given.folder / PICTURE_FILE).write_bytes(alignment_picture(audio, rate, bars, look=look))
    return Result()
