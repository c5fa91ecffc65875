"""`start --demo`: the invented estate, taken in through the same doors as anybody's own file.

A second start finds the estate there and changes nothing that the user changed.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

from django.conf import settings

from fleet.estate.background import enqueue
from fleet.estate.models import Membership, Organisation
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.estate.services import admit_person, found_organisation

FOLDER: Path = settings.ROOT / "fixtures" / "demo"
# The property list comes second: softening is set on buildings that are on record by then.
FILES = ("heaters.xlsx", "properties.csv")
NAME = "Marrowfen Homes (invented)"
CALENDAR_STANDS_AT = date(2026, 11, 1)
PEOPLE = (
    ("owner@almanac.example", Membership.Role.OWNER, "Demo owner"),
    ("planner@almanac.example", Membership.Role.PLANNER, "Demo planner"),
    ("technician@almanac.example", Membership.Role.TECHNICIAN, "Demo technician"),
    ("viewer@almanac.example", Membership.Role.VIEWER, "Demo viewer"),
)
COMPANY = "Tarn Weir Plumbing (invented)"
COMPANY_PEOPLE = (
    ("boss@almanac.example", Membership.Role.OWNER, "Demo plumbing boss"),
    ("fitter@almanac.example", Membership.Role.TECHNICIAN, "Demo fitter"),
)
DATE_ORDER = "mdy"
SIGN_IN_FILE = "demo-sign-in.txt"
Write = Callable[[str], Any]


def open_demo(write: Write) -> Organisation:
    """Load the estate once, make sure a plan stands, print it and how to sign in."""
    organisation = found_organisation(NAME, invented=True, calendar_stands_at=CALENDAR_STANDS_AT)
    company = found_organisation(
        COMPANY, Organisation.Kind.COMPANY, invented=True, calendar_stands_at=CALENDAR_STANDS_AT
    )
    _admit_people(organisation, company)
    with scoped(scope_of_organisation(organisation, actor="demonstration")):
        from fleet.heaters.models import Heater

        if not Heater.objects.exists():
            _load(organisation, write)
        _plan(organisation, write)
    with scoped(scope_of_organisation(company, actor="demonstration")):
        # Made in the background once the pages are served; a second start finds it there.
        enqueue("demo contract", {"house_id": organisation.pk}, company.pk, unique_key="demo contract")
    write("")
    write((settings.DATA / SIGN_IN_FILE).read_text(encoding="utf-8"))
    return organisation


def _admit_people(organisation: Organisation, company: Organisation) -> None:
    """Passwords are made once and kept in the data folder, readable by its owner only."""
    lines = [
        f"  {email:<28} {password}   ({role}{', plumbing company' if of == company else ''})"
        for of, people in ((organisation, PEOPLE), (company, COMPANY_PEOPLE))
        for email, role, name in people
        if (password := admit_person(of, email, role, name))
    ]
    if lines:
        place = settings.DATA / SIGN_IN_FILE
        place.touch(mode=0o600)
        before = place.read_text(encoding="utf-8") or "Sign in as\n"
        place.write_text(before + "\n".join(lines) + "\n", encoding="utf-8")


def _load(organisation: Organisation, write: Write) -> None:
    write(f"Loading {NAME}: every name, address and figure in it is made up.")
    for name in FILES:
        take_file(organisation, FOLDER / name, write)


def _plan(organisation: Organisation, write: Write) -> None:
    """Print the last good plan; the first time, roll the tasks forward and make it."""
    from fleet.care.roll import roll_forward
    from fleet.planning import printed, selectors, services, trust

    run = selectors.latest_run(organisation.pk)
    if run is None:
        write("Working out what is due ...")
        roll_forward(organisation)
        write("Fitting the forecast ...")
        run = services.run_forecast(services.open_run(organisation))
        trust.request_check(organisation, run)  # made in the background once the pages are served
    write("\n".join(printed.printed(selectors.plan_tables(run), 10)))


def take_file(organisation: Organisation, path: Path, write: Write) -> None:
    """The importer's own verbs, as the page and the command use them."""
    from fleet.heaters import services
    from fleet.heaters.importing import columns_of

    batch = services.keep_file(path.read_bytes(), path.name, organisation.pk)
    services.mend_columns(batch, columns_of(batch), DATE_ORDER)
    taken = services.accept(batch, CALENDAR_STANDS_AT)
    counts = ", ".join(f"{count:,} {name}" for name, count in taken.counts.items())
    write(f"Imported {path.name}: {counts}. Open Import to see why rows were refused.")
