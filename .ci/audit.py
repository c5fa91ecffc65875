"""Ask which packages of the lock file have known holes. A hole fails.

Where nobody can be asked, say so and go on; with --must-answer that fails too.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

UV = ("uv", "--quiet")


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        lock, found = Path(folder, "lock.txt"), Path(folder, "found.json")
        subprocess.run(
            [*UV, "export", "--frozen", "--no-emit-project", "--output-file", str(lock)],
            check=True,
            stdout=subprocess.DEVNULL,
        )
        command = [
            *UV,
            "run",
            "--frozen",
            "--group",
            "lint",
            "pip-audit",
            "--disable-pip",
            "--require-hashes",
        ]
        command += ["--requirement", str(lock), "--format", "json", "--output", str(found), "--timeout", "10"]
        try:
            subprocess.run(command, timeout=300, capture_output=True)
        except subprocess.TimeoutExpired:
            return not_looked_up("did not answer in time")
        if not found.exists():
            return not_looked_up("cannot be reached from here")
        packages = json.loads(found.read_text(encoding="utf-8"))["dependencies"]
    unknown = sum("skip_reason" in package for package in packages)
    if unknown == len(packages):
        return not_looked_up("knows none of the packages")
    holes = [(package, hole) for package in packages for hole in package.get("vulns", [])]
    print(
        f"{len(packages)} packages, {unknown} of them not on the list that was asked, {len(holes)} known holes"
    )
    for package, hole in holes:
        print(
            f"  {package['name']} {package['version']}: {hole['id']}, mended in {', '.join(hole['fix_versions']) or 'none yet'}"
        )
    return 1 if holes else 0


def not_looked_up(why: str) -> int:
    print(f"The list of known holes {why}: not looked up.")
    return int("--must-answer" in sys.argv)


sys.exit(main())
