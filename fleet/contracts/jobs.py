"""Background work of this room: each entry calls a verb."""

from __future__ import annotations

from typing import Any

from fleet.contracts import demo, rounds
from fleet.contracts import survey as surveys
from fleet.contracts.models import Contract, Survey
from fleet.estate.access import Need
from fleet.estate.acting import Acting
from fleet.estate.background import Running, register
from fleet.estate.models import Organisation


@register(
    "contract survey",
    for_whom=Need.PLAN,
    name="Survey of a client's heaters",
    does="Works out what the care of each heater that a client opened to you would cost, for your offer.",
)
def work_out_survey(job: Running) -> dict[str, Any]:
    row = Survey.objects.select_related("client", "organisation").get(pk=job.payload["survey_id"])
    done = surveys.work_out(row, job.report, job.cancelled)
    return {"state": done.get_state_display(), "error": done.error}


@register(
    "contract promises",
    for_whom=Acting.ORGANISATION,
    name="Promises of a new contract",
    does="Puts the care that a contract promises on the client's work list, for the crews.",
)
def promise_contract(job: Running) -> dict[str, Any]:
    row = Contract.objects.select_related("offer__survey", "offer__book", "client", "organisation").get(
        pk=job.payload["contract_id"]
    )
    return dict(rounds.hold_contract(row, job.report))


@register(
    "contract rounds",
    for_whom=Acting.ORGANISATION,
    every="day",
    name="Contracts kept up to the day",
    does="Keeps promised care on the work list and tells of terms that end, for company and clients.",
)
def hold_contracts(job: Running) -> dict[str, Any]:
    return rounds.hold_all(job.row.organisation, job.report)


@register(
    "demo contract",
    for_whom=Acting.ORGANISATION,
    name="The demonstration's contract",
    does="Makes the invented contract that the demonstration shows.",
)
def open_demo_contract(job: Running) -> dict[str, Any]:
    house = Organisation.objects.get(pk=job.payload["house_id"])
    return {"made": demo.open_contract(job.row.organisation, house, job.report, job.cancelled)}
