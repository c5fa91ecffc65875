"""Every verb of the product can be asked for through the API, or stands here with the reason why not.

Read from the source: a verb is a function of a room that changes rows; the API reaches it when a handler, or what it
calls, names it.
"""

from __future__ import annotations

import ast

import pytest

from tests.api import reading_code as code

WORKER = "the worker does it, in a job or a sweep; the API asks for the job"
OTHER_SIDE = "another verb's part on the other side's rows"
NOT_IN_YET = "for somebody who is not in yet: a page, by a signed link or at the door"
BY_ITS_OWN_ADDRESS = "behind a secret address of its own, without a token"
OPERATOR = "a command of whoever runs the installation"
PHONE = "the phone's own page sends it, with its key; other programs complete tasks with an Idempotency-Key"

NOT_THROUGH_THE_API = {
    "fleet.care.labels.add_leak_photo": BY_ITS_OWN_ADDRESS,
    "fleet.care.labels.report_leak": BY_ITS_OWN_ADDRESS,
    "fleet.care.phone.finish": PHONE,
    "fleet.care.phone.new_row": PHONE,
    "fleet.care.promises.promise_care": WORKER,
    "fleet.care.promises.withdraw_promises": WORKER,
    "fleet.contracts.claims.find_claims": WORKER,
    "fleet.contracts.rounds.hold_all": WORKER,
    "fleet.contracts.running.end_by_term": WORKER,
    "fleet.contracts.survey.work_out": WORKER,
    "fleet.estate.account_mail.mail_invitation": WORKER,
    "fleet.estate.kept_sums.forget": OPERATOR,
    "fleet.estate.leases.give_back": WORKER,
    "fleet.estate.leases.take": WORKER,
    "fleet.estate.mail_address.change_address": "a person changes her address by a link in a mail to the new one",
    "fleet.estate.people.accept": NOT_IN_YET,
    "fleet.estate.people.confirm_address": NOT_IN_YET,
    "fleet.estate.people.join_as_new_person": NOT_IN_YET,
    "fleet.estate.place_services.say_records_since": "the PATCH of each property says it; a person says it for all at once",
    "fleet.estate.privacy.erase_person": "a person erases herself on her own page, after giving her password again",
    "fleet.estate.security_log.note_of_person": NOT_IN_YET,
    "fleet.estate.services.admit_person": OPERATOR,
    "fleet.estate.services.found_organisation": OPERATOR,
    "fleet.estate.throttle.forget_old": WORKER,
    "fleet.estate.throttle.give_back": NOT_IN_YET,
    "fleet.estate.throttle.take_try": NOT_IN_YET,
    "fleet.estate.tokens.make_token": "a token cannot make its own successor: a person makes it on a page",
    "fleet.heaters.services.note_failure": WORKER,
    "fleet.heaters.services.take": WORKER,
    "fleet.operating.estate_maker.make_estate": OPERATOR,
    "fleet.operating.worker_signs.note_back_up": OPERATOR,
    "fleet.planning.table_rows.keep_tables": WORKER,
    "fleet.planning.parts.ask": WORKER,
    "fleet.planning.parts.lay_out": WORKER,
    "fleet.planning.ranking.lay_out": WORKER,
    "fleet.planning.ranking.one": WORKER,
    "fleet.planning.reports.make_report": WORKER,
    "fleet.planning.reports.open_shared": BY_ITS_OWN_ADDRESS,
    "fleet.reminders.clocks.enrol_new": WORKER,
    "fleet.reminders.clocks.look_again_at_members": WORKER,
    "fleet.reminders.clocks.set_clocks": WORKER,
    "fleet.reminders.clocks.write_due_digests": WORKER,
    "fleet.reminders.fan_out.escalate": WORKER,
    "fleet.reminders.fan_out.tell": WORKER,
    "fleet.reminders.feed.calendar_behind": BY_ITS_OWN_ADDRESS,
    "fleet.reminders.notes.note_contributions": WORKER,
    "fleet.reminders.outbox.find_uncertain": WORKER,
    "fleet.reminders.outbox.take": WORKER,
    "fleet.reminders.preferences.stop": BY_ITS_OWN_ADDRESS,
}
# Named by a page itself, and reached by the API only through another verb.
THROUGH_ANOTHER = {
    "fleet.estate.history.record_change": "each verb writes its own history",
    "fleet.estate.throttle.first_use": "a code is used up where a person signs in; the API takes tokens",
    "fleet.planning.cost_book.save_cost_lines": "the cost book's PATCH saves lines, items and rates together",
}


def _dotted(places: set[code.Place]) -> set[str]:
    return {".".join(place) for place in places}


def test_every_verb_is_reached_by_an_operation_or_has_its_reason() -> None:
    verbs = code.verbs()
    reached = code.reached_from(code.api_places())
    assert len(verbs & reached) > 100
    assert _dotted(verbs - reached) == set(NOT_THROUGH_THE_API)


def test_what_a_page_does_the_api_does_itself() -> None:
    """Not by the way: a page's verb that only some other verb happens to call would be out of reach by itself."""
    verbs = code.verbs()
    by_pages = {
        place
        for name, module in code.modules().items()
        if code.is_page(name)
        for top in module.tops
        for place in code.names_of((name, top))
        if place in verbs
    }
    by_api = {place for top in code.api_places() for place in code.names_of(top)}
    assert len(by_pages & by_api) > 60
    assert _dotted(by_pages - by_api) - set(NOT_THROUGH_THE_API) == set(THROUGH_ANOTHER)


@pytest.mark.parametrize(
    ("source", "changes"),
    [
        ("@transaction.atomic\ndef verb(row): ...", True),
        ("def verb(row):\n    record_change(row, 'done')", True),
        ("def verb(row):\n    Row.objects.filter(pk=row.pk).update(done=True)", True),
        ("def verb(row):\n    Row.objects.create(name='x')", True),
        ("def read(row):\n    found = {}\n    found.update(row)\n    return Row.objects.get(pk=1)", False),
    ],
)
def test_what_counts_as_a_verb(source: str, changes: bool) -> None:
    function = ast.parse(source).body[0]
    assert isinstance(function, ast.FunctionDef)
    assert code.changes_rows(function) is changes


def test_a_name_is_followed_through_imports() -> None:
    """`services` of planning hands on what other modules hold; the handler of a PATCH names it by that room."""
    assert code.resolved("fleet.planning.services.ensure_cost_book") == (
        "fleet.planning.cost_book", "ensure_cost_book",
    )  # fmt: skip
    assert code.resolved("django.http.HttpResponse") is None
    reached = code.reached_from([("api.offers", "_issue")])
    assert ("fleet.contracts.offers", "issue_offer") in reached
    assert ("fleet.contracts.offers", "withdraw_offer") not in reached
