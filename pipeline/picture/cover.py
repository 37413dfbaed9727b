"""Square cover art for audio files."""

from __future__ import annotations

import io

from pipeline.errors import MisuseError
from pipeline.page.look import Look
from pipeline.picture.still import draw_title, png_bytes


def cover_art(
    *, title: str, subtitle: str = "", look: Look, size: int = 1000, strings: int = 6, kind: str = "jpeg"
) -> bytes:
    """The cover as JPEG (small, for tags) or PNG bytes, ``size`` pixels square.

    Raises
    ------
    MisuseError : no title, a size of less than 64 pixels, or another kind.
    """
    if kind not in ("jpeg", "png"):
        raise MisuseError(f"cover art is jpeg or png, got {kind!r}")
    image = draw_title(title=title, subtitle=subtitle, look=look, size=(size, size), strings=strings)
    if kind == "png":
        return png_bytes(image)
    with io.BytesIO() as buffer:
        # full colour resolution: red and green letters on dark ground blur otherwise
        image.save(buffer, "JPEG", quality=90, subsampling=0)
        return buffer.getvalue()
