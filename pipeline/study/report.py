"""What the notes say, as one document: the key, the chords under the lead, the hand's place."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipeline.music.chart import ChordSpan
from pipeline.music.tab import Tab
from pipeline.music.technique import Dead
from pipeline.study.facts import lesson_facts
from pipeline.study.key import find_key, heard_midi


def chord_tone_share(tab: Tab, span: ChordSpan) -> float | None:
    """Share (0..1) of the lead's sounding time in a span that is on the chord's notes.

    None where there is no chord or the lead is silent. Bends count where they arrive.
    """
    if span.chord is None:
        return None
    inside = total = 0.0
    for sounding in tab.sounding:
        shared = min(sounding.end, span.end) - max(sounding.onset, span.start)
        if shared <= 0 or sounding.note.has(Dead):
            continue
        total += float(shared)
        if heard_midi(tab, sounding) % 12 in span.chord.pitch_classes:
            inside += float(shared)
    return inside / total if total else None


def study_report(tab: Tab, spans: Sequence[ChordSpan]) -> dict[str, Any]:
    """Key as written and as the notes have it, charted chords bar by bar with the share of
    the lead that lies on them, and where the hand is in each phrase."""
    facts = lesson_facts(tab, spans)
    guess = find_key(tab)
    bars: dict[int, dict[str, Any]] = {}
    for span in spans:
        row = bars.setdefault(span.bar.ordinal, {"bar": span.bar.ordinal, "charted": []})
        share = chord_tone_share(tab, span)
        row["charted"].append(
            {
                "chord": span.chord.text() if span.chord else "N.C.",
                "beat": float(span.bar.beat_of(span.start - span.bar.start)),
                "lead_on_chord_tones": None if share is None else round(share, 3),
            }
        )
    return {
        "key": tab.key.text(),
        "key_by_notes": {"key": guess.key.text(), "fit": round(guess.fit, 3)},
        "bars": list(bars.values()),
        "phrases": [
            {
                "name": phrase.name,
                "bars": [phrase.first, phrase.last],
                "frets": [phrase.fret_lo, phrase.fret_hi],
                "open_strings": phrase.open_strings,
                "strings": list(phrase.strings),
            }
            for phrase in facts.phrases
        ],
        "techniques": list(facts.techniques),
    }
