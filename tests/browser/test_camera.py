"""A label read by the phone's camera where the browser can read codes; elsewhere its code is typed.

The Chromium of the tests cannot read codes (it has no BarcodeDetector outside Android, macOS and ChromeOS), so the
reader here is a stand-in that answers once a picture of the (drawn) camera arrives: it proves the page, not that a code
can be read. That a printed code can, by a reader that is not ours, is in `tests/fleet/care/test_printed_codes.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from fleet.care import labels, services, visits
from fleet.estate.scope import scope_of_organisation, scoped
from tests.browser.conftest import PHONE, accessibility_problems
from tests.conftest import Cast, make_heater

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
TODAY = date(2026, 6, 1)
# A camera that shows a brown wall, and a reader that answers `seen` when it is shown brown.
CAMERA = """
const wall = document.createElement("canvas");
wall.width = 320; wall.height = 240;
setInterval(() => { const d = wall.getContext("2d"); d.fillStyle = "brown"; d.fillRect(0, 0, 320, 240); }, 40);
window.cameras = [];
navigator.mediaDevices.getUserMedia = async (asked) => {
  if (window.noCamera) throw new DOMException("no", "NotAllowedError");
  const stream = wall.captureStream(25);
  window.cameras.push({ asked, track: stream.getTracks()[0] });
  return stream;
};
window.BarcodeDetector = class {
  constructor(wanted) { this.formats = wanted.formats; }
  async detect(video) {
    const look = document.createElement("canvas");
    look.width = look.height = 8;
    const drawn = look.getContext("2d");
    drawn.drawImage(video, 0, 0, 8, 8);
    const [red, green] = drawn.getImageData(4, 4, 1, 1).data;
    return this.formats.includes("qr_code") && red > 120 && green < 90 ? [{ rawValue: window.seen }] : [];
  }
};
"""


@pytest.fixture
def code(cast: Cast) -> str:
    cast.house.calendar_stands_at = TODAY
    cast.house.save()
    with scoped(scope_of_organisation(cast.house)):
        made = date(2024, 1, 10)
        heater = make_heater(cast.house, tag="Y-1", installed_earliest=made, installed_latest=made)
        services.roll_forward(cast.house)
        visits.visit_on(cast.building, TODAY, horizon_days=400)
        return str(labels.label_heaters([heater])[heater.pk].code)


def test_the_camera_opens_the_heater_and_is_let_go(
    cast: Cast, code: str, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(cast.technician)
    page.set_viewport_size(PHONE)
    page.goto(f"{live_server.url}/work/phone/")
    page.get_by_text("It works without a signal.").wait_for()
    assert (
        page.get_by_role("button", name="Scan with the camera").count() == 0
    )  # nothing that cannot work is offered
    assert page.get_by_label("Next heater: the code on its label").is_visible()

    page.add_init_script(CAMERA)
    page.reload()
    page.evaluate("window.noCamera = true")
    page.get_by_role("button", name="Scan with the camera").click()
    page.get_by_text("The camera cannot be used here. Type the code.").wait_for()
    assert accessibility_problems(page) == []

    page.evaluate(f"window.noCamera = false; window.seen = '{live_server.url}/c/{code}/'")
    page.get_by_role("button", name="Scan with the camera").click()
    page.get_by_role("heading", name="Y-1").wait_for()
    assert page.evaluate(
        "window.cameras.map((one) => [one.asked.video.facingMode, one.track.readyState])"
    ) == [["environment", "ended"]]
    page.evaluate("location.hash = '#/'")
    page.evaluate("window.seen = 'https://elsewhere.example/'")
    page.get_by_role("button", name="Scan with the camera").click()
    page.get_by_text("This label is not in today's work.").wait_for()
