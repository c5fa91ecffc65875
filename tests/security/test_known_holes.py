"""A package with a known hole stops a merge, and is looked for each morning: the times of mending begin at once."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml
from django.conf import settings

ROOT = Path(settings.ROOT)
HOLE = {"id": "MADE-UP-1", "fix_versions": ["2.0"]}


def audit(folder: Path, found: Any, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Runs the audit with a stand-in for the package manager, which reports these packages, or nothing."""
    stand_in = folder / "uv"
    report = None if found is None else json.dumps({"dependencies": found})
    stand_in.write_text(
        f"#!{sys.executable}\n"
        "import pathlib, sys\n"
        f"report = {report!r}\n"
        "if 'pip-audit' in sys.argv and report:\n"
        "    pathlib.Path(sys.argv[sys.argv.index('--output') + 1]).write_text(report)\n"
    )
    stand_in.chmod(0o755)
    path = os.environ | {"PATH": f"{folder}:{os.environ['PATH']}"}
    command = [sys.executable, ROOT / ".ci" / "audit.py", *arguments]
    return subprocess.run(command, env=path, capture_output=True, text=True)


@pytest.mark.parametrize(("holes", "end"), [([], 0), ([HOLE], 1)])
def test_a_known_hole_stops_a_merge(tmp_path: Path, holes: list[Any], end: int) -> None:
    sound = {"name": "sound", "version": "1.0", "vulns": []}
    said = audit(tmp_path, [sound, {"name": "holed", "version": "1.0", "vulns": holes}])
    assert said.returncode == end
    assert ("MADE-UP-1, mended in 2.0" in said.stdout) == bool(holes)


def test_where_nobody_answers_it_says_so_and_fails_where_it_must_know(tmp_path: Path) -> None:
    assert "not looked up" in audit(tmp_path, None).stdout
    assert audit(tmp_path, None).returncode == 0
    assert audit(tmp_path, None, "--must-answer").returncode == 1
    skipped = [{"name": "unheard-of", "skip_reason": "not on the list"}]
    assert "knows none of the packages" in audit(tmp_path, skipped).stdout
    assert audit(tmp_path, skipped, "--must-answer").returncode == 1


def test_it_is_asked_at_every_merge_and_every_morning() -> None:
    checks = yaml.safe_load((ROOT / ".github" / "workflows" / "checks.yml").read_text(encoding="utf-8"))
    when = checks[True]  # YAML reads the word 'on' so
    assert {"push", "pull_request", "schedule"} <= set(when)
    assert when["schedule"][0]["cron"].split()[2:] == ["*", "*", "*"]
    steps = [step.get("run", "") for step in checks["jobs"]["holes"]["steps"]]
    assert any("audit.py --must-answer" in step for step in steps)
    assert "holes" in checks["jobs"]["ships"]["needs"]
    assert "audit.py" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
