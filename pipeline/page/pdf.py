"""SVG pages bound into a PDF: vector drawing, real text, embedded fonts, no date."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from pipeline.errors import StepError
from pipeline.page.look import Look, signs_font

# names come in as data, so that nothing a creator writes is read as markup
_BINDER: Final = """
#let facts = json(bytes(sys.inputs.facts))
#set document(title: facts.title, author: facts.author, date: none)
#set page(width: facts.width_mm * 1mm, height: facts.height_mm * 1mm, margin: 0pt)
#for (index, name) in facts.pages.enumerate() {
  if index > 0 { pagebreak() }
  image(name, width: 100%, alt: facts.title + ", page " + str(index + 1))
}
"""


def bind(
    pages: Sequence[str], look: Look, *, width_mm: float, height_mm: float, title: str = "", author: str = ""
) -> bytes:
    """A PDF with one page for each SVG document; the same pages give the same bytes.

    Raises
    ------
    StepError : the pages could not be bound.
    """
    import typst

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fonts = folder / "fonts"
        fonts.mkdir()
        files = {look.font_regular, look.font_bold, signs_font(), signs_font(bold=True)}
        for place, font in enumerate(sorted(files)):
            shutil.copyfile(font, fonts / f"{place}{font.suffix}")
        names = []
        for place, page in enumerate(pages):
            names.append(f"page-{place + 1}.svg")
            (folder / names[-1]).write_text(page, encoding="utf-8")
        (folder / "binder.typ").write_text(_BINDER, encoding="utf-8")
        facts = {
            "title": title,
            "author": author or [],
            "pages": names,
            "width_mm": width_mm,
            "height_mm": height_mm,
        }
        try:
            made = typst.compile(
                str(folder / "binder.typ"),
                root=str(folder),
                font_paths=[str(fonts)],
                ignore_system_fonts=True,
                sys_inputs={"facts": json.dumps(facts)},
                format="pdf",
            )
        except (RuntimeError, typst.TypstError) as error:
            raise StepError(f"the pages could not be bound into a PDF: {error}") from error
    assert isinstance(made, bytes)
    return made
