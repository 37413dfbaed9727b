"""The picture of a build."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import get_args
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

import pytest

from pipeline.build.declaring import ARCHIVE, PUBLIC, REVIEW
from pipeline.build.graphpicture import DrawnStep, LessonGraph, draw_graph, released
from pipeline.build.graphshapes import text_width
from pipeline.build.lesson_steps import plan_lesson
from pipeline.build.step import State
from pipeline.errors import Problems
from pipeline.read.lesson import read_lesson

SVG = "{http://www.w3.org/2000/svg}"


def step(name: str, *needs: str, **more: object) -> DrawnStep:
    usual = DrawnStep(name, name.split()[0], needs, "made", 1.0, f"why of {name}")
    return replace(usual, **more)  # type: ignore[arg-type]


def lesson_of(editions: int, title: str = "Breakwater Lamp") -> LessonGraph:
    """As many steps as a lesson in so many editions has: 9 and three for each."""
    both = ("tab.txt", "chart.txt", "lesson.toml", "channel.toml")
    steps = [
        step("align", sources=("take.flac", "tab.txt"), seconds=8.0),
        step("overlay", "align", sources=both, released=("public",), seconds=5.0),
        step("clip", "align", sources=both, released=("public",), seconds=11.0, state="reused"),
        step("words", "align", sources=both, released=("public",)),
        step("page", sources=both, released=("review",), seconds=3.0),
        step("midi", sources=("tab.txt",)),
        step("cover", sources=("channel.toml",)),
    ]
    for n in range(editions):
        steps.append(step(f"backing Am {60 + n}", sources=("tab.txt", "chart.txt"), seconds=6.0))
        steps.append(step(f"mp3 Am {60 + n}", f"backing Am {60 + n}"))
        steps.append(step(f"tags Am {60 + n}", f"mp3 Am {60 + n}", "cover"))
    members = ["page", "midi", "clip", *(f"tags Am {60 + n}" for n in range(editions))]
    steps.append(step("pack deckhand", "page", "midi", released=("packs",)))
    steps.append(step("pack crew", *members, released=("packs",)))
    return LessonGraph(title, tuple(steps))


def read(svg: str) -> Element:
    return ElementTree.fromstring(svg)


def words(svg: str) -> list[str]:
    return ["".join(element.itertext()) for element in read(svg).iter(f"{SVG}text")]


def tooltips(svg: str) -> list[str]:
    root = read(svg)
    return [element.text or "" for group in root.iter(f"{SVG}g") for element in group.findall(f"{SVG}title")]


def boxes(svg: str) -> dict[str, tuple[float, float, float, float]]:
    """Each step's box, by the first line of its tooltip: left, top, right, bottom."""
    found: dict[str, tuple[float, float, float, float]] = {}

    def walk(element: Element, x: float, y: float) -> None:
        shift = re.match(r"translate\((\S+) (\S+)\)", element.get("transform", ""))
        if shift:
            x, y = x + float(shift[1]), y + float(shift[2])
        title, box = element.find(f"{SVG}title"), element.find(f"{SVG}rect")
        if element.tag == f"{SVG}g" and title is not None and box is not None:
            name = (title.text or "").splitlines()[0]
            found[name] = (x, y, x + float(box.get("width", 0)), y + float(box.get("height", 0)))
        for child in element:
            walk(child, x, y)

    walk(read(svg), 0.0, 0.0)
    return found


def paths(svg: str) -> list[str]:
    return [element.get("d", "") for element in read(svg).iter(f"{SVG}path")]


@pytest.mark.parametrize("editions", [0, 4, 17])
def test_every_step_is_there_and_apart_from_the_others(editions: int) -> None:
    """9, 21 and 60 steps."""
    graph = lesson_of(editions)
    svg = draw_graph([graph])
    placed = boxes(svg)
    assert set(placed) == {f"{one.name} ({one.product})" for one in graph.steps}
    names = list(placed)
    for place, one in enumerate(names):
        for other in names[place + 1 :]:
            a, b = placed[one], placed[other]
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], (one, other)
    left, top, width, height = map(float, read(svg).get("viewBox", "").split())
    assert (left, top) == (0, 0)
    assert all(x0 > 0 and y0 > 0 and x1 < width and y1 < height for x0, y0, x1, y1 in placed.values())


