"""PostgreSQL, Redis, Celery workers and beats of a fault test's own, started, killed and started again."""

from __future__ import annotations

import glob
import os
import pwd
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def environment(folder: Path, postgres: Postgres, redis: Redis, **more: str) -> dict[str, str]:
    """The full mode on these servers, whatever else the environment of whoever runs this says."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("ALMANAC_", "DJANGO_"))}
    return kept | {
        "DJANGO_SETTINGS_MODULE": "fleet.settings",
        "ALMANAC_MODE": "full",
        "ALMANAC_SECRET_KEY": "for-this-test-only",
        "ALMANAC_DATA": str(folder / "data"),
        "ALMANAC_DATABASE_URL": postgres.url,
        "ALMANAC_REDIS_URL": redis.url,
        "ALMANAC_WORKER_SILENT_SECONDS": "8",
        "ALMANAC_LOG_LEVEL": "ERROR",
        **more,
    }


def wait_for(ready: Callable[[], bool], what: str, seconds: float = 60) -> None:
    deadline = time.monotonic() + seconds
    while not ready():
        if time.monotonic() > deadline:
            raise RuntimeError(f"{what} did not come up within {seconds:.0f} s.")
        time.sleep(0.1)


@dataclass
class Postgres:
    folder: Path
    port: int

    def __post_init__(self) -> None:
        found = sorted(glob.glob("/usr/lib/postgresql/*/bin")) or [
            str(Path(shutil.which("initdb") or "/").parent)
        ]
        self.programs = Path(found[-1])
        self.data = self.folder / "postgres"
        self.data.mkdir()
        if os.getuid() == 0:
            self.folder.chmod(0o755)
            owner = pwd.getpwnam("postgres")
            os.chown(self.data, owner.pw_uid, owner.pw_gid)
        self._run("initdb", "-D", str(self.data), "-U", "almanac", "--auth=trust", "-E", "UTF8")
        self.start()
        self._run("createdb", "-h", "127.0.0.1", "-p", str(self.port), "-U", "almanac", "almanac")

    def _run(self, program: str, *arguments: str, check: bool = True) -> int:
        command = [str(self.programs / program), *arguments]
        if os.getuid() == 0:
            command = ["runuser", "-u", "postgres", "--", *command]
        # No pipes: the server outlives pg_ctl and would keep them open.
        quiet = subprocess.DEVNULL
        return subprocess.run(command, check=check, cwd="/", stdout=quiet, stderr=quiet).returncode

    def start(self) -> None:
        # Without fsync: processes crash here, the machine does not, so what was written stays written.
        options = (
            f"-p {self.port} -k {self.data} -c listen_addresses=127.0.0.1 -c max_connections=60 -c fsync=off"
        )
        log = str(self.data / "log")
        self._run("pg_ctl", "-D", str(self.data), "-w", "-t", "60", "-l", log, "-o", options, "start")

    def stop(self) -> None:
        """As a crash: no goodbye to anybody, recovery from the log at the next start."""
        self._run("pg_ctl", "-D", str(self.data), "-w", "-m", "immediate", "stop", check=False)

    def kill_and_start(self) -> None:
        """The server and each of its processes at once, as when the machine takes them away; then started again."""
        first = int((self.data / "postmaster.pid").read_text().split()[0])
        found = subprocess.run(["pgrep", "-P", str(first)], capture_output=True, text=True)
        for number in (first, *map(int, found.stdout.split())):
            with suppress(ProcessLookupError):
                os.kill(number, signal.SIGKILL)
        wait_for(lambda: not Path(f"/proc/{first}").exists(), "The end of PostgreSQL", 20)
        self.start()

    @property
    def url(self) -> str:
        return f"postgresql://almanac@127.0.0.1:{self.port}/almanac"


@dataclass
class Redis:
    folder: Path
    port: int
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        place = self.folder / "redis"
        place.mkdir(exist_ok=True)
        words = f"--port {self.port} --dir {place} --appendonly yes --appendfsync everysec --save ''"
        command = ["redis-server", *words.replace("''", "").split(), ""]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, start_new_session=True)
        wait_for(self.answers, "Redis", 20)

    def ask(self, *words: str) -> str:
        command = ["redis-cli", "-p", str(self.port), *words]
        return subprocess.run(command, capture_output=True, text=True).stdout.strip()

    def answers(self) -> bool:
        return self.ask("ping") == "PONG"

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()

    @property
    def url(self) -> str:
        return f"redis://127.0.0.1:{self.port}/0"


@dataclass
class Program:
    """One process that is started again whenever it ends, as a supervisor would."""

    name: str
    command: list[str]
    environment: dict[str, str]
    log: Path
    process: subprocess.Popen[bytes] | None = None
    starts: int = 0

    def keep_up(self) -> None:
        if self.process is not None and self.process.poll() is None:
            return
        with self.log.open("ab") as file:
            self.process = subprocess.Popen(
                self.command,
                cwd=ROOT,
                env=self.environment,
                stdout=file,
                stderr=file,
                start_new_session=True,
            )
        self.starts += 1

    def kill(self) -> None:
        """The whole group at once, as when the machine takes it away."""
        if self.process is not None:
            with suppress(ProcessLookupError):
                os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()

    def kill_a_child(self) -> bool:
        """One of its child processes, as when memory runs out."""
        if self.process is None:
            return False
        found = subprocess.run(["pgrep", "-P", str(self.process.pid)], capture_output=True, text=True)
        children = found.stdout.split()
        if not children:
            return False
        with suppress(ProcessLookupError):
            os.kill(int(children[-1]), signal.SIGKILL)
        return True


@dataclass
class House:
    """Everything that one round needs."""

    postgres: Postgres
    redis: Redis
    environment: dict[str, str]
    programs: list[Program] = field(default_factory=list)

    def celery(self, name: str, *words: str) -> None:
        log = self.postgres.folder / f"{name}.log"
        command = [sys.executable, "-m", "celery", "-A", "fleet.celery", *words]
        self.programs.append(Program(name, command, self.environment, log))

    def manage(self, *words: str) -> None:
        command = [sys.executable, "manage.py", *words]
        subprocess.run(command, cwd=ROOT, env=self.environment, check=True, capture_output=True)

    def end(self) -> None:
        for program in self.programs:
            program.kill()
        self.redis.kill()
        self.postgres.stop()
