"""An installation of its own in a folder, run through the command line as an operator would."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

from tests.migrated import RECORD, settings_left_out

ROOT = Path(__file__).resolve().parents[3]


def releases() -> list[Path]:
    """Back-ups of earlier releases, kept in tests/releases as X.Y.Z.zip, in the order of their versions: 0.10 after 0.9."""
    kept = (ROOT / "tests" / "releases").glob("*.zip")
    return sorted(kept, key=lambda path: tuple(int(part) for part in path.stem.split(".")))


@dataclass
class Installation:
    data: Path
    settings: dict[str, str] = field(default_factory=dict)

    def begin_with(self, migrated: Path) -> None:
        """The empty record, as `migrate` would have made it."""
        self.data.mkdir(parents=True, mode=0o700)
        shutil.copy(migrated, self.data / RECORD)

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "manage.py", *words],
            cwd=ROOT,
            env=settings_left_out() | {"ALMANAC_DATA": str(self.data)} | self.settings,
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
