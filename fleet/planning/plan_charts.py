"""The pictures of a capital plan: money under its caps, and ways of doing it against each other."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.pages.charts import DARK, MIDDLE, Rows, Spec, frame, width


def planned_money(rows: Rows, currency: str = "USD", narrow: bool = False) -> Spec:
    """Money set aside per fiscal year under its cap. Rows: label, set_aside, cap."""
    spec = frame(
        "Money set aside for planned replacements in each fiscal year: bars; the cap of the year: dashes",
        width(narrow),
        220,
    )
    spec["data"] = {
        "values": [
            {"period": row["label"], "set_aside": float(row["set_aside"]), "cap": float(row["cap"])}
            for row in rows
        ]
    }
    spec["encoding"] = {
        "x": {
            "field": "period",
            "type": "ordinal",
            "title": "Fiscal year",
            "sort": None,
            "axis": {"labelAngle": -50 if narrow else -35},
        }
    }
    axis = {"format": "~s", "title": f"Set aside, {currency}", "tickCount": 5}
    spec["layer"] = [
        {
            "mark": {"type": "bar", "color": MIDDLE},
            "encoding": {"y": {"field": "set_aside", "type": "quantitative", "axis": axis}},
        },
        {
            "mark": {"type": "tick", "color": "#1d2327", "thickness": 2, "size": 30 if not narrow else 18},
            "encoding": {"y": {"field": "cap", "type": "quantitative"}},
        },
    ]
    return spec


def ways_compared(rows: Rows, currency: str = "USD", narrow: bool = False) -> Spec:
    """Ways of doing it by cost over all years. Rows: words, cost, cost_p10, cost_p90."""
    spec = frame(
        "Cost of each way over all years: dots show the expected cost, lines the range from P10 to P90",
        width(narrow) - (120 if narrow else 60),
        34 * len(rows),
    )
    spec["data"] = {
        "values": [
            {"way": row["words"], **{name: float(row[name]) for name in ("cost", "cost_p10", "cost_p90")}}
            for row in rows
        ]
    }
    spec["encoding"] = {
        "y": {
            "field": "way",
            "type": "nominal",
            "sort": None,
            "title": None,
            "axis": {"labelLimit": 150 if narrow else 240},
        }
    }
    axis = {"format": "~s", "title": f"Cost of all years, {currency}", "tickCount": 4}
    spec["layer"] = [
        {
            "mark": {"type": "rule", "color": "#1d2327", "strokeWidth": 2},
            "encoding": {
                "x": {"field": "cost_p10", "type": "quantitative", "axis": axis},
                "x2": {"field": "cost_p90"},
            },
        },
        {
            "mark": {"type": "point", "filled": True, "color": DARK, "size": 90, "opacity": 1},
            "encoding": {"x": {"field": "cost", "type": "quantitative"}},
        },
    ]
    return spec


def two_ways(labels: Sequence[str], ways: Rows, currency: str = "USD", narrow: bool = False) -> Spec:
    """Expected cost of two ways per fiscal year, side by side. Ways: words, years (one amount a label)."""
    names = [f"{place}: {way['words']}" for place, way in zip(("first", "second"), ways, strict=True)]
    spec = frame(
        f"Expected cost in each fiscal year: {' against '.join(str(way['words']) for way in ways)}",
        width(narrow),
        240,
    )
    spec["data"] = {
        "values": [
            {"period": label, "way": name, "cost": float(amount)}
            for name, way in zip(names, ways, strict=True)
            for label, amount in zip(labels, way["years"], strict=True)
        ]
    }
    spec["mark"] = {"type": "bar", "stroke": "#1d2327", "strokeWidth": 0.5}
    spec["encoding"] = {
        "x": {
            "field": "period",
            "type": "ordinal",
            "title": "Fiscal year",
            "sort": None,
            "axis": {"labelAngle": -50 if narrow else -35},
        },
        "xOffset": {"field": "way", "sort": names},
        "y": {
            "field": "cost",
            "type": "quantitative",
            "axis": {"format": "~s", "title": f"Expected cost, {currency}", "tickCount": 5},
        },
        "color": {
            "field": "way",
            "type": "nominal",
            "scale": {"domain": names, "range": [DARK, "#d9e4ea"]},
            "legend": {"columns": 1, "orient": "top", "title": None, "labelLimit": 280},
        },
    }
    return spec
