"""The table of OWASP ASVS 5.0 (levels 1 and 2): every requirement answered, every named test there.

asvs.csv: the number and level are OWASP's (Application Security Verification Standard 5.0.0, CC BY-SA 4.0), the words
are ours. 'met' names the tests that show it; 'not applicable' says why; 'open' says what is lacking or untested;
'operator' is for whoever runs an installation.
"""

from __future__ import annotations

import ast
import csv
import tomllib
from collections import Counter
from functools import cache
from pathlib import Path

from django.conf import settings

ROOT = Path(settings.ROOT)
STATES = {"met", "not applicable", "open", "operator"}
# ASVS 5.0.0: 70 requirements of level 1 and 183 more of level 2.
COUNTS = {"1": 70, "2": 183}


def table() -> list[dict[str, str]]:
    with Path(__file__).with_name("asvs.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@cache
def names_in(path: str) -> frozenset[str]:
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    return frozenset(node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))


def test_every_requirement_is_answered_once() -> None:
    rows = table()
    assert Counter(row["level"] for row in rows) == COUNTS
    assert max(Counter(row["requirement"] for row in rows).values()) == 1
    assert {row["state"] for row in rows} <= STATES
    assert [row["requirement"] for row in rows if not (row["about"] and row["by"])] == []


def test_every_test_that_is_named_is_there() -> None:
    gone = [
        f"{row['requirement']}: {named}"
        for row in table()
        if row["state"] == "met"
        for named in row["by"].split()
        if not (ROOT / named.split("::")[0]).is_file()
        or named.split("::")[1] not in names_in(named.split("::")[0])
    ]
    assert gone == [], "Name the test that shows it now, or say what is open."


def test_every_package_is_pinned_by_the_lock_file() -> None:
    with (ROOT / "uv.lock").open("rb") as file:
        packages = tomllib.load(file)["package"]
    outside = [package for package in packages if "registry" in package["source"]]
    assert len(outside) > 50
    unpinned = [
        package["name"]
        for package in outside
        if not all(
            wheel.get("hash")
            for wheel in [*package.get("wheels", []), *([package["sdist"]] if "sdist" in package else [])]
        )
    ]
    assert unpinned == []
