"""Where on the neck notes lie that come without string and fret.

The way through all places that costs the hand least is looked for: a shortest path over
positions of the hand, note by note, of which only the best few are followed at each moment.
A *position* is the fret of the index finger; the hand covers four frets without stretching.

Rules
-----
- A note that states its string and fret keeps them; one that states its string keeps that.
- A string that sounds is not struck again; notes struck together lie on strings of their own.
- What is held keeps the hand where it can reach it.
- Open strings are free, but change the tone high up the neck; a bent note is fretted.
- A string tuned above its neighbour nearer the floor (a banjo's short one) is fretted only
  for want of another: common practice.

References
----------
S. I. Sayegh, "Fingering for string instruments with the optimum path paradigm", Computer
Music Journal 13(3), 1989: the path and costs of changing from one place to the next.
D. P. Radicioni, V. Lombardo, "Computational modeling of chord fingering for string
instruments", CogSci 2005: chords as one choice of frets under what the hand can reach.
The weights are our own.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from pipeline.music.instrument import Instrument

REACH: Final = 4  # frets the hand covers without stretching
WIDEST: Final = 6  # frets between which no chord is reached below the twelfth
_WAYS: Final = 12  # ways that are followed from moment to moment
_SHAPES: Final = 10  # shapes of one chord that are weighed
_SEARCH: Final = 4_000  # choices looked at for one chord
_LEFT_OUT: Final = 1_000.0
_UNREACHABLE: Final = 60.0
_SHIFT, _SHIFT_FRET, _STRETCH = 1.0, 0.4, 2.5
_HEIGHT, _HOP, _OPEN_HIGH, _DRONE, _FINGER = 0.1, 0.05, 0.8, 6.0, 6.0
_RESTED: Final = 0.5  # a shift over a rest costs this share


@dataclass(frozen=True, slots=True)
class Unplaced:
    """A note to be placed.

    onset, end : quarters; a grace note ends where it starts, and is struck before what follows
    midi : sounding MIDI number
    string, fret : where it lies, when that is known
    bent : needs a fretted place
    together : a grace note that is struck with the grace note before it
    """

    onset: Fraction
    end: Fraction
    midi: int
    string: int | None = None
    fret: int | None = None
    bent: bool = False
    together: bool = False


Place = tuple[int, int]  # string, fret
_Shape = tuple[tuple[Place | None, ...], float]  # a place for each note, and what it costs


@dataclass(frozen=True, slots=True)
class _Way:
    """One way so far: its cost, the hand, what still sounds as (string, fret, end)."""

    cost: float
    position: int | None
    held: tuple[tuple[int, int, Fraction], ...]
    string: int | None
    before: _Way | None
    places: tuple[Place | None, ...]


def place_notes(notes: Sequence[Unplaced], instrument: Instrument) -> list[Place | None]:
    """(string, fret) of each note, in the given order; None for one that has no place.

    Notes are struck in the order of their onsets; those of one onset together, except grace
    notes, which come one after another before the rest.
    """
    moments = _moments(notes)
    stated = _stated(notes, instrument)
    drones = frozenset(
        s
        for s in range(2, len(instrument.strings) + 1)
        if instrument.open_midi(s) > instrument.open_midi(s - 1)
    )
    shapes: dict[tuple[tuple[tuple[Place, ...], ...], tuple[bool, ...], int], list[_Shape]] = {}
    ways = [_Way(0.0, None, (), None, None, ())]
    quiet = Fraction(0)  # until when something sounds
    for moment in moments:
        onset = notes[moment[0]].onset
        options = tuple(_options(notes[i], instrument, stated, drones) for i in moment)
        fixed = tuple(notes[i].string is not None for i in moment)
        found: dict[tuple[int | None, tuple[tuple[int, int], ...]], _Way] = {}
        eased = _RESTED if onset > quiet else 1.0
        for way in ways:
            held = tuple(h for h in way.held if h[2] > onset)
            mask = 0
            for string, _, _ in held:
                mask |= 1 << string
            key = (options, fixed, mask)
            if key not in shapes:
                shapes[key] = _shapes(options, mask, drones, [notes[i] for i in moment])
            for places, own in shapes[key]:
                for step in _steps(way, held, places, own, eased):
                    kept = held + tuple(
                        (place[0], place[1], notes[i].end)
                        for i, place in zip(moment, places, strict=True)
                        if place is not None and notes[i].end > onset
                    )
                    new = _Way(step[0], step[1], kept, step[2], way, places)
                    state = (step[1], tuple(sorted((s, f) for s, f, _ in kept)))
                    if state not in found or new.cost < found[state].cost:
                        found[state] = new
        ways = sorted(found.values(), key=_rank)[:_WAYS]
        quiet = max(quiet, *(notes[i].end for i in moment))
    answer: list[Place | None] = [None] * len(notes)
    last: _Way | None = min(ways, key=_rank)
    for moment in reversed(moments):
        if last is None:
            break
        for i, place in zip(moment, last.places, strict=True):
            answer[i] = place
        last = last.before
    return answer


def _rank(way: _Way) -> tuple[float, int, tuple[Place, ...]]:
    # costs that differ by rounding only are the same; the rest makes the choice a settled one
    return (round(way.cost, 9), way.position or 0, tuple(p for p in way.places if p is not None))


def _moments(notes: Sequence[Unplaced]) -> list[list[int]]:
    """Indices of the notes struck together, in order."""
    order = sorted(range(len(notes)), key=lambda i: (notes[i].onset, notes[i].end > notes[i].onset, i))
    found: list[list[int]] = []
    for i in order:
        note, last = notes[i], notes[found[-1][-1]] if found else None
        grace = note.end == note.onset
        joins = last is not None and last.onset == note.onset and grace == (last.end == last.onset)
        if joins and (note.together or not grace):
            found[-1].append(i)
        else:
            found.append([i])
    return found


def _stated(notes: Sequence[Unplaced], instrument: Instrument) -> dict[int, list[tuple[Fraction, Fraction]]]:
    """Per string, when it sounds notes that state it: (onset, end), sorted."""
    found: dict[int, list[tuple[Fraction, Fraction]]] = {}
    for note in notes:
        if note.string is not None and note.end > note.onset and _given(note, instrument):
            insort(found.setdefault(note.string, []), (note.onset, note.end))
    return found


def _given(note: Unplaced, instrument: Instrument) -> Place | None:
    """The place a note states, or the only one on the string it states."""
    if note.string is None or not 1 <= note.string <= len(instrument.strings):
        return None
    if note.fret is not None:
        return note.string, note.fret
    fret = note.midi - instrument.open_midi(note.string)
    return (note.string, fret) if 0 <= fret <= instrument.highest_fret else None


def _options(
    note: Unplaced,
    instrument: Instrument,
    stated: dict[int, list[tuple[Fraction, Fraction]]],
    drones: frozenset[int],
) -> tuple[Place, ...]:
    """Places of a note that no stated note needs meanwhile, the cheapest first."""
    if note.string is not None:
        given = _given(note, instrument)
        return () if given is None else (given,)
    found = []
    for string, fret in instrument.places(note.midi):
        taken = stated.get(string, [])
        place = bisect_left(taken, (note.onset, note.onset))
        if place < len(taken) and taken[place][0] < max(note.end, note.onset + Fraction(1, 10_000)):
            continue
        if place and taken[place - 1][1] > note.onset:
            continue
        found.append((string, fret))
    fretted = [place for place in found if place[1]]
    if note.bent and fretted:
        found = fretted
    return tuple(sorted(found, key=lambda p: (p[0] in drones and p[1] > 0, p[1], p[0])))


def _shapes(
    options: tuple[tuple[Place, ...], ...], mask: int, drones: frozenset[int], notes: Sequence[Unplaced]
) -> list[_Shape]:
    """The best ways to take notes together on strings that are not in ``mask``."""
    if len(options) == 1:
        # a place that was stated is kept, whatever sounds
        own = options[0] if notes[0].string is not None else [p for p in options[0] if not mask >> p[0] & 1]
        return [((p,), _own_cost((p,), drones)) for p in own] or [((None,), _LEFT_OUT)]
    count = len(options)
    # the outer voices matter most where there are more notes than strings: common practice
    by_pitch = sorted(range(count), key=lambda i: notes[i].midi)
    worth = {i: place for place, i in enumerate(by_pitch)}
    worth[by_pitch[0]] = count
    strings = len({s for places in options for s, _ in places})
    kept = [i for i in sorted(worth, key=lambda i: -worth[i]) if options[i] or notes[i].string is not None]
    loose = [i for i in kept if notes[i].string is None][: max(1, strings)]
    kept = [i for i in kept if notes[i].string is not None] + sorted(loose, key=lambda i: len(options[i]))
    found: list[_Shape] = []
    chosen: list[Place | None] = [None] * count
    budget = [_SEARCH]

    def choose(at: int, used: int, left_out: int) -> None:
        if budget[0] <= 0 or (found and left_out and _LEFT_OUT * left_out > found[0][1] + _UNREACHABLE):
            return
        if at == len(kept):
            missing = count - sum(place is not None for place in chosen)
            found.append((tuple(chosen), _own_cost(chosen, drones) + _LEFT_OUT * missing))
            found.sort(key=_shape_rank)
            del found[_SHAPES:]
            return
        i = kept[at]
        fixed = notes[i].string is not None
        for place in options[i]:
            budget[0] -= 1
            if not fixed and used >> place[0] & 1:
                continue
            chosen[i] = place
            choose(at + 1, used | 1 << place[0], left_out)
            chosen[i] = None
        if not (fixed and options[i]):
            choose(at + 1, used, left_out + 1)

    choose(0, mask, 0)
    return found or [(tuple(chosen), _LEFT_OUT * count)]


def _shape_rank(shape: _Shape) -> tuple[float, tuple[Place, ...]]:
    return round(shape[1], 9), tuple(p or (99, 99) for p in shape[0])


def _own_cost(places: Sequence[Place | None], drones: frozenset[int]) -> float:
    """What a shape costs wherever the hand comes from."""
    cost = 0.0
    taken = [p for p in places if p is not None]
    frets = [fret for _, fret in taken if fret]
    cost += sum(_DRONE for string, fret in taken if string in drones and fret)
    if not frets:
        return cost
    low, high = min(frets), max(frets)
    cost += _HEIGHT * sum(frets) / len(frets)
    cost += _stretch(low, high)
    if high > REACH:
        cost += _OPEN_HIGH * (len(taken) - len(frets))
    fingers = len(frets)
    if fingers == len(taken):  # one finger lies over all strings at the lowest fret
        fingers -= frets.count(low) - 1
    return cost + _FINGER * max(0, fingers - 4)


def _stretch(low: int, high: int) -> float:
    wide = high - low + 1 - REACH
    if wide <= 0:
        return 0.0
    # frets lie closer together higher up
    limit = WIDEST - REACH + (1 if low >= 12 else 0)
    return _STRETCH * wide + (_UNREACHABLE * (wide - limit) if wide > limit else 0.0)


def _steps(
    way: _Way,
    held: tuple[tuple[int, int, Fraction], ...],
    places: tuple[Place | None, ...],
    own: float,
    eased: float,
) -> list[tuple[float, int | None, int | None]]:
    """(cost so far, position, string) for each place the hand may go to for a shape."""
    taken = [p for p in places if p is not None]
    string = taken[0][0] if taken else way.string
    cost = way.cost + own
    if string is not None and way.string is not None:
        cost += _HOP * abs(string - way.string)
    frets = [fret for _, fret in taken if fret]
    if not frets:
        # an open string high up the neck sounds unlike its neighbours
        if way.position is not None and way.position > REACH:
            cost += _OPEN_HIGH * len(taken)
        return [(cost, way.position, string)]
    low, high = min(frets), max(frets)
    for _, fret, _ in held:
        if fret:
            low, high = min(low, fret), max(high, fret)
    if held:
        cost += _stretch(low, high) - _stretch(min(frets), max(frets))
    lowest = min(low, max(1, high - REACH + 1))
    found: list[tuple[float, int | None, int | None]] = []
    if way.position is None:
        found += [(cost + _HEIGHT * place, place, string) for place in range(lowest, low + 1)]
        return found
    nearest = min(max(way.position, lowest), low)
    for position in dict.fromkeys((nearest, low)):
        moved = abs(position - way.position)
        shift = eased * (_SHIFT + _SHIFT_FRET * moved) if moved else 0.0
        found.append((cost + shift, position, string))
    return found
