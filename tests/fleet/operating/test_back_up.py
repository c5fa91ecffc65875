"""Back up, wipe, restore: the same record again; any other place, and any damage, is refused and nothing stays behind."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Callable
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from fleet.operating.archive import ArchiveRefused, back_up, restore
from tests.conftest import Cast
from tests.fleet.operating.houses import Installation
from tests.migrated import Once

PICTURE = b"what a camera saw\x00\xff"


@pytest.fixture(scope="module")
def kept(once_a_run: Once, migrated: Path) -> tuple[Installation, Path]:
    """A small record with care rolled forward and a file, and its back-up."""
    folder = once_a_run("backed-up", lambda folder: make_kept(folder, migrated))
    return Installation(folder / "data"), folder / "kept.zip"


def make_kept(folder: Path, migrated: Path) -> None:
    source = Installation(folder / "data")
    source.begin_with(migrated)
    source.done("make-estate", "--heaters", "60", "--seed", "5")
    source.done(
        "shell", "-v0", "-c",
        "from fleet.estate.scope import scope_of_organisation, scoped\n"
        "from fleet.estate.models import Organisation\n"
        "from fleet.care.roll import roll_forward\n"
        "house = Organisation.objects.get()\n"
        "with scoped(scope_of_organisation(house)): print(roll_forward(house).created)",
    )  # fmt: skip
    (folder / "data" / "files" / "1" / "ab").mkdir(parents=True)
    (folder / "data" / "files" / "1" / "ab" / "abcd").write_bytes(PICTURE)
    said = source.done("back-up", str(folder / "kept.zip"))
    assert "1 files" in said


def damaged(archive: Path, to: Path, name: str, change: Callable[[bytes], bytes]) -> Path:
    with zipfile.ZipFile(archive) as whole, zipfile.ZipFile(to, "w") as wrong:
        for entry in whole.namelist():
            content = whole.read(entry)
            wrong.writestr(entry, change(content) if entry == name else content)
    return to


def test_a_changed_row_is_noticed_nothing_stays_and_the_whole_back_up_restores_to_the_byte(
    kept: tuple[Installation, Path], tmp_path: Path
) -> None:
    source, archive = kept
    before = source.export(tmp_path / "before.json")
    house = Installation(tmp_path / "data")
    shutil.copytree(source.data, house.data)
    shutil.rmtree(house.data)
    wrong = damaged(
        archive,
        tmp_path / "wrong.zip",
        "tables/heaters_heater.jsonl",
        lambda text: text.replace(b"T0000001", b"T0000X01"),
    )
    refused = house.run("restore", str(wrong))
    assert (refused.returncode, "heaters_heater came out differently" in refused.stderr) == (1, True)
    assert [path for path in (house.data / "files").rglob("*") if path.is_file()] == []
    # After the refusal the place is still empty.
    assert "counts and digests are the same" in house.done("restore", str(archive))
    assert house.export(tmp_path / "after.json") == before
    assert (house.data / "files" / "1" / "ab" / "abcd").read_bytes() == PICTURE
    assert (house.data / "secret-key").read_text() != (source.data / "secret-key").read_text()
    # A back-up of the restored record holds the same rows, and new rows get numbers of their own.
    house.done("back-up", str(tmp_path / "again.zip"))
    first, second = (
        json.loads(zipfile.ZipFile(one).read("manifest.json")) for one in (archive, tmp_path / "again.zip")
    )
    assert {n: t for n, t in first["tables"].items() if n != "estate_lease"} == {
        n: t for n, t in second["tables"].items() if n != "estate_lease"
    }
    assert first["tables"]["care_task"]["rows"] > 50
    house.done("make-estate", "--heaters", "10", "--name", "Another (invented)")
    refused = house.run("restore", str(archive))
    assert refused.returncode == 1
    assert "already holds an organisation" in refused.stderr


def test_a_file_damaged_or_outside_its_place_is_refused(
    kept: tuple[Installation, Path], tmp_path: Path, settings: object, db: None
) -> None:
    settings.MEDIA_ROOT = tmp_path / "files"  # type: ignore[attr-defined]
    wrong = damaged(kept[1], tmp_path / "wrong.zip", "files/1/ab/abcd", lambda text: text + b"!")
    with pytest.raises(ArchiveRefused, match="1/ab/abcd is damaged"):
        restore(wrong)

    def outside(text: bytes) -> bytes:
        return text.replace(b"1/ab/abcd", b"../../../escaped")

    with pytest.raises(ArchiveRefused, match="outside its place"):
        restore(damaged(kept[1], tmp_path / "outside.zip", "manifest.json", outside))

    def named_and_not_there(text: bytes) -> bytes:
        manifest = json.loads(text)
        manifest["files"]["zz/not-in-it"] = "0" * 64
        return json.dumps(manifest).encode()

    with pytest.raises(ArchiveRefused, match="cannot be put back"):
        restore(damaged(kept[1], tmp_path / "lacks.zip", "manifest.json", named_and_not_there))
    assert [path for path in tmp_path.rglob("*") if path.is_file() and path.suffix != ".zip"] == []


def test_a_back_up_of_a_later_version_names_it(
    kept: tuple[Installation, Path], tmp_path: Path, db: None
) -> None:
    def later(text: bytes) -> bytes:
        manifest = json.loads(text)
        manifest["version"] = "7.0.0"
        manifest["migrations"].append(["heaters", "0999_of_a_later_version"])
        return json.dumps(manifest).encode()

    with pytest.raises(ArchiveRefused, match=r"version 7\.0\.0, which has heaters 0999_of_a_later_version"):
        restore(damaged(kept[1], tmp_path / "later.zip", "manifest.json", later))


@pytest.mark.parametrize("content", [b"", b"tag,kind\nH-1,gas\n"])
def test_another_file_is_not_a_back_up(content: bytes, tmp_path: Path, db: None) -> None:
    (tmp_path / "list.csv").write_bytes(content)
    with pytest.raises(CommandError, match=r"list\.csv is not a back-up"):
        call_command("restore", str(tmp_path / "list.csv"))


def test_a_zip_that_is_something_else_is_not_a_back_up(tmp_path: Path, db: None) -> None:
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as package:
        package.writestr("heaters.csv", "tag")
    with pytest.raises(CommandError, match="not a back-up"):
        call_command("restore", str(tmp_path / "other.zip"))


def test_a_back_up_never_overwrites_and_leaves_no_half_file(
    cast: Cast, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "kept.zip").write_bytes(b"older")
    with pytest.raises(CommandError, match=r"kept\.zip is already there"):
        call_command("back_up", str(tmp_path / "kept.zip"))

    def full(*args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match="No space"):
        back_up(tmp_path / "new.zip")
    assert [path.name for path in tmp_path.iterdir()] == ["kept.zip"]


def test_a_back_up_is_for_its_owner_s_eyes_and_holds_no_session(cast: Cast, tmp_path: Path) -> None:
    cast.client(cast.owner)
    call_command("back_up", str(tmp_path / "kept.zip"), stdout=StringIO())
    assert (tmp_path / "kept.zip").stat().st_mode & 0o077 == 0
    names = zipfile.ZipFile(tmp_path / "kept.zip").namelist()
    assert "tables/estate_person.jsonl" in names
    assert not [name for name in names if "session" in name and "django" in name]
