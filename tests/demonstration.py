"""The running program on the invented estate, for whatever looks at its pages from outside."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
PORT = int(os.environ.get("DEMONSTRATION_PORT", "8019"))
START = f"http://127.0.0.1:{PORT}"
# An identity provider that nobody calls: the door to it is drawn all the same.
SETTINGS = {
    "ALMANAC_OIDC_URL": "https://id.almanac.example",
    "ALMANAC_OIDC_CLIENT": "almanac",
    "ALMANAC_OIDC_SECRET": "invented",
}
People = dict[str, tuple[str, str]]


@contextmanager
def demonstration(folder: Path | None = None, **settings: str) -> Iterator[People]:
    """Each role's address and password while the pages are served.

    A folder that is given is kept and used again; where its pages are served already, they are left so.
    """
    if folder is None:
        with TemporaryDirectory() as made, demonstration(Path(made), **settings) as people:
            yield people
        return
    environment = {**os.environ, **settings, "ALMANAC_DATA": str(folder)}
    command = [sys.executable, str(ROOT / "manage.py"), "start"]
    if not (folder / "demo-sign-in.txt").exists():
        subprocess.run([*command, "--demo", "--once"], env=environment, check=True, stdout=subprocess.DEVNULL)
    said = (folder / "demo-sign-in.txt").read_text(encoding="utf-8")
    people = {
        role: (email, password)
        for email, password, role in re.findall(r"(\S+@\S+)\s+(\S+)\s+\(([^)]+)\)", said)
    }
    if _answers():
        yield people
        return
    server = subprocess.Popen([*command, "--port", str(PORT)], env=environment)
    try:
        _wait()
        yield people
    finally:
        server.terminate()
        server.wait(timeout=120)


def _answers() -> bool:
    with suppress(OSError), urllib.request.urlopen(f"{START}/health", timeout=5):
        return True
    return False


def _wait() -> None:
    last = time.monotonic() + 600  # a busy machine
    while time.monotonic() < last:
        if _answers():
            return
        time.sleep(0.5)
    raise SystemExit("The program did not start.")


def sign_in(context: Any, email: str, password: str) -> str:
    """A browser's context with this person signed in; where that leads."""
    address = f"{START}/sign-in/"
    form = context.request.get(address).text()
    found = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', form)
    assert found, "no form to sign in with"
    sent = {"csrfmiddlewaretoken": found[1], "username": email, "password": password}
    return str(context.request.post(address, form=sent, headers={"Referer": address}).url)