def test_needs_lead_to_the_right() -> None:
    graph = lesson_of(4)
    placed = boxes(draw_graph([graph]))
    for one in graph.steps:
        for need in one.needs:
            need_product = next(s.product for s in graph.steps if s.name == need)
            assert placed[f"{need} ({need_product})"][2] < placed[f"{one.name} ({one.product})"][0]


def test_texts_fit_their_boxes() -> None:
    long = "a step with a name that goes on and on, as nobody would call one"
    graph = LessonGraph("Tide", (step(long, why="because " * 20), step("page")))
    svg = draw_graph([graph])
    for group in read(svg).iter(f"{SVG}g"):
        box = group.find(f"{SVG}rect")
        if box is None:
            continue
        for text in group.findall(f"{SVG}text"):
            size, bold = float(text.get("font-size", 0)), text.get("font-weight") == "bold"
            assert text_width(text.text or "", size, bold=bold) <= float(box.get("width", 0)) - 10
    assert any(said.endswith("…") for said in words(svg))
    assert any(long in said and "because because" in said for said in tooltips(svg))


def test_a_tooltip_tells_all_of_a_step() -> None:
    one = DrawnStep(
        "clip", "clip", ("align",), "made", 11.3, "take.flac changed", ("take.flac",), ("public",)
    )
    svg = draw_graph([LessonGraph("Tide", (step("align"), one))])
    assert (
        "clip (clip)\nmade in 11 s\nwhy: take.flac changed\nreads take.flac\nneeds align\ngoes to public"
        in tooltips(svg)
    )


@pytest.mark.parametrize("state", get_args(State))
def test_a_state_is_told_in_words(state: State) -> None:
    svg = draw_graph([LessonGraph("Tide", (step("page", state=state, seconds=0.0),))])
    assert state in words(svg)
    assert f"1 {state}" in words(svg)
    assert f"1 step: 1 {state}" in words(svg)


def test_states_differ_in_form_and_not_only_in_colour() -> None:
    """What is left of the outline when its colours are taken away."""

    def form(state: State) -> str:
        svg = draw_graph([LessonGraph("Tide", (step("page", state=state, seconds=0.0),))])
        group = next(g for g in read(svg).iter(f"{SVG}g") if g.find(f"{SVG}title") is not None)
        shape = group[1]
        kept = {key: value for key, value in shape.attrib.items() if key not in ("fill", "stroke", "width")}
        return f"{shape.tag} {sorted(kept.items())}"

    forms = {state: form(state) for state in get_args(State)}
    assert len(set(forms.values())) == len(forms)


def test_the_longest_step_has_the_longest_stroke() -> None:
    graph = LessonGraph(
        "Tide", (step("page", seconds=2.0), step("midi", seconds=8.0), step("still", seconds=0.0))
    )
    strokes = sorted(
        float(found[2]) - float(found[1])
        for path in paths(draw_graph([graph]))
        if (found := re.fullmatch(r"M(4) \S+L(\S+) \S+", path))
    )
    assert len(strokes) == 2
    assert strokes[0] / strokes[1] == pytest.approx(0.25, abs=0.01)


def test_steps_that_read_the_same_share_a_joint() -> None:
    """Ten steps of four sources: fourteen lines, not forty."""
    sources = ("tab.txt", "chart.txt", "lesson.toml", "channel.toml")
    svg = draw_graph([LessonGraph("Tide", tuple(step(f"s {n}", sources=sources) for n in range(10)))])
    assert len(list(read(svg).iter(f"{SVG}circle"))) == 1
    assert len([path for path in paths(svg) if "C" in path or "H" in path]) == 14


def test_the_way_of_a_change_stands_out() -> None:
    """Of what a pack is made from, only the new page is a reason to make it anew."""
    steps = (step("page", sources=("tab.txt",)), step("midi", state="reused"), step("pack", "page", "midi"))
    lines = [
        e for e in read(draw_graph([LessonGraph("Tide", steps)])).iter(f"{SVG}path") if "C" in e.get("d", "")
    ]
    strokes = sorted((float(e.get("stroke-width", 0)), e.get("stroke")) for e in lines)
    assert len(strokes) == 2
    assert strokes[0][0] < strokes[1][0]
    assert strokes[0][1] != strokes[1][1]


def test_what_failed_says_why_beside_the_reason_of_all_others() -> None:
    steps = tuple(replace(step(name), why="the first build") for name in ("page", "midi", "still"))
    broken = step("cover", state="failed", why="the picture is empty")
    svg = draw_graph([LessonGraph("Tide", (*steps, broken))])
    assert "Why: the first build" in words(svg)
    assert "the picture is empty" in words(svg)


