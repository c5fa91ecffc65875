"""Under which licence each package of this installation came, as the packages themselves say."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import Distribution, distributions
from typing import Any

NOT_SAID = "not said"
# May not be shipped with the program: they would ask the whole to be given under their own terms.
NOT_WITH_OURS = ("AGPL", "Affero", "GPL-3", "GPL-2", "GNU General Public")


@dataclass(frozen=True)
class Licence:
    package: str
    version: str
    licence: str

    @property
    def doubtful(self) -> bool:
        weaker = "LGPL" in self.licence or "Lesser" in self.licence
        return self.licence == NOT_SAID or (
            not weaker and any(word in self.licence for word in NOT_WITH_OURS)
        )


def installed() -> list[Licence]:
    found = {one.metadata["Name"].lower(): one for one in distributions() if one.metadata["Name"]}
    return [Licence(name, one.version, _licence_of(one)) for name, one in sorted(found.items())]


def _licence_of(package: Distribution) -> str:
    metadata: Any = package.metadata  # an e-mail message, whose type does not say that it can be asked
    if said := metadata.get("License-Expression"):
        return str(said)
    classes = [
        line.rsplit(" :: ", 1)[-1]
        for line in metadata.get_all("Classifier") or ()
        if line.startswith("License :: ") and line != "License :: OSI Approved"
    ]
    if classes:
        return ", ".join(classes)
    first = str(metadata.get("License") or _licence_file(package)).strip().splitlines()
    return first[0].strip()[:80] if first else NOT_SAID


def _licence_file(package: Distribution) -> str:
    """The text it carries; its first line usually names the licence."""
    for path in package.files or ():
        if path.name.upper().startswith(("LICENSE", "LICENCE", "COPYING")):
            return path.read_text(encoding="utf-8")
    return ""
