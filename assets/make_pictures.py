"""README's pictures, taken from a built demo week.

Run by hand when something visible changes, after ``lessonwright build configs/demo_week.toml``:

    python assets/make_pictures.py [OUT]

Needs the ``test`` extra (pypdfium2) and, for the pictures of pages, Chromium
(Debian: chromium). Writes into ``assets/pictures/``.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import av
import pypdfium2
from PIL import Image, ImageOps

from pipeline.build.catalogue import write_catalogue

HERE = Path(__file__).parent / "pictures"
LESSON = "breakwater-lamp"
WIDTH = 900


def saved(picture: Image.Image, name: str, *, width: int = WIDTH) -> None:
    """As a small palette PNG, framed by a hair line so that white pages show on white."""
    picture = picture.convert("RGB")
    if picture.width > width:
        picture = picture.resize(
            (width, round(picture.height * width / picture.width)), Image.Resampling.LANCZOS
        )
    framed = ImageOps.expand(picture, border=1, fill="#b8b8b8")
    framed.quantize(128, dither=Image.Dither.NONE).save(HERE / name, optimize=True)
    print(f"{name}: {framed.width} x {framed.height}, {(HERE / name).stat().st_size // 1024} kB")


def frame_at(path: Path, second: float) -> Image.Image:
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        for frame in container.decode(stream):
            if frame.time is not None and frame.time >= second:
                return Image.fromarray(frame.to_ndarray(format="rgba"))
    raise SystemExit(f"{path} is shorter than {second} s")


def page(pdf: Path) -> Image.Image:
    """The written part of the first page at 110 dpi."""
    document = pypdfium2.PdfDocument(pdf)
    image = document[0].render(scale=110 / 72).to_pil().convert("RGB")
    body = image.crop((0, 0, image.width, round(image.height * 0.93)))
    box = ImageOps.invert(body.convert("L")).getbbox()
    assert box is not None
    return image.crop((0, 0, image.width, min(image.height, box[3] + 40)))


def screen(address: str, *, size: tuple[int, int] = (1100, 1500)) -> Image.Image:
    """The top of a page as a browser shows it in a window of ``size`` pixels."""
    browser = shutil.which("chromium")
    if browser is None:
        raise SystemExit("Chromium is not installed (Debian: apt-get install chromium)")
    with tempfile.TemporaryDirectory() as folder:
        shot = Path(folder) / "shot.png"
        quiet = ["--disable-gpu", "--disable-background-networking", "--no-first-run", "--hide-scrollbars"]
        subprocess.run(
            [browser, "--headless", "--no-sandbox", *quiet, f"--user-data-dir={folder}/profile",
             f"--window-size={size[0]},{size[1]}", f"--screenshot={shot}", address],
            check=True, capture_output=True,
        )  # fmt: skip
        return Image.open(shot).convert("RGB")


def catalogue(out: Path) -> None:
    page = write_catalogue(out=out).page
    at_once = page.with_name("catalogue at once.html")  # a screenshot does not wait for lazy pictures
    at_once.write_text(page.read_text("utf-8").replace(' loading="lazy"', ""), "utf-8")
    try:
        saved(screen(at_once.resolve().as_uri(), size=(1440, 780)), "catalogue.png")
    finally:
        at_once.unlink()


def graph(out: Path) -> None:
    """The steps of a lesson after one chord was changed: of a copy, built from what is kept."""
    root = HERE.parents[1]
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        shutil.copytree(root / "configs", copy / "configs")
        shutil.copytree(root / "assets" / "breakwater_lamp", copy / "assets" / "breakwater_lamp")
        lesson, chart = (
            copy / "configs" / "breakwater_lamp",
            copy / "configs" / "breakwater_lamp" / "chart.txt",
        )
        build = [
            "lessonwright",
            "build",
            str(lesson),
            "--out",
            str(copy / "out"),
            "--store",
            str(out / ".store"),
        ]
        subprocess.run(build, check=True)
        written = chart.read_text("utf-8")
        chart.write_text(written.replace("Cmaj7 | Em7", "Cmaj7 | G", 1), "utf-8")
        subprocess.run([*build, "--graph", str(HERE / "graph.svg")], check=True)


def main(out: Path) -> None:
    HERE.mkdir(exist_ok=True)
    lesson = out / LESSON
    record = json.loads((lesson / "release.json").read_text("utf-8"))
    second = record["alignment"]["bars"][3]["seconds"] + 0.5
    for ferry in ("letter-from-the-ferry", LESSON):
        pdf = next(iter(sorted((out / ferry / "packs").glob("*/*.pdf"))))
        saved(page(pdf), f"page-{ferry}.png")
    saved(frame_at(lesson / "public" / "clip.mp4", second), "clip.png", width=640)
    overlay = frame_at(lesson / "public" / "overlay.mov", second)
    squares = Image.new("RGB", overlay.size, "#ffffff")
    for x in range(0, overlay.width, 16):
        for y in range(0, overlay.height, 16):
            if (x // 16 + y // 16) % 2:
                squares.paste("#dcdcdc", (x, y, x + 16, y + 16))
    squares.paste(overlay, (0, 0), overlay)
    saved(squares, "overlay.png", width=640)
    saved(Image.open(lesson / "public" / "still.png"), "still.png", width=640)
    saved(Image.open(next(iter(sorted((lesson / "packs").glob("*/*cover.jpg"))))), "cover.png", width=320)
    saved(Image.open(lesson / "review" / "alignment.png"), "take.png")
    saved(screen((lesson / "review.html").resolve().as_uri()), "review.png", width=640)
    graph(out)
    catalogue(out)


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "out"))
