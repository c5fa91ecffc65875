"""Takes every page that each user can come to, at three widths, light, dark and as printed, and lays them on sheets.

    uv run --group test python -m tests.face.pictures OUTPUT [--data FOLDER] [--only WORD] [--seats SEAT ...] [--few]

A sheet is one page: above at 390, 820 and 1280 px in light, below the same in dark, then as printed.
`--data` keeps the demonstration in a folder, so that another round begins at once.
"""

from __future__ import annotations

import argparse
import io
import re
from pathlib import Path
from typing import Any

from PIL import Image, ImageDraw

from tests.demonstration import START
from tests.face.walk import SEATS, Seen, walking

WIDTHS = (390, 820, 1280)
PRINTED = 690  # A4 without its margins, at 96 dots an inch
ALL = (("light", WIDTHS), ("dark", WIDTHS), ("print", (PRINTED,)))
FEW = (("light", (390, 820)), ("dark", (1280,)), ("print", (PRINTED,)))
TALLEST = 1700
SCALE = 0.62
MARGIN, HEAD = 8, 26


def one(page: Any, width: int, media: str, colours: str) -> Image.Image:
    page.set_viewport_size({"width": width, "height": 900})
    page.emulate_media(media=media, color_scheme=colours)
    high = page.evaluate("document.documentElement.scrollHeight")
    page.set_viewport_size({"width": width, "height": max(300, min(high, TALLEST))})
    # Pictures are fetched when they come near: with the whole page in the window they all do.
    page.evaluate(
        "() => Promise.race([new Promise(done => setTimeout(done, 20000)),"
        " Promise.all([...document.images].map(image => image.decode().catch(() => {})))])"
    )
    shot = Image.open(io.BytesIO(page.screenshot(type="jpeg", quality=90))).convert("RGB")
    return shot.resize((round(shot.width * SCALE), round(shot.height * SCALE)), Image.Resampling.BILINEAR)


def sheet(page: Any, words: str, rows: tuple[tuple[str, tuple[int, ...]], ...]) -> Image.Image:
    """Rows of pictures, one below the other: 'light', 'dark' or 'print' and the widths of each."""
    lines = [
        [one(page, width, *(("print", "light") if how == "print" else ("screen", how))) for width in widths]
        for how, widths in rows
    ]
    wide = max(sum(shot.width + MARGIN for shot in line) for line in lines)
    heights = [max(shot.height for shot in line) + MARGIN for line in lines]
    whole = Image.new("RGB", (wide, HEAD + sum(heights)), "#8a8f94")
    ImageDraw.Draw(whole).text((MARGIN, 7), words, fill="white")
    top = HEAD
    for line, high in zip(lines, heights, strict=True):
        left = 0
        for shot in line:
            whole.paste(shot, (left, top))
            left += shot.width + MARGIN
        top += high
    return whole


def take(context: Any, seen: Seen, place: Path, rows: tuple[tuple[str, tuple[int, ...]], ...]) -> None:
    page = context.new_page()
    said: list[str] = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("console", lambda line: said.append(line.text) if line.type == "error" else None)
    answer = page.goto(START + seen.address, wait_until="load")
    words = f"{seen.seat}   {seen.name}   {seen.address}   {answer.status}   {page.title()}"
    sheet(page, words, rows).save(place, quality=85)
    page.close()
    print(words, *said, sep="\n    ", flush=True)


def main() -> None:
    given = argparse.ArgumentParser()
    given.add_argument("out", type=Path)
    given.add_argument("--data", type=Path)
    given.add_argument("--only", default="", help="pages whose name or address holds this")
    given.add_argument("--seats", nargs="+", default=tuple(SEATS), choices=tuple(SEATS))
    given.add_argument("--few", action="store_true", help="two widths in light, one in dark, and as printed")
    asked = given.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    with walking(asked.data, asked.seats) as (taken, pages, dead):
        print(*dead, sep="\n", flush=True)
        for number, seen in enumerate(pages):
            name = re.sub(r"\W+", "-", f"{seen.seat} {number:03} {seen.name}")
            if asked.only in f"{seen.name} {seen.address}":
                take(taken[seen.seat], seen, asked.out / f"{name}.jpg", FEW if asked.few else ALL)


if __name__ == "__main__":
    main()
