"""The picture codes as they lie on paper, read by a reader that is not ours, lead to the heater they stand on."""

from __future__ import annotations

import io
from typing import Any
from urllib.parse import unquote, urlsplit

import cv2
import numpy as np
import pypdfium2
import pytest
import vl_convert
from django.test import Client
from PIL import Image

from fleet.care import labels
from tests.conftest import Cast, make_heater

DOTS_AN_INCH = 200


def read_code(picture: Image.Image) -> str:
    """What a phone held before it would see."""
    return str(cv2.QRCodeDetectorAruco().detectAndDecode(np.asarray(picture.convert("L")))[0])


def label_above(sheet: Any, code: str) -> Image.Image:
    """The part of a sheet that stands right above these letters, as wide as a label's picture."""
    scale = DOTS_AN_INCH / 72
    words = sheet.get_textpage()
    begins, _ = words.search(code).get_next()
    left, _, _, top = words.get_charbox(begins)
    x, y = left * scale, (sheet.get_height() - top) * scale
    inch = DOTS_AN_INCH
    box = (int(x - 0.3 * inch), int(y - 1.45 * inch), int(x + 1.55 * inch), int(y))
    return sheet.render(scale=scale).to_pil().crop(box)


@pytest.fixture
def codes(in_house: Cast) -> dict[str, str]:
    """The code of each of seven heaters of one building, by tag."""
    heaters = [in_house.heater, *(make_heater(in_house.house, tag=f"L-{number}") for number in range(6))]
    found = labels.label_heaters(heaters)
    return {heater.tag: found[heater.pk].code for heater in heaters}


def test_every_label_of_a_printed_sheet_opens_the_heater_whose_letters_it_carries(
    cast: Cast, codes: dict[str, str]
) -> None:
    client = cast.client(cast.technician)
    reply = client.get(f"/work/buildings/{cast.building.pk}/labels/?as=pdf")
    assert reply["Content-Type"] == "application/pdf"
    (sheet,) = pypdfium2.PdfDocument(reply.content)
    for tag, code in codes.items():
        address = read_code(label_above(sheet, code))
        assert address == f"http://testserver/c/{code}/"
        opened = client.get(urlsplit(address).path, follow=True)
        assert opened.redirect_chain and opened.context["heater"].tag == tag
        stranger = Client().get(urlsplit(address).path).content.decode()
        assert code in stranger and tag not in stranger


def test_the_card_that_hangs_beside_the_heater_carries_the_same_code(
    cast: Cast, codes: dict[str, str], settings: Any
) -> None:
    """With the operator's own address, which stands before the Host of whoever asks."""
    settings.ADDRESS, settings.ADDRESS_SET_UP = "https://almanac.example", True
    reply = cast.client(cast.technician).get(f"/work/heaters/{cast.heater.pk}/card/?as=pdf")
    sheet = pypdfium2.PdfDocument(reply.content)[0].render(scale=DOTS_AN_INCH / 72).to_pil()
    assert read_code(sheet) == f"https://almanac.example/c/{codes[cast.heater.tag]}/"


def test_the_code_on_the_page_is_the_one_on_paper(cast: Cast, codes: dict[str, str]) -> None:
    page = cast.client(cast.technician).get(f"/work/heaters/{cast.heater.pk}/card/")
    drawing = unquote(page.context["picture"].partition(",")[2])
    drawn = vl_convert.svg_to_png(drawing, scale=2)
    seen = Image.open(io.BytesIO(drawn)).convert("RGBA")
    paper = Image.alpha_composite(Image.new("RGBA", seen.size, "white"), seen)
    assert read_code(paper) == f"http://testserver/c/{codes[cast.heater.tag]}/"