def test_one_reason_for_all_is_told_once() -> None:
    why = "the first build of this lesson"
    steps = tuple(replace(one, why=why) for one in lesson_of(4).steps)
    svg = draw_graph([LessonGraph("Tide", steps)])
    assert [said for said in words(svg) if why in said] == [f"Why: {why}"]


def test_a_reason_that_most_have_is_told_once_and_the_others_in_place() -> None:
    steps = tuple(replace(step(name), why="a new colour") for name in ("page", "midi", "still"))
    svg = draw_graph([LessonGraph("Tide", (*steps, step("cover", why="a new title")))])
    assert [said for said in words(svg) if "colour" in said] == [
        "Why, where nothing else is said: a new colour"
    ]
    assert "a new title" in words(svg)


def test_where_files_go_is_as_the_steps_declare_it() -> None:
    problems = Problems()
    lesson = read_lesson(Path(__file__).parents[2] / "configs" / "breakwater_lamp", problems)
    assert lesson is not None
    for one in plan_lesson(lesson).steps:
        kinds = {output.product for output in one.outputs}
        where = released(one.product)
        assert ("public" in where) == bool(kinds & PUBLIC), one.name
        assert ("packs" in where) == (ARCHIVE in kinds), one.name
        assert ("review" in where) == (REVIEW in kinds), one.name


def test_the_reason_of_what_was_reused_is_only_a_tooltip() -> None:
    svg = draw_graph([LessonGraph("Tide", (step("page", state="reused"), step("midi"), step("still")))])
    assert "why of midi" in words(svg)
    assert "why of page" not in words(svg)
    assert any("why of page" in said for said in tooltips(svg))


def test_a_week_is_drawn_lesson_beneath_lesson() -> None:
    titles = ["Low Tide", "Ebb", "Nothing Yet"]
    svg = draw_graph([lesson_of(2, titles[0]), lesson_of(1, titles[1]), LessonGraph(titles[2], ())])
    assert [said for said in words(svg) if said in titles] == titles
    assert "no steps" in words(svg)
    described = read(svg).find(f"{SVG}desc")
    assert described is not None
    assert "Low Tide: 15 steps: 14 made in" in (described.text or "")


def test_of_many_lessons_the_unchanged_are_only_named() -> None:
    """A back catalogue after one new note: what was made again is not lost between the others."""
    same = tuple(replace(one, state="reused") for one in lesson_of(1).steps)
    lessons = [LessonGraph(f"Lesson {n}", same) for n in range(299)]
    svg = draw_graph([*lessons[:150], lesson_of(1, "The new one"), *lessons[150:]])
    said = words(svg)
    assert said.index("Lesson 149") < said.index("The new one") < said.index("Lesson 150")
    assert said.count("12 steps: 12 reused") == 299
    assert len(boxes(svg)) == 12
    assert len(boxes(draw_graph(lessons[:2]))) == 12


def test_names_are_escaped_and_made_fit_for_xml() -> None:
    name = 'Sea & "Salt" <script>alert(1)</script>\x00\x1b'
    odd = DrawnStep(name, "page", (), "failed", 0.0, name, (name,), (name,))
    svg = draw_graph([LessonGraph(name, (odd,))])
    assert "<script>" not in svg
    assert any(
        said.startswith('Sea & "Salt" <script>alert(1)</script>\ufffd\ufffd (page)') for said in tooltips(svg)
    )


def test_the_same_build_gives_the_same_bytes() -> None:
    assert draw_graph([lesson_of(6)]) == draw_graph([lesson_of(6)])


def test_nothing_is_still_a_picture() -> None:
    root = read(draw_graph([]))
    assert root.tag == f"{SVG}svg"
    assert float(root.get("height", 0)) > 0


@pytest.mark.parametrize(
    ("steps", "message"),
    [
        ((step("a"), step("a")), "two steps of Tide are called 'a'"),
        ((step("a", "b"),), "a step of Tide needs 'b', which is not there"),
        (
            (step("a", "b"), step("b", "c"), step("c", "a")),
            "steps of Tide wait for each other: a → b → c → a",
        ),
    ],
)
def test_what_cannot_be_drawn(steps: tuple[DrawnStep, ...], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        draw_graph([LessonGraph("Tide", steps)])
