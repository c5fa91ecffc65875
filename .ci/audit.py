"""Ask which packages of the lock file have known holes. A hole fails; where nobody can be asked, say so and go on."""

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
            print("The list of known holes did not answer in time: not looked up.")
            return 0
        if not found.exists():
            print("The list of known holes cannot be reached from here: not looked up.")
            return 0
        packages = json.loads(found.read_text(encoding="utf-8"))["dependencies"]
    unknown = sum("skip_reason" in package for package in packages)
    holes = [(package, hole) for package in packages for hole in package.get("vulns", [])]
    print(
        f"{len(packages)} packages, {unknown} of them not on the list that was asked, {len(holes)} known holes"
    )
    for package, hole in holes:
        print(
            f"  {package['name']} {package['version']}: {hole['id']}, mended in {', '.join(hole['fix_versions']) or 'none yet'}"
        )
    return 1 if holes else 0


sys.exit(main())
