"""An installation of its own in a folder, run through the command line as an operator would."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]


def releases() -> list[Path]:
    """Back-ups of earlier releases, kept in tests/releases as X.Y.Z.zip, in the order of their versions: 0.10 after 0.9."""
    kept = (ROOT / "tests" / "releases").glob("*.zip")
    return sorted(kept, key=lambda path: tuple(int(part) for part in path.stem.split(".")))


@dataclass
class Installation:
    data: Path
    settings: dict[str, str] = field(default_factory=dict)

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        plain = {
            name: value for name, value in os.environ.items() if not name.startswith(("ALMANAC_", "DJANGO_"))
        }
        return subprocess.run(
            [sys.executable, "manage.py", *words],
            cwd=ROOT,
            env=plain | {"ALMANAC_DATA": str(self.data)} | self.settings,
            capture_output=True,
            text=True,
            timeout=240,
            check=False,
        )

    def done(self, *words: str) -> str:
        ran = self.run(*words)
        assert ran.returncode == 0, f"{words}: {ran.stdout}{ran.stderr}"
        return ran.stdout

    def export(self, to: Path) -> bytes:
        to.unlink(missing_ok=True)
        self.done("export_records", "--format", "json", "--out", str(to))
        return to.read_bytes()
