"""Makes the user guide's pictures from the demonstration estate, and fails where a page shows no longer what it should.

    uv run --group test python -m tests.guide

Starts the program on an empty data folder, loads the demonstration estate, signs in as each user and opens each step.
"""

from __future__ import annotations

import io
import re
import tomllib
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import sync_playwright

from tests.browser.chromium import CHROMIUM, PHONE, QUIET
from tests.demonstration import ROOT, START, demonstration, sign_in

OUT = ROOT / "fleet/pages/static/pages/guide"
MOST_BYTES = 60_000


def filled(page: Any, address: str) -> str:
    """An address with its braces filled in: the first task of the queue, the first heater of the list."""
    pattern = {
        "{task}": (r"/work/tasks/\d+/$", "/work/"),
        "{heater}": (r"/heaters/\d+/$", "/heaters/"),
        "{survey}": (r"/surveys/\d+/$", "/surveys/"),
        "{offer}": (r"/contracts/offers/\d+/$", "/contracts/offers/"),
        "{contract}": (r"/contracts/\d+/$", "/contracts/"),
    }
    if address not in pattern:
        return address
    wanted, where = pattern[address]
    # The demonstration's contract is made by a background job: its page is asked again until it is there.
    for _ in range(120):
        page.goto(START + where)
        links = page.eval_on_selector_all("main a[href]", "all => all.map(a => a.getAttribute('href'))")
        for link in links:
            if re.search(wanted, link):
                return str(link)
        page.wait_for_timeout(1000)
    raise SystemExit(f"{where} leads to nothing like {wanted}.")


def settled(page: Any, address: str) -> None:
    """Opens a page, again and again while it says that its figures are still under way."""
    for _ in range(120):
        page.goto(address, wait_until="networkidle")
        if "under way" not in page.inner_text("main"):
            return
        page.wait_for_timeout(2000)


def kept(shot: bytes, path: Path) -> None:
    image = Image.open(io.BytesIO(shot)).convert("RGB")
    for quality in (80, 65, 50, 35):
        image.save(path, "WEBP", quality=quality, method=6)
        if path.stat().st_size <= MOST_BYTES:
            return


def main() -> None:
    guide = tomllib.loads((ROOT / "fixtures/guide.toml").read_text(encoding="utf-8"))["user"]
    OUT.mkdir(exist_ok=True)
    wrong = []
    with demonstration() as people, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        first = browser.new_page()
        sign_in(first.context, *people["owner, plumbing company"])
        filled(first, "{contract}")
        first.close()
        for user in guide:
            for step in user["step"]:
                size = {**PHONE, "height": 600} if step.get("phone") else {"width": 1000, "height": 620}
                context = browser.new_context(viewport=size, color_scheme="light")
                page = context.new_page()
                sign_in(context, *people[user["role"]])
                settled(page, START + filled(page, step["address"]))
                if step["shows"] not in page.inner_text("main"):
                    wrong.append(f"{user['name']}, {step['title']}: no {step['shows']!r} at {page.url}")
                if at := step.get("at"):
                    page.get_by_text(at).first.scroll_into_view_if_needed()
                kept(page.screenshot(), OUT / f"{step['picture']}.webp")
                context.close()
        browser.close()
    for line in wrong:
        print(line)
    raise SystemExit(bool(wrong))


if __name__ == "__main__":
    main()
