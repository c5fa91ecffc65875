"""The pictures: each a Vega-Lite definition that serves the page and the printed report alike.

Definitions are plain dictionaries made from plain rows. `svg` draws one without a browser and without the network,
so the same rows always give the same bytes. Every picture has a title that says what it shows, and the page that
shows it carries the same rows as a table.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import lru_cache
from html import escape
from typing import Any

from fleet.pages.map_names import AREAS, KEY_PIXELS, NAME_PIXELS, PIXELS

Spec = dict[str, Any]
Rows = Sequence[Mapping[str, Any]]

# Chosen to differ in lightness as well as in hue; each series is labelled too.
DARK, MIDDLE, WARM = "#22506b", "#5b8fae", "#b5541f"
FONT = "sans-serif"


def frame(title: str, width: int, height: int) -> Spec:
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v5.json",
        "description": title,
        "width": width,
        "height": height,
        "padding": 10,
        "background": "#ffffff",
        "config": {
            "font": FONT,
            "view": {"stroke": None},
            "axis": {
                "labelFontSize": 13,
                "titleFontSize": 13,
                "titleFontWeight": "normal",
                "labelColor": "#1d2327",
                "titleColor": "#1d2327",
                "gridColor": "#e3e6e8",
                "domainColor": "#6b7580",
                "tickColor": "#6b7580",
            },
            "legend": {"labelFontSize": 13, "titleFontSize": 13, "orient": "top", "title": None},
            "text": {"fontSize": 13, "color": "#1d2327"},
        },
    }


def width(narrow: bool) -> int:
    return 290 if narrow else 560


def age_pyramid(rows: Rows, narrow: bool = False) -> Spec:
    """Heaters in service by age. Rows: band ('0 to 2'), order, side ('gas' | 'electric and other'), count."""
    most = max((int(row["count"]) for row in rows), default=1)
    bands = [name for _, name in sorted({(row["order"], row["band"]) for row in rows}, reverse=True)]
    values = [
        {
            "band": row["band"],
            "side": row["side"],
            "count": row["count"],
            "signed": -row["count"] if row["side"] == "gas" else row["count"],
        }
        for row in rows
    ]
    spec = frame(
        "Heaters in service by age: gas to the left, electric and other to the right", width(narrow), 300
    )
    spec["data"] = {"values": values}
    base = {
        "y": {
            "field": "band",
            "type": "nominal",
            # A list, because the layers of one picture do not share a sort by field.
            "sort": bands,
            "title": "Age in years",
        },
        "x": {
            "field": "signed",
            "type": "quantitative",
            "title": "\u2190 gas \u00b7 heaters \u00b7 electric and other \u2192",
            "axis": {"format": "d", "labelExpr": "format(abs(datum.value), ',')", "tickCount": 5},
            "scale": {"domain": [-1.2 * most, 1.2 * most]},
        },
    }
    colour = {
        "field": "side",
        "type": "nominal",
        "scale": {"domain": ["gas", "electric and other"], "range": [WARM, DARK]},
        "legend": None,
    }

    def words(side: str, align: str, offset: int) -> Spec:
        return {
            "transform": [{"filter": {"and": [f"datum.side === '{side}'", "datum.count > 0"]}}],
            "mark": {"type": "text", "align": align, "dx": offset},
            "encoding": {"text": {"field": "count", "type": "quantitative", "format": ","}},
        }

    spec["encoding"] = base
    spec["layer"] = [
        {"mark": {"type": "bar"}, "encoding": {"color": colour}},
        words("gas", "right", -4),
        words("electric and other", "left", 4),
    ]
    return spec


def money_per_year(rows: Rows, currency: str = "USD", narrow: bool = False) -> Spec:
    """Replacement cost per fiscal year. Rows: period, expected, p10, p90 (money of the year)."""
    spec = frame(
        "Replacement cost in each fiscal year: bars show the expected cost, lines the range from P10 to P90",
        width(narrow),
        260,
    )
    spec["data"] = {"values": [dict(row) for row in rows]}
    axis = {"format": "~s", "title": f"Cost a year, {currency}", "tickCount": 5}
    x = {
        "field": "period",
        "type": "ordinal",
        "title": "Fiscal year",
        "sort": None,
        "axis": {"labelAngle": -50 if narrow else -35},
    }
    spec["encoding"] = {"x": x}
    spec["layer"] = [
        {
            "mark": {"type": "bar", "color": MIDDLE},
            "encoding": {"y": {"field": "expected", "type": "quantitative", "axis": axis}},
        },
        {
            "mark": {"type": "rule", "color": "#1d2327", "strokeWidth": 2},
            "encoding": {"y": {"field": "p10", "type": "quantitative"}, "y2": {"field": "p90"}},
        },
        {
            "mark": {"type": "tick", "color": "#1d2327", "thickness": 2, "size": 12},
            "encoding": {"y": {"field": "p10", "type": "quantitative"}},
        },
        {
            "mark": {"type": "tick", "color": "#1d2327", "thickness": 2, "size": 12},
            "encoding": {"y": {"field": "p90", "type": "quantitative"}},
        },
    ]
    return spec


def failures_against_expected(rows: Rows, grouping: str, narrow: bool = False) -> Spec:
    """Failures on record beside those the model expects. Rows: name, order, observed, expected, low, high."""
    count = len(rows)
    spec = frame(
        f"Failures by {grouping}: bars show the record, the dot and line what the model expects with its 80 % range",
        width(narrow) - (60 if narrow else 120),
        max(70, 26 * count),
    )
    spec["data"] = {"values": [dict(row) for row in rows]}
    spec["encoding"] = {
        "y": {
            "field": "name",
            "type": "nominal",
            "sort": [row["name"] for row in rows],
            "title": None,
            "axis": {"labelLimit": 110 if narrow else 200},
        }
    }

    def place(field: str) -> Spec:
        return {"field": field, "type": "quantitative", "title": "Failures"}

    spec["layer"] = [
        {"mark": {"type": "bar", "color": MIDDLE}, "encoding": {"x": place("observed")}},
        {
            "mark": {"type": "rule", "color": "#1d2327", "strokeWidth": 2},
            "encoding": {"x": place("low"), "x2": {"field": "high"}},
        },
        {
            "mark": {"type": "point", "color": "#1d2327", "filled": True, "size": 60},
            "encoding": {"x": place("expected")},
        },
    ]
    return spec


def building_queue(rows: Rows, narrow: bool = False) -> Spec:
    """Open tasks by building. Rows: building, order, when ('overdue' | 'due'), count."""
    names = {row["building"] for row in rows}
    spec = frame(
        "Open tasks by building: overdue first, then due",
        (width(narrow) if narrow else 1000) - 60,
        max(60, 34 * len(names)),
    )
    spec["data"] = {"values": [{**row, "place": 0 if row["when"] == "overdue" else 1} for row in rows]}
    spec["encoding"] = {
        "y": {
            "field": "building",
            "type": "nominal",
            "sort": {"field": "order"},
            "title": None,
            "axis": {"labelLimit": 130 if narrow else 220},
        },
        "x": {
            "field": "count",
            "type": "quantitative",
            "title": "Tasks",
            "stack": "zero",
            "axis": {"tickMinStep": 1},
        },
        "order": {"field": "place"},
    }
    colour = {
        "field": "when",
        "type": "nominal",
        "scale": {"domain": ["overdue", "due"], "range": [WARM, MIDDLE]},
    }
    spec["layer"] = [{"mark": {"type": "bar", "stroke": "#ffffff"}, "encoding": {"color": colour}}]
    return spec


def place_map(
    spots: Rows, labels: Rows, title: str, narrow: bool = False, sized_by: str = "failures in 12 months"
) -> Spec:
    """Places where they lie. Spots: x, y, size, when ('overdue work' | 'nothing overdue'); labels: label, x, y."""
    # One measure in both directions: the spots lie in a field of 100 by 60.
    spec = frame(title, PIXELS[narrow], PIXELS[narrow] * 6 // 10)
    # A map is twice as broad as other pictures and is made smaller on a page and on paper: its letters are larger.
    key = {"orient": "bottom", "labelFontSize": KEY_PIXELS[narrow], "titleFontSize": KEY_PIXELS[narrow]}
    x = {"field": "x", "type": "quantitative", "axis": None, "scale": {"domain": [0, 100]}}
    y = {"field": "y", "type": "quantitative", "axis": None, "scale": {"domain": [0, 60]}}
    size = {
        "field": "size",
        "type": "quantitative",
        "scale": {"range": list(AREAS[narrow]), "domainMin": 0},
        "legend": key | {"title": sized_by, "tickCount": 3, "titleLimit": 400, "labelLimit": 300}
        if any(row["size"] for row in spots)
        else None,
    }
    marks = ["overdue work", "nothing overdue"]
    spec["layer"] = [
        {
            "data": {"values": [dict(row) for row in spots]},
            "mark": {"type": "point", "filled": True, "opacity": 0.85, "stroke": "#ffffff"},
            "encoding": {
                "x": x,
                "y": y,
                "size": size,
                "shape": {
                    "field": "when",
                    "scale": {"domain": marks, "range": ["diamond", "circle"]},
                    "legend": key | {"title": None, "symbolSize": KEY_PIXELS[narrow] * 10},
                },
                "color": {
                    "field": "when",
                    "scale": {"domain": marks, "range": [WARM, MIDDLE]},
                    "legend": key | {"title": None, "symbolSize": KEY_PIXELS[narrow] * 10},
                },
            },
        },
    ]
    # Each name twice: a pale edge first, so that it is read where it crosses a line or, for want of room, a mark.
    edge = {"stroke": "#ffffff", "strokeWidth": 4, "strokeJoin": "round"}
    for look in (edge, {}):
        spec["layer"].append(
            {
                "data": {"values": [dict(row) for row in labels]},
                "mark": {"type": "text", "baseline": "middle", "fontSize": NAME_PIXELS[narrow]} | look,
                "encoding": {"x": x, "y": y, "text": {"field": "label"}},
            }
        )
    return spec


def money_fan(rows: Rows, currency: str = "USD", narrow: bool = False) -> Spec:
    """Money so far, year by year. Rows: period, order, expected, p10, p90 of everything spent up to that year's end."""
    last = rows[-1] if rows else {"expected": 0, "p10": 0, "p90": 0}
    spec = frame(
        f"By the end of the last year {currency} {last['expected']:,.0f} will have been spent, expected; in eight of "
        f"ten futures between {last['p10']:,.0f} and {last['p90']:,.0f}",
        width(narrow),
        260,
    )
    spec["data"] = {"values": [dict(row) for row in rows]}
    x = {
        "field": "period",
        "type": "ordinal",
        "title": "Fiscal year",
        "sort": {"field": "order"},
        "axis": {"labelAngle": -50 if narrow else -35},
    }
    axis = {"format": "~s", "title": f"Spent so far, {currency}", "tickCount": 5}
    spec["encoding"] = {"x": x}
    spec["layer"] = [
        {
            "mark": {"type": "area", "color": MIDDLE, "opacity": 0.35},
            "encoding": {
                "y": {"field": "p10", "type": "quantitative", "axis": axis},
                "y2": {"field": "p90"},
            },
        },
        {
            "mark": {"type": "line", "color": DARK, "point": {"color": DARK, "size": 45}},
            "encoding": {"y": {"field": "expected", "type": "quantitative"}},
        },
    ]
    return spec


@lru_cache(maxsize=128)
def _drawn(text: str) -> str:
    import vl_convert

    drawing: str = vl_convert.vegalite_to_svg(text, allowed_base_urls=[])
    return drawing


def svg(spec: Spec) -> str:
    """The drawing of a definition, with its description as title for those who listen to it."""
    drawing = _drawn(json.dumps(spec, sort_keys=True))
    head, rest = drawing.split(">", 1)
    return f'{head} role="img"><title>{escape(str(spec["description"]))}</title>{rest}'
