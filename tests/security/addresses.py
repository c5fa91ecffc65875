"""What stands in for the arguments of each address: a row of a model, or words. A new address gets its line here."""

from __future__ import annotations

from typing import Any

# Full name of an address -> argument -> the model whose row it names ("app.Model"), optionally ".field" of the row.
# An argument that names no row is given as a tuple of words that exist.
Rows = dict[str, str | tuple[Any, ...]]

HEATER, PROPERTY, BUILDING, POSITION = (
    "heaters.Heater",
    "estate.Property",
    "estate.Building",
    "estate.Position",
)
TASK, JOB, RUN, CAPITAL = "care.Task", "estate.Job", "planning.ForecastRun", "planning.CapitalPlan"
BATCH, TRUST, KEY = "heaters.ImportBatch", "planning.TrustCheck", "mfa.Authenticator"


def _pk(label: str) -> Rows:
    return {"pk": label}


ARGUMENTS: dict[str, Rows] = {
    "heaters:import_batch": _pk(BATCH),
    "heaters:import_columns": _pk(BATCH),
    "heaters:import_accept": _pk(BATCH),
    "heaters:import_refused": {"pk": BATCH, "sheet": (0,)},
    "heaters_export:made_file": _pk(JOB),
    "heaters_export:export_file": {"file_format": ("csv",)},
    "care:building": _pk(BUILDING),
    "care:heater": _pk(HEATER),
    "care:task": _pk(TASK),
    "care:leave_out": _pk(TASK),
    "care:move": _pk(TASK),
    "care:unsafe": _pk(TASK),
    "care:add_photo": _pk(TASK),
    "care:close_unsafe": _pk("care.UnsafeFinding"),
    "care:labels": _pk(BUILDING),
    "care:card": _pk(HEATER),
    "care:plan_visits": _pk(BUILDING),
    "care:visit": _pk("care.Visit"),
    "care:move_visit": _pk("care.Visit"),
    "care:notice": _pk("care.Visit"),
    "care:settings": _pk(PROPERTY),
    "care:answer_leak": _pk("care.LeakReport"),
    "care:small_picture": _pk("heaters.Attachment"),
    "care:go_today": _pk(BUILDING),
    "care:settle": _pk("care.SentEntry"),
    "care:give_visit": _pk("care.Visit"),
    "care:mark_visit": _pk("care.Visit"),
    "care:change_crew": _pk("care.Crew"),
    "care:site_care": _pk(PROPERTY),
    "care:scanned": {"code": ("NOSUCHCODE",)},
    "planning:grouped": {"grouping": ("property",)},
    "planning:download": {"what": ("years",), "file_format": ("csv",)},
    "planning:run": _pk(RUN),
    "planning:cancel": _pk(RUN),
    "planning:capital_plan": _pk(CAPITAL),
    "planning:cancel_capital": _pk(CAPITAL),
    "planning:capital_compare": _pk(CAPITAL),
    "planning:capital_picture": {"pk": CAPITAL, "what": ("money",)},
    "planning:capital_file": {"pk": CAPITAL, "file_format": ("csv",)},
    "planning:cancel_check": _pk(TRUST),
    "planning:survival_picture": {"kind": ("gas_storage_atmospheric",)},
    "planning:failures_picture": {"grouping": ("age",)},
    "planning:prior": {"table": ("lifetimes",), "row_id": ("no-such-row",)},
    "planning:cost_book_file": {"file_format": ("csv",)},
    "reminders:take_on": _pk("reminders.InboxNote"),
    "reminders:property_wish": _pk(PROPERTY),
    "reminders:drop_wish": _pk(PROPERTY),
    "reminders:stop": {"token": ("made-up",)},
    "reminders:calendar": {"secret": ("made-up",)},
    "reminders:settle": {"pk": "reminders.Delivery", "verb": ("sent",)},
    "reminders:hook": {"pk": "reminders.WebHook", "verb": ("stop",)},
    "reminders:remove_rule": _pk("reminders.EscalationRule"),
    "planning:ask_report": _pk(CAPITAL),
    "planning:report": _pk("planning.PlanReport"),
    "planning:report_file": {"pk": "planning.PlanReport", "file_format": ("pdf",)},
    "planning:share_report": _pk("planning.PlanReport"),
    "planning:revoke_link": _pk("planning.SharedLink"),
    "planning:shared_report": {"key": ("made-up",)},
    "planning:shared_file": {"key": ("made-up",), "file_format": ("pdf",)},
    "planning:remove_successor_rule": _pk("planning.SuccessorRule"),
    "planning:heater_successor": _pk(HEATER),
    "planning:review": _pk("planning.PlanReview"),
    "contracts:survey": _pk("contracts.Survey"),
    "contracts:work_out": _pk("contracts.Survey"),
    "contracts:price": _pk("contracts.Survey"),
    "contracts:survey_line": _pk("contracts.SurveyLine"),
    "contracts:rule_line": _pk("contracts.SurveyLine"),
    "contracts:change_claim": _pk("contracts.WarrantyClaim"),
    "contracts:offer": _pk("contracts.Offer"),
    "contracts:offer_pdf": _pk("contracts.Offer"),
    "contracts:offer_picture": _pk("contracts.Offer"),
    "contracts:offer_scan": _pk("contracts.Offer"),
    "contracts:issue_offer": _pk("contracts.Offer"),
    "contracts:withdraw_offer": _pk("contracts.Offer"),
    "contracts:offer_on_paper": _pk("contracts.Offer"),
    "contracts:contract": _pk("contracts.Contract"),
    "contracts:contract_picture": _pk("contracts.Contract"),
    "contracts:enter_job": _pk("contracts.Contract"),
    "contracts:add_heater": _pk("contracts.Contract"),
    "contracts:remove_heater": _pk("contracts.Contract"),
    "contracts:end_contract": _pk("contracts.Contract"),
    "contracts:renew_contract": _pk("contracts.Contract"),
    "contracts:received_offer": _pk("contracts.ReceivedOffer"),
    "contracts:received_pdf": _pk("contracts.ReceivedOffer"),
    "contracts:answer_offer": _pk("contracts.ReceivedOffer"),
    "contracts:revoke": _pk("estate.AccessGrant"),
    "estate:member": _pk("estate.Membership"),
    "estate:remove_member": _pk("estate.Membership"),
    "estate:withdraw_invitation": _pk("estate.Invitation"),
    "estate:revoke_token": _pk("estate.AccessToken"),
    "estate:end_session": _pk("usersessions.UserSession"),
    "estate:join": {"secret": ("made-up",)},
    "estate:take_address": {"secret": ("made-up",)},
    "estate:new_password": {"uidb64": ("MQ",), "token": ("made-up",)},
    "mfa_edit_webauthn": _pk(KEY),
    "mfa_remove_webauthn": _pk(KEY),
    "openid_connect_login": {"provider_id": ("single-sign-on",)},
    "openid_connect_callback": {"provider_id": ("single-sign-on",)},
    "pages:job": _pk(JOB),
    "pages:cancel_job": _pk(JOB),
    "pages:try_job_again": _pk(JOB),
    "pages:property": _pk(PROPERTY),
    "pages:building": _pk(BUILDING),
    "pages:position": _pk(POSITION),
    "pages:edit_position": _pk(POSITION),
    "pages:put_in_heater": _pk(POSITION),
    "pages:drop_list": _pk("pages.KeptList"),
    "pages:heater": _pk(HEATER),
    "pages:edit_property": _pk(PROPERTY),
    "pages:add_building": _pk(PROPERTY),
    "pages:add_water_test": _pk(PROPERTY),
    "pages:edit_water_test": _pk("heaters.WaterTest"),
    "pages:edit_building": _pk(BUILDING),
    "pages:add_position": _pk(BUILDING),
    "pages:add_service": _pk(HEATER),
    "pages:edit_service": _pk("heaters.ServiceRecord"),
    "pages:edit_heater": _pk(HEATER),
    "pages:attach": _pk(HEATER),
    "pages:attachment": _pk("heaters.Attachment"),
    "pages:outlook_picture": _pk(HEATER),
    "pages:heater_survival_picture": _pk(HEATER),
}
# Addresses whose rows are somebody's own: nobody else's row exists for her, in her house or another.
PERSONAL = frozenset(
    {
        "estate:end_session",
        "estate:revoke_token",
        "pages:drop_list",
        "reminders:take_on",
        "mfa_edit_webauthn",
        "mfa_remove_webauthn",
    }
)
# Pages whose rows have to hold something first (a finished plan, a priced offer): a row made from the bare model is
# hollow there, so only what is foreign and what is missing is compared. The rooms' own tests show them with content.
NEEDS_MORE = frozenset(
    {
        "heaters:import_refused",
        "heaters_export:made_file",
        "planning:capital_compare",
        "planning:capital_picture",
        "planning:capital_file",
        "pages:outlook_picture",
        "pages:heater_survival_picture",
        "planning:report_file",
        "planning:review",
        "contracts:offer",
        "contracts:offer_pdf",
        "contracts:offer_picture",
        "contracts:offer_scan",
        "contracts:issue_offer",
        "contracts:withdraw_offer",
        "contracts:contract",
        "contracts:contract_picture",
        "contracts:enter_job",
        "contracts:add_heater",
        "contracts:end_contract",
        "contracts:renew_contract",
    }
)
# An empty form is refused, by leading back with words, before its row is looked for: alike for every row.
FORM_FIRST = frozenset({"contracts:offer_on_paper", "contracts:answer_offer"})
# Pages that are open to readers, whose form asks for more.
READ_TO_ALL = frozenset(
    {
        "care:task",
        "planning:cost_book",
        "planning:capital",
        "planning:priors",
        "planning:reviews",
        "planning:successors",
    }
)
