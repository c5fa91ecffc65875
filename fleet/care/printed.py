"""Labels and the shut-off card on paper: the same plain content for the pages and for the PDF."""

from __future__ import annotations

import io
import json
import tempfile
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from fleet.care.card_words import TRANSLATED, words_of
from fleet.care.notices import languages_of
from fleet.care.shut_off import shut_off_steps
from fleet.estate.models import Building
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import Heater

HERE = Path(__file__).resolve().parent


def card_parts(heater: Heater) -> list[dict[str, Any]]:
    """The card's parts, English first, then the property's languages. Anybody may read them who has the code."""
    with scoped(scope_of_organisation(heater.organisation_id, actor="someone at the label")):
        codes = languages_of(heater.position.building.property_id)
    return [
        {"code": code, "words": words, "shut_off": shut_off_steps(heater, words)}
        for code, words in words_of(codes)
    ]


def in_service(building: Building) -> list[Heater]:
    rows = Heater.objects.filter(position__building=building, ending="")
    return list(rows.select_related("position").order_by("position", "id"))


def labels_pdf(place: str, labels: Sequence[tuple[Heater, str, str]]) -> bytes:
    """A sheet of labels: heater, code, and the address that its picture opens."""
    rows = [
        {"code": code, "heater": f"{heater.tag}, {heater.position.label}", "picture": f"{number}.svg"}
        for number, (heater, code, _) in enumerate(labels)
    ]
    pictures = {row["picture"]: address for row, (_, _, address) in zip(rows, labels, strict=True)}
    return _set("labels.typ", {"place": place, "labels": rows}, pictures)


def card_pdf(heater: Heater, code: str, address: str) -> bytes:
    parts = []
    for part in card_parts(heater):
        words, steps = part["words"], asdict(part["shut_off"])
        names = ("title", "danger_heading", "order_heading", "call_heading", "say_code")
        parts.append({"lang": part["code"], **{name: words[name] for name in names}, **steps})
    building = heater.position.building
    content = {
        "code": code,
        "place": f"{building.name}, {heater.position.label}",
        "parts": parts,
        "note": TRANSLATED,
        "picture": "0.svg",
    }
    return _set("card.typ", content, {"0.svg": address})


def _set(layout: str, content: dict[str, Any], pictures: dict[str, str]) -> bytes:
    """Set by the layout beside this module, from the content alone and without a network."""
    import segno
    import typst

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / layout).write_text((HERE / layout).read_text(encoding="utf-8"), encoding="utf-8")
        (place / "content.json").write_text(json.dumps(content), encoding="utf-8")
        for name, address in pictures.items():
            out = io.BytesIO()
            segno.make(address, error="m").save(out, kind="svg", scale=4, border=2)
            (place / name).write_bytes(out.getvalue())
        made = typst.compile(str(place / layout), root=str(place), format="pdf", package_path=str(place))
    assert isinstance(made, bytes)
    return made
