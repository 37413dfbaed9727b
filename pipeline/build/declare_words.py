"""The steps of a lesson that are read: the description, the chapters, the packs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.build import costs, make_words
from pipeline.build.declaring import ARCHIVE, PACK_MEMBER, PUBLIC, Declaring, template_files
from pipeline.build.editions import counted_words
from pipeline.build.step import Output, Step
from pipeline.music.instrument import INSTRUMENTS
from pipeline.music.tab import Tab
from pipeline.pack.archive import CHECKSUMS, README
from pipeline.study.facts import lesson_facts
from pipeline.words.reach import Reach, reach


def words_steps(of: Declaring, before: Sequence[Step]) -> list[Step]:
    facts = _facts(of)
    own = template_files(of.lesson)
    readme = reach(make_words.README_TEMPLATE, own)
    packs: list[Step] = []
    offers: list[make_words.Offer] = []
    for tier in of.lesson.channel.tiers:
        members = [
            (step.name, output.name, output.what)
            for product in tier.includes
            for step in before
            for output in step.outputs
            if output.product == product
        ]
        if not members:
            continue
        offers.append(make_words.Offer(tier.name, tuple(_offer(of, tier.includes, before))))
        archive = f"{of.slug}-{tier.id}.zip"
        packs.append(
            of.step(
                f"pack {tier.id}", "packs", make_words.pack,
                make_words.PackParams(of.slug, archive, tier.name, tuple(members), readme.of(facts)),
                [Output(archive, ARCHIVE, f"Everything for {tier.name}"),
                 Output(README, PACK_MEMBER, "What is in the pack"),
                 Output(CHECKSUMS, PACK_MEMBER, "Checksums of the files")],
                files=_files(readme),
                needs=tuple(dict.fromkeys(step for step, _, _ in members)),
                rooms=("pipeline.words", "pipeline.pack"), libraries=("jinja2",),
                cost=costs.pack(of.lesson.take.seconds if of.lesson.take else 0.0),
            )
        )  # fmt: skip
    return [_words(of, facts, offers, reach(make_words.DESCRIPTION_FILE, own)), *packs]


def _files(used: Reach) -> tuple[tuple[str, Path], ...]:
    return tuple((make_words.template_role(name), path) for name, path in used.own.items())


def _words(of: Declaring, facts: dict[str, Any], offers: Sequence[make_words.Offer], used: Reach) -> Step:
    lesson = of.lesson
    segments = lesson.segments
    total_s = sum(s.seconds for s in segments) if segments else lesson.take.seconds if lesson.take else None
    outputs = [Output(make_words.DESCRIPTION_FILE, "description", "The text under the video")]
    if total_s is not None:
        outputs.append(Output(make_words.CHAPTERS_FILE, "chapters", "The chapters of the video"))
    phrases = tuple(
        (phrase.name, tuple(float(start) for start, _ in lesson.tab.phrase_spans(phrase)))
        for phrase in lesson.tab.phrases
    )
    params = make_words.WordsParams(
        used.of(facts),
        tuple(offers) if used.of({"tiers": offers}) else (),
        tuple((s.start_s, s.name) for s in segments) if segments else None,
        phrases if not segments else (),
        total_s,
    )
    return of.step(
        "words", "words", make_words.words, params, outputs,
        files=_files(used),
        needs=("align",) if not segments and lesson.take else (),
        rooms=("pipeline.words", "pipeline.listen.alignment"), libraries=("jinja2",),
    )  # fmt: skip


def _offer(of: Declaring, includes: Sequence[str], before: Sequence[Step]) -> Iterable[make_words.Named]:
    """One line for each kind of thing in a tier, as a viewer wants to read it."""
    for product in includes:
        if product in PUBLIC:  # it is in the pack too, but everybody can see it already
            continue
        outputs = [o for step in before for o in step.outputs if o.product == product]
        if not outputs:
            continue
        what = outputs[0].what
        if product in ("backing", "guide"):
            keys = _listed(dict.fromkeys(e.key.symbol() for e in of.editions))
            what = f"{what.split(' in ')[0]} in {keys}, at {_tempos(of)}"
        yield make_words.Named(product, what)


def _facts(of: Declaring) -> dict[str, Any]:
    """The variables of the templates, as `pipeline.words.templates` documents them."""
    lesson, config, channel = of.lesson, of.lesson.config, of.lesson.channel
    known = lesson_facts(lesson.tab, lesson.spans)
    return {
        "lesson": {
            "title": config.title,
            "credit": config.credit,
            "artist": config.artist,
            "blurb": config.blurb,
            "level": config.level,
            "rights": lesson.rights,
        },
        "facts": {
            "key": known.key.symbol(),
            "tempo": _tempo(of.lesson.tab),
            "tempo_bpm": known.tempo_bpm,
            "tuning": config.tuning or ("" if _usual_tuning(lesson.tab) else known.tuning),
            "techniques": list(known.techniques),
            "chords": list(known.chords),
            "fret_lo": known.fret_lo,
            "fret_hi": known.fret_hi,
            "open_strings": known.open_strings,
            "bars": known.bars,
            "bars_played": known.bars_played,
        },
        "links": [{"label": link.label, "url": link.url} for link in channel.links],
        "channel": {
            "name": channel.name,
            "tagline": channel.tagline,
            "contact": channel.contact,
            "terms": channel.terms,
        },
        "version": __version__,
    }


def _tempos(of: Declaring) -> str:
    """The tempos of the editions as players count them: ``81 and 108 bpm``, ``♩. = 54 and 72``."""
    metre = of.lesson.tab.form.bars[0].metre
    words = list(dict.fromkeys(counted_words(e.tempo_bpm, metre) for e in of.editions))
    before, after = ("♩. = ", "") if metre.compound else ("", " bpm")
    return before + _listed(word.removeprefix(before).removesuffix(after) for word in words) + after


def _tempo(tab: Tab) -> str:
    """The tempo as players set it on a metronome."""
    return counted_words(tab.tempo_bpm, tab.form.bars[0].metre)


def _usual_tuning(tab: Tab) -> bool:
    """Whether the tuning goes without saying: the one the instrument is named without."""
    instrument = tab.instrument
    built_in = INSTRUMENTS.get(instrument.name)
    named_for_tuning = instrument.name.startswith("guitar ")
    return (
        built_in is not None
        and built_in.strings == instrument.strings
        and not (instrument.capo or named_for_tuning)
    )


def _listed(names: Iterable[str]) -> str:
    words = list(names)
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
