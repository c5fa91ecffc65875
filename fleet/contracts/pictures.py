"""The picture of a priced distribution, with where the price or the real cost stands in it."""

from __future__ import annotations

from fleet.pages.charts import DARK, MIDDLE, WARM, Rows, Spec, frame, width


def priced_costs(rows: Rows, marks: Rows, currency: str = "USD", narrow: bool = False) -> Spec:
    """Rows: low, high, share of the priced futures. Marks: at, words (drawn as lines, each with its words)."""
    said = "; ".join(f"{mark['words']} {currency} {float(mark['at']):,.0f}" for mark in marks)
    spec = frame(f"Bars: what the priced futures cost; lines: {said}", width(narrow), 240)
    x = {
        "field": "low",
        "type": "quantitative",
        "title": f"Cost, {currency}",
        "axis": {"format": "~s", "tickCount": 5},
        "scale": {"zero": False, "nice": True},
    }
    top = max((float(row["share"]) for row in rows), default=1.0)
    spec["layer"] = [
        {
            "data": {"values": [dict(row) for row in rows]},
            "mark": {"type": "bar", "color": MIDDLE, "stroke": "#ffffff"},
            "encoding": {
                "x": x,
                "x2": {"field": "high"},
                "y": {
                    "field": "share",
                    "type": "quantitative",
                    "title": "Share of futures",
                    "axis": {"format": ".0%", "tickCount": 4},
                },
                "y2": {"datum": 0},
            },
        }
    ]
    for place, mark in enumerate(marks):
        colour = (DARK, WARM)[place % 2]
        data = {"values": [{"at": mark["at"], "words": mark["words"], "top": top * (1.18 - 0.12 * place)}]}
        where = {"x": {"field": "at", "type": "quantitative"}}
        spec["layer"] += [
            {
                "data": data,
                "mark": {
                    "type": "rule",
                    "color": colour,
                    "strokeWidth": 3,
                    "strokeDash": [[], [6, 4]][place % 2],
                },
                "encoding": where,
            },
            {
                "data": data,
                "mark": {"type": "text", "align": "left", "dx": 6, "color": colour, "fontWeight": "bold"},
                "encoding": {
                    **where,
                    "y": {"field": "top", "type": "quantitative"},
                    "text": {"field": "words"},
                },
            },
        ]
    return spec
