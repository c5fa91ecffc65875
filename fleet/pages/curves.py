"""The pictures whose line is a chance over years or ages, each inside its band."""

from __future__ import annotations

from fleet.pages.charts import DARK, MIDDLE, WARM, Rows, Spec, frame, width


def outlook_curve(rows: Rows, narrow: bool = False) -> Spec:
    """Chance that one heater has failed. Rows: years (from now), failed, and p10 and p90 (its 80 % interval) or none."""
    spec = frame("Chance that this heater has failed, by years from now", width(narrow), 200)
    spec["data"] = {"values": [dict(row) for row in rows]}
    spec["encoding"] = {
        "x": {
            "field": "years",
            "type": "quantitative",
            "title": "Years from now",
            "axis": {"tickMinStep": 1},
        },
    }
    axis = {"format": ".0%", "tickCount": 5, "title": "Chance of failure so far"}
    chance = {"field": "failed", "type": "quantitative", "scale": {"domain": [0, 1]}, "axis": axis}
    line = {"type": "line", "color": DARK, "interpolate": "monotone", "point": {"color": DARK, "size": 60}}
    spec["layer"] = [{"mark": line, "encoding": {"y": chance}}]
    if all("p10" in row for row in rows):
        spec["description"] += ": the line is our best estimate, the band its 80 % interval"
        spec["layer"].insert(0, _band("p10", "p90", axis, "monotone"))
    return spec


def heater_survival(
    kind: Rows, own: Rows, age: float, reached: float, kind_words: str, narrow: bool = False
) -> Spec:
    """One heater's place on the curve of its kind. Rows: age, working, p10, p90; `own` starts at the heater's age."""
    spec = frame(
        f"Share still working by age: {kind_words} put in new, and this heater from its {age:.1f} years on, each with "
        "its 80 % band; the dot is this heater's place today",
        width(narrow),
        220,
    )
    axis = {"format": ".0%", "tickCount": 5, "title": "Still working"}
    end = max([row["age"] for row in (*kind, *own)], default=1)
    ages = {
        "field": "age",
        "type": "quantitative",
        "title": "Age in years",
        "scale": {"domain": [0, end], "nice": False},
    }
    share = {"field": "working", "type": "quantitative", "scale": {"domain": [0, 1]}, "axis": axis}
    series = ((kind, "all of its kind, from new", DARK), (own, "this heater, from today", WARM))
    names = {"type": "nominal", "scale": {"domain": [name for _, name, _ in series], "range": [DARK, WARM]}}
    for rows, name, colour in series:
        values = {"values": [{**row, "what": name} for row in rows]}
        band = _band("p10", "p90", axis, "monotone", colour)
        line = {"type": "line", "strokeWidth": 2, "interpolate": "monotone"}
        if colour == WARM:
            line["strokeDash"] = [6, 3]
        spec.setdefault("layer", []).extend(
            [
                {"data": values, **_with_age(band, ages)},
                {
                    "data": values,
                    "mark": line,
                    "encoding": {"x": ages, "y": share, "color": {"field": "what", **names}},
                },
            ]
        )
    here = {"data": {"values": [{"age": age, "working": reached}]}}
    rule = {"type": "rule", "color": "#1d2327", "strokeDash": [2, 3]}
    point = {"type": "point", "filled": True, "size": 110, "color": "#1d2327", "opacity": 1}
    spec["layer"] += [
        {**here, "mark": rule, "encoding": {"x": ages}},
        {**here, "mark": point, "encoding": {"x": ages, "y": share}},
    ]
    return spec


def survival_against_model(observed: Rows, model: Rows, words: str, narrow: bool = False) -> Spec:
    """Share still working by age. `observed` rows: age, survival, low, high; `model` rows: age, survival, p10, p90.

    The observed curve is the stepped line, the model's the smooth one inside its band.
    """
    spec = frame(
        f"Share still working by age, {words}: steps show the record, the smooth line and band the model",
        width(narrow),
        240,
    )
    axis = {"format": ".0%", "tickCount": 5, "title": "Still working"}
    age = {"field": "age", "type": "quantitative", "title": "Age in years", "scale": {"zero": False}}
    share = {"field": "survival", "type": "quantitative", "scale": {"domain": [0, 1]}, "axis": axis}
    names = {
        "type": "nominal",
        "scale": {"domain": ["the record", "the model, 80 % band"], "range": [WARM, DARK]},
    }

    def line(rows: Rows, name: str, mark: Spec) -> Spec:
        return {
            "data": {"values": [{**row, "what": name} for row in rows]},
            "mark": {"type": "line", "strokeWidth": 2, **mark},
            "encoding": {"x": age, "y": share, "color": {"field": "what", **names}},
        }

    edges = {"type": "line", "interpolate": "step-after", "color": WARM, "strokeDash": [3, 3]}
    spec["layer"] = [
        {
            "data": {"values": [dict(row) for row in model]},
            **_with_age(_band("p10", "p90", axis, "linear"), age),
        },
        *(
            {
                "data": {"values": [dict(row) for row in observed]},
                "mark": edges,
                "encoding": {"x": age, "y": {**share, "field": edge}},
            }
            for edge in ("low", "high")
        ),
        line(observed, "the record", {"interpolate": "step-after"}),
        line(model, "the model, 80 % band", {}),
    ]
    return spec


def _band(low: str, high: str, axis: Spec, interpolate: str, colour: str = MIDDLE) -> Spec:
    return {
        "mark": {
            "type": "area",
            "color": colour,
            "opacity": 0.35 if colour == MIDDLE else 0.2,
            "interpolate": interpolate,
        },
        "encoding": {
            "y": {"field": low, "type": "quantitative", "scale": {"domain": [0, 1]}, "axis": axis},
            "y2": {"field": high},
        },
    }


def _with_age(layer: Spec, age: Spec) -> Spec:
    return {**layer, "encoding": {"x": age, **layer["encoding"]}}
