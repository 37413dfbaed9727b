"""What a page does while its lesson is followed, in a real browser."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.desk.news import News, Standing
from pipeline.desk.overview import Entry, Overview
from pipeline.desk.serve import Desk
from tests.debian import needs
from tests.desk.browser import CHROMIUM, NOTICE, Browser, browser

pytestmark = [pytest.mark.slow, needs(CHROMIUM is not None, "chromium")]

PLAYER = "document.querySelector('audio')"


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as found:
        yield found


class Lesson:
    """A release that is renewed at a word."""

    def __init__(self, home: Path, news: News) -> None:
        self.home, self.news = home, news
        (home / "public").mkdir(parents=True)
        soundfile.write(home / "public" / "a.wav", np.zeros(8000 * 30), 8000)
        (home / "release.json").write_text(json.dumps({"files": []}))
        news.list_lessons({"low-tide": "v one"})
        self.renew("one")

    def renew(self, text: str) -> None:
        rows = "".join(f"<p>{number}</p>" for number in range(300))
        (self.home / "review.html").write_text(
            f"<!doctype html><html lang=en><body><h1>{text}</h1><audio controls src='public/a.wav'></audio>"
            f"<details><summary>More</summary>more</details>{rows}"
            "<script>document.title = 'a script of its own'</script></body></html>"
        )
        self.news.lesson("low-tide", Standing(f"v {text}"))


@pytest.fixture
def lesson(tmp_path: Path, chromium: Browser) -> Iterator[Lesson]:
    """A lesson with its page open."""
    news = News()
    found = Lesson(tmp_path / "low-tide", news)
    with Desk(Overview("Week", (Entry("low-tide", "Low Tide", (found.home,)),)), news=news) as desk:
        thread = threading.Thread(target=desk.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        chromium.complaints.clear()
        chromium.open(desk.url)
        shows(chromium, "one")
        yield found
        chromium.open("about:blank")
        news.close()
        desk.shutdown()
        thread.join()


def shows(page: Browser, text: str) -> None:
    page.until(
        f"document.readyState === 'complete' && document.querySelector('h1')?.textContent === '{text}'"
    )


def test_it_renews_itself_where_it_was(chromium: Browser, lesson: Lesson) -> None:
    chromium.js(f"document.querySelector('details').open = true; {PLAYER}.currentTime = 7; scrollTo(0, 2000)")
    chromium.until("scrollY === 2000")
    lesson.renew("two")
    shows(chromium, "two")
    chromium.until("scrollY === 2000")
    assert chromium.js(f"[document.querySelector('details').open, {PLAYER}.currentTime]") == [True, 7]
    assert chromium.notice() == ""


def test_no_script_but_ours_runs(chromium: Browser, lesson: Lesson) -> None:
    assert chromium.js("document.title") == ""
    told = [one for one in chromium.complaints if "favicon" not in one]
    assert len(told) == 1 and "Content Security Policy" in told[0]


def test_what_plays_is_not_cut_off(chromium: Browser, lesson: Lesson) -> None:
    chromium.js(f"{PLAYER}.play()")
    lesson.renew("two")
    chromium.until(f"{NOTICE}.innerText.includes('There is a new version')")
    chromium.js(f"{PLAYER}.pause(); {PLAYER}.currentTime = 12; {PLAYER}.play()")
    chromium.js("new Promise((done) => setTimeout(done, 1500))")
    assert chromium.js("document.querySelector('h1').textContent") == "one", "a jump to elsewhere is no end"
    chromium.js(f"{PLAYER}.pause(); 0")
    shows(chromium, "two")
    assert chromium.js(f"{PLAYER}.currentTime") >= 12


def test_what_plays_can_be_cut_off(chromium: Browser, lesson: Lesson) -> None:
    chromium.js(f"{PLAYER}.play()")
    lesson.renew("two")
    chromium.until(f"{NOTICE}.querySelector('button')?.textContent === 'Show it now'")
    chromium.js(f"{NOTICE}.querySelector('button').click()")
    shows(chromium, "two")


def test_what_goes_on_is_said(chromium: Browser, lesson: Lesson) -> None:
    news = lesson.news
    news.begin()
    chromium.until(f"{NOTICE}.innerText === 'Building…'")
    news.lesson("low-tide", Standing("v one", False, ("error at tab.txt:12:5: no fret <b>99</b>",)))
    chromium.until(f"{NOTICE}.innerText.includes('error at tab.txt:12:5: no fret <b>99</b>')")
    news.end(("error at week.toml:1:2: there is no lesson at x",))
    chromium.until(f"{NOTICE}.innerText.includes('week.toml:1:2')")
    news.lesson("low-tide", Standing("v one"))
    news.end()
    chromium.until(f"{NOTICE}.innerText === ''")
    news.close()
    chromium.until(f"{NOTICE}.innerText.startsWith('Nothing is followed any more')")
    assert chromium.js("document.querySelector('h1').textContent") == "one"


def test_a_page_that_nobody_sees_holds_no_connection(chromium: Browser, lesson: Lesson) -> None:
    """A browser opens six connections to a place: the seventh open lesson heard nothing."""
    hide = "Object.defineProperty(document, 'hidden', {{value: {}, configurable: true}});"
    seen = "document.dispatchEvent(new Event('visibilitychange')); 0"
    before = threading.active_count()
    chromium.js(hide.format("true") + seen)
    for number in range(100):
        if threading.active_count() < before:
            break
        lesson.news.begin() if number % 2 else lesson.news.end()
        threading.Event().wait(0.05)
    assert threading.active_count() < before
    lesson.news.end()
    lesson.renew("two")
    chromium.js("new Promise((done) => setTimeout(done, 500))")
    assert chromium.js("document.querySelector('h1').textContent") == "one"
    chromium.js(hide.format("false") + seen)
    shows(chromium, "two")
