"""The picture of a priced distribution, with where the price or the real cost stands in it."""

from __future__ import annotations

from fleet.pages.charts import DARK, MIDDLE, WARM, Rows, Spec, frame, width


def _to_its_left(mark: float, others: list[float], rows: Rows) -> bool:
    """Whether a line's words stand to its left: the lowest line's, where there is room, so that no other crosses them."""
    low, high = min(float(row["low"]) for row in rows), max(float(row["high"]) for row in rows)
    return mark < min(others, default=mark) and mark - low > 0.3 * (high - low)


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
        others = [float(other["at"]) for other in marks if other is not mark]
        left = bool(rows) and _to_its_left(float(mark["at"]), others, rows)
        stands = {"align": "right", "dx": -6} if left else {"align": "left", "dx": 6}
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
                "mark": {"type": "text", "color": colour, "fontWeight": "bold"} | stands,
                "encoding": {
                    **where,
                    "y": {"field": "top", "type": "quantitative"},
                    "text": {"field": "words"},
                },
            },
        ]
    return spec
