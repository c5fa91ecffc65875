"""Bytes, requests and time to the first paint of the pages people meet first, on a slow phone's profile.

By hand, against a running program:

    uv run --group test python -m tests.bench.page_budget http://127.0.0.1:8014 owner@almanac.example PASSWORD

The profile: 1.6 Mbit/s down, 750 kbit/s up, 150 ms there and back, processor slowed four times (the profile commonly
called slow 4G; from memory). Each page is opened with an empty cache; what is printed is the median of three.
"""

from __future__ import annotations

import statistics
import sys
from typing import Any

from playwright.sync_api import sync_playwright

from tests.browser.chromium import CHROMIUM, PHONE, QUIET

PAGES = ("/sign-in/", "/", "/work/", "/plan/", "/heaters/", "/properties/", "/map/", "/work/phone/")
MOST_BYTES, MOST_SECONDS = 100_000, 1.0


def slow(context: Any, page: Any) -> None:
    session = context.new_cdp_session(page)
    session.send("Network.enable")
    session.send("Network.setCacheDisabled", {"cacheDisabled": True})
    session.send(
        "Network.emulateNetworkConditions",
        {
            "offline": False,
            "latency": 150,
            "downloadThroughput": 1.6e6 / 8,
            "uploadThroughput": 750e3 / 8,
        },
    )
    session.send("Emulation.setCPUThrottlingRate", {"rate": 4})


def measured(page: Any, address: str) -> tuple[int, int, float, float]:
    """Bytes of the answers, requests, seconds to the first contentful paint, and how far the layout jumped."""
    finished: list[Any] = []
    page.on("requestfinished", lambda request: finished.append(request))
    page.goto(address, wait_until="networkidle")
    # On a slow phone the network may be idle before anything is painted.
    paint = page.evaluate(
        """() => new Promise(done => {
             new PerformanceObserver(list => list.getEntriesByName('first-contentful-paint')
               .forEach(entry => done(entry.startTime / 1000))).observe({type: 'paint', buffered: true});
           })"""
    )
    jump = page.evaluate(
        """() => new Promise(done => {
             let sum = 0;
             new PerformanceObserver(list => list.getEntries().forEach(entry => { sum += entry.value }))
               .observe({type: 'layout-shift', buffered: true});
             setTimeout(() => done(sum), 100);
           })"""
    )
    sizes = [sum(_sizes(request)) for request in finished]
    return sum(sizes), len(sizes), float(paint), float(jump)


def _sizes(request: Any) -> tuple[int, int]:
    found = request.sizes()
    return found["responseBodySize"], found["responseHeadersSize"]


def main(start: str, email: str, password: str) -> None:
    print(
        f"{'page':16} {'kB':>8} {'requests':>9} {'first paint, s':>15} {'layout jump':>12}  within the budget"
    )
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        context = browser.new_context(viewport=PHONE)
        page = context.new_page()
        page.goto(f"{start}/sign-in/")
        page.locator("main input[type=email], main input[name=username], main input[name=login]").first.fill(
            email
        )
        page.locator("main input[type=password]").first.fill(password)
        page.keyboard.press("Enter")
        page.wait_for_url(lambda url: "sign-in" not in url)
        for path in PAGES:
            rounds = []
            for _ in range(3):
                one = context.new_page()
                slow(context, one)
                rounds.append(measured(one, start + path))
                one.close()
            size, count, paint, jump = (statistics.median(column) for column in zip(*rounds, strict=True))
            kept = "yes" if size <= MOST_BYTES and paint <= MOST_SECONDS else "NO"
            print(f"{path:16} {size / 1000:8.1f} {count:9.0f} {paint:15.2f} {jump:12.3f}  {kept}")
        browser.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
