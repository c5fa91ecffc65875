"""The licences of what is installed are listed, and one that may not be shipped with the program is pointed out."""

from __future__ import annotations

from io import StringIO

import pytest
from django.core.management import call_command

from fleet.operating import licences
from fleet.operating.licences import Licence


def test_every_installed_package_says_its_licence_and_none_is_doubtful() -> None:
    out = StringIO()
    call_command("licences", check=True, stdout=out)
    lines = {line.split()[0]: line for line in out.getvalue().splitlines()}
    assert "BSD" in lines["django"]
    assert len(lines) > 60


@pytest.mark.parametrize(
    "said", ["AGPL-3.0-only", "GNU General Public License v3 (GPLv3)", licences.NOT_SAID]
)
def test_one_that_may_not_be_shipped_ends_the_check(said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    only = [Licence("some-package", "1", said)]
    monkeypatch.setattr("fleet.operating.management.commands.licences.installed", lambda: only)
    with pytest.raises(SystemExit):
        call_command("licences", check=True, stdout=StringIO())


@pytest.mark.parametrize("said", ["MIT", "GNU Lesser General Public License v3 (LGPLv3)", "Apache-2.0"])
def test_one_that_may_be_shipped_passes(said: str) -> None:
    assert not Licence("some-package", "1", said).doubtful
