"""Puts into the demonstration what it has not by itself, so that pages seldom met can be looked at, and says where they are.

Run by `tests.face.walk` in the demonstration's data folder; prints one line a page: whose seat, address.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from decimal import Decimal

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")
django.setup()

from allauth.mfa.recovery_codes.internal.auth import RecoveryCodes  # noqa: E402
from allauth.mfa.totp.internal.auth import TOTP, generate_totp_secret  # noqa: E402
from django.contrib.auth.tokens import default_token_generator  # noqa: E402
from django.urls import reverse  # noqa: E402
from django.utils import timezone  # noqa: E402
from django.utils.encoding import force_bytes  # noqa: E402
from django.utils.http import urlsafe_base64_encode  # noqa: E402

from fleet.care import crews, labels, laying, services  # noqa: E402
from fleet.care.models import Task  # noqa: E402
from fleet.estate import people  # noqa: E402
from fleet.estate.calendar import today_of  # noqa: E402
from fleet.estate.models import Membership, Organisation, Person, Property  # noqa: E402
from fleet.estate.scope import scope_of_organisation, scoped  # noqa: E402
from fleet.planning import capital, reports, selectors  # noqa: E402
from fleet.reminders import escalation, preferences  # noqa: E402
from tests.face.walk import SECOND  # noqa: E402

Pages = Iterator[tuple[str, str]]


def _person(name: str) -> Person:
    found: Person = Person.objects.get(email=f"{name}@almanac.example")
    return found


def _doors(house: Organisation) -> Pages:
    """Invitations, a new password, a second factor in use."""
    for email in ("new@almanac.example", "boss@almanac.example"):
        invitation = people.invite(house, email, Membership.Role.TECHNICIAN)
        yield "nobody", reverse("estate:join", args=[people.secret_of(invitation)])
    yield "technician", reverse("estate:join", args=[people.secret_of(invitation)])
    yield "nobody", reverse("estate:join", args=["made-up"])
    person = Person.objects.create_user(*SECOND, name="Second factor (invented)")
    Membership.objects.create(organisation=house, person=person, role=Membership.Role.VIEWER)
    arguments = [urlsafe_base64_encode(force_bytes(person.pk)), default_token_generator.make_token(person)]
    yield "nobody", reverse("estate:new_password", args=arguments)
    yield "nobody", reverse("estate:new_password", args=["MQ", "made-up"])
    yield "nobody", reverse("estate:ask_for_password")
    yield "nobody", reverse("openid_connect_login", args=["single-sign-on"])
    yield "nobody", "/sign-in/by/single-sign-on/back/?error=access_denied"
    TOTP.activate(person, generate_totp_secret())
    RecoveryCodes.activate(person)
    yield "second factor", reverse("mfa_authenticate")


def _work(house: Organisation) -> Pages:
    """A crew, visits, labels, a leak, something unsafe, work set to wait for a person."""
    today, now = today_of(house), timezone.now()
    crews.keep_crew(house, "North", 420, ["licensed_plumber"], [_person("technician").pk])
    laying.lay_out_all(house.pk, today)
    building = Property.objects.order_by("id")[0].buildings.order_by("id")[0]
    heaters = [place.heaters.order_by("-id")[0] for place in building.positions.order_by("id")[:6]]
    codes = labels.label_heaters(heaters)
    labels.report_leak(heaters[0], "wet floor", now)
    crews.set_site_care(building.property, True, ["es", "fr"])
    stopped = Task.objects.filter(state="open", kind="relief_valve_test").order_by("id")[0]
    services.report_unsafe(stopped, "smell of gas at the burner", now)
    left_out = Task.objects.filter(state="open", kind="flush").order_by("id")[0]
    services.skip_task(left_out, "no way in")
    yield "nobody", reverse("care:scanned", args=[codes[heaters[0].pk].code])
    yield "nobody", reverse("care:scanned", args=["NOSUCHCODE"])
    yield "technician", reverse("care:task", args=[stopped.pk])
    yield "technician", reverse("care:task", args=[left_out.pk])
    yield "technician", reverse("care:labels", args=[building.pk])


def _money(house: Organisation) -> Pages:
    """A plan under a cap, its report and the link to it."""
    run = selectors.latest_run(house.pk)
    assert run is not None
    plan = capital.make_capital_plan(house, run, cap=Decimal(60000))
    report = reports.make_report(reports.request_report(plan))
    _, key = reports.share_report(report, words="the board")
    yield "nobody", reverse("planning:shared_report", args=[key])
    yield "planner", reverse("planning:report", args=[report.pk])
    yield "planner", reverse("planning:capital_compare", args=[plan.pk])


def _telling(house: Organisation) -> Pages:
    escalation.add_rule(house, _person("planner").pk, 30)
    token = preferences.stop_token(_person("planner").pk, preferences.DIGESTS)
    yield "nobody", reverse("reminders:stop", args=[token])
    yield "nobody", reverse("reminders:stop", args=["made-up"])
    yield "owner", reverse("reminders:escalation")
    yield "owner", reverse("reminders:hooks")
    yield "owner", reverse("reminders:deliveries")


def _refused() -> Pages:
    for seat in ("nobody", "technician"):
        yield seat, "/there-is-no-such-page/"
    yield "technician", reverse("estate:people")
    yield "technician", "/heaters/999999999/"
    yield "owner", reverse("pages:choose_organisation")
    yield "owner", "/find/?words=H-1"
    yield "owner", "/find/?words=nothing+is+called+this"
    yield "owner", "/heaters/?words=nothing+is+called+this"


def main() -> None:
    house = Organisation.objects.get(kind="owner")
    with scoped(scope_of_organisation(house, actor="demonstration")):
        for part in (_doors(house), _work(house), _money(house), _telling(house), _refused()):
            for seat, address in part:
                print(f"{seat}\t{address}")


if __name__ == "__main__":
    main()
