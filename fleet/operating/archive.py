"""`back-up` and `restore`: the whole installation in one file, put back only into an empty place, and compared there.

The file is a ZIP: `manifest.json` with counts and digests of everything, `tables/NAME.jsonl`, and `files/...`.
It holds no secret key and no sessions; keep the key apart, signed links in old mails need it.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.db import connection, transaction
from django.db.migrations.executor import MigrationExecutor
from django.db.migrations.loader import MigrationLoader
from django.utils import timezone

from fleet.operating import snapshot, worker_signs
from fleet.operating.snapshot import Content, Tally

FORMAT, FORMAT_VERSION = "tank-almanac-back-up", 1
PIECE = 2**20
Say = Callable[[str], Any]


class ArchiveRefused(ValueError):
    """The file or the place cannot be used; the message says why and what would be right."""


@dataclass(frozen=True)
class Manifest:
    format: str
    format_version: int
    version: str
    made_at: str
    migrations: list[list[str]]
    tables: dict[str, dict[str, Any]]  # name -> columns, rows, sha256
    files: dict[str, str]  # path -> sha256

    @property
    def keys(self) -> list[tuple[str, str]]:
        return [(app, name) for app, name in self.migrations]


def back_up(path: Path, say: Say = lambda words: None) -> Manifest:
    """Write the archive beside its place and move it there when it is whole."""
    path = Path(path)
    if path.exists():
        raise ArchiveRefused(
            f"{path.name} is already there. Give another name, such as one with today's date."
        )
    handle, part = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with (
            os.fdopen(handle, "wb") as out,
            zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as package,
        ):
            manifest = _packed(package, say)
            package.writestr("manifest.json", json.dumps(asdict(manifest), indent=1))
            out.flush()
            os.fsync(out.fileno())
        os.replace(part, path)
    except BaseException:
        Path(part).unlink(missing_ok=True)
        raise
    worker_signs.note_back_up()
    return manifest


def _packed(package: zipfile.ZipFile, say: Say) -> Manifest:
    tables: dict[str, dict[str, Any]] = {}
    migrations = snapshot.applied_migrations(connection)
    with snapshot.one_instant(connection):
        for model in snapshot.models_after(connection, migrations):
            name, tally = model._meta.db_table, Tally()
            with package.open(f"tables/{name}.jsonl", "w", force_zip64=True) as out:
                for line in snapshot.lines_of(model, connection):
                    tally.add(line)
                    out.write(line.encode() + b"\n")
            columns = [str(field.column) for field in snapshot.columns_of(model)]
            tables[name] = {"columns": columns, **asdict(tally.content())}
            if tally.rows:
                say(f"{name}: {tally.rows:,} rows")
    # After the rows: a file is written before its row, so every row's file is among them.
    files = {name: _pack_file(package, name, path) for name, path in _files_here()}
    return Manifest(FORMAT, FORMAT_VERSION, settings.VERSION, timezone.now().isoformat(),
                    [list(key) for key in migrations], tables, files)  # fmt: skip


def _files_here() -> Iterator[tuple[str, Path]]:
    root = Path(settings.MEDIA_ROOT)
    for path in sorted(root.rglob("*")) if root.is_dir() else []:
        if path.is_file() and not path.is_symlink():
            yield path.relative_to(root).as_posix(), path


def _pack_file(package: zipfile.ZipFile, name: str, path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as source, package.open(f"files/{name}", "w", force_zip64=True) as out:
        while piece := source.read(PIECE):
            digest.update(piece)
            out.write(piece)
    return digest.hexdigest()


def restore(path: Path, say: Say = lambda words: None) -> Manifest:
    """Put the archive's rows and files into this empty place, compare them, then bring the tables up to date.

    Nothing stays behind when anything differs. Raises ArchiveRefused.
    """
    with ExitStack() as stack:
        try:
            package = stack.enter_context(zipfile.ZipFile(path))
            manifest = _manifest(package)
        except (OSError, zipfile.BadZipFile, KeyError, ValueError, TypeError) as error:
            if isinstance(error, ArchiveRefused):
                raise
            raise ArchiveRefused(
                f"{Path(path).name} is not a back-up of this program, or it is damaged ({error})."
            ) from error
        _check_place(manifest)
        written = _unpacked_files(package, manifest)
        try:
            _bring_tables_to(manifest)
            _put_rows(package, manifest, say)
        except BaseException:
            for file in written:
                file.unlink(missing_ok=True)
            raise
    say("Bringing the tables up to date")
    call_command("migrate", interactive=False, verbosity=0)
    return manifest


def _manifest(package: zipfile.ZipFile) -> Manifest:
    read = Manifest(**json.loads(package.read("manifest.json")))
    if (read.format, read.format_version) != (FORMAT, FORMAT_VERSION):
        raise ArchiveRefused(
            f"It is of the form {read.format} {read.format_version}; this program reads {FORMAT} {FORMAT_VERSION}."
        )
    return read


def _check_place(manifest: Manifest) -> None:
    known = MigrationLoader(connection).disk_migrations or {}
    if newer := [f"{app} {name}" for app, name in manifest.keys if (app, name) not in known]:
        raise ArchiveRefused(
            f"It was made by version {manifest.version}, which has {newer[0]}; this is {settings.VERSION}. "
            "Restore it with that version or a later one."
        )
    if not snapshot.is_empty(connection):
        raise ArchiveRefused(
            "This database already holds an organisation or a person. Restore into a new database."
        )
    if next(_files_here(), None):
        raise ArchiveRefused(
            f"{settings.MEDIA_ROOT} already holds files. Restore into an empty ALMANAC_DATA."
        )
    applied = snapshot.applied_migrations(connection)
    if applied and applied != manifest.keys:
        raise ArchiveRefused(
            "The tables here are of another version than the back-up. Restore into a database without tables."
        )


def _bring_tables_to(manifest: Manifest) -> None:
    """Tables as they were when the back-up was made; what has come since is run over the rows afterwards."""
    executor = MigrationExecutor(connection)
    wanted = set(manifest.keys)
    graph = executor.loader.graph
    leaves = [key for key in manifest.keys if key in graph.nodes and not any(
        child.key in wanted for child in graph.node_map[key].children if child.key[0] == key[0])]  # fmt: skip
    executor.migrate(leaves)


@transaction.atomic
def _put_rows(package: zipfile.ZipFile, manifest: Manifest, say: Say) -> None:
    kept = snapshot.models_after(connection, manifest.keys)
    for model in kept:
        snapshot.empty(model, connection)
    for model in kept:
        name = model._meta.db_table
        expected = manifest.tables.get(name)
        columns = [str(field.column) for field in snapshot.columns_of(model)]
        if expected is None or expected["columns"] != columns:
            raise ArchiveRefused(f"The table {name} of the back-up does not fit its own migrations.")
        with (
            package.open(f"tables/{name}.jsonl") as raw,
            io.TextIOWrapper(raw, encoding="utf-8", newline="\n") as lines,
        ):
            snapshot.write_lines(model, lines, connection)
    connection.check_constraints()
    for model in kept:
        name = model._meta.db_table
        expected = manifest.tables[name]
        found = snapshot.content_of(model, connection)
        if found != Content(expected["rows"], expected["sha256"]):
            raise ArchiveRefused(
                f"The table {name} came out differently: {found.rows} rows, {expected['rows']} in the back-up."
            )
        if found.rows:
            say(f"{name}: {found.rows:,} rows, the same")
    snapshot.reset_sequences(kept, connection)


def _unpacked_files(package: zipfile.ZipFile, manifest: Manifest) -> list[Path]:
    written: list[Path] = []
    try:
        _unpack(package, manifest, written)
    except (OSError, zipfile.BadZipFile, KeyError, ValueError) as error:
        for file in written:
            file.unlink(missing_ok=True)
        if isinstance(error, ArchiveRefused):
            raise
        raise ArchiveRefused(f"The files of the back-up cannot be put back ({error}).") from error
    return written


def _unpack(package: zipfile.ZipFile, manifest: Manifest, written: list[Path]) -> None:
    root = Path(settings.MEDIA_ROOT)
    for name, sha256 in manifest.files.items():
        place = PurePosixPath(name)
        if place.is_absolute() or ".." in place.parts or not place.parts:
            raise ArchiveRefused(f"The back-up holds a file outside its place: {name!r}.")
        path, digest = root / place, hashlib.sha256()
        path.parent.mkdir(parents=True, exist_ok=True)
        with package.open(f"files/{name}") as source, path.open("xb") as out:
            written.append(path)
            while piece := source.read(PIECE):
                digest.update(piece)
                out.write(piece)
        if digest.hexdigest() != sha256:
            raise ArchiveRefused(f"The file {name} is damaged in the back-up.")
