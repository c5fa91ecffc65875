"""The report for the owners: the same cents on screen, PDF, XLSX and CSV; made in the background; shared and taken back."""

from __future__ import annotations

import csv
import io
import re
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook
from pypdf import PdfReader

from fleet.estate.background import work_off
from fleet.estate.models import Organisation
from fleet.heaters.models import Heater
from fleet.planning import reports
from fleet.planning.capital import make_capital_plan, open_capital_plan
from fleet.planning.capital_rows import CapitalPlan
from fleet.planning.models import CostLine, ForecastRun
from fleet.planning.report_files import pdf_of
from fleet.planning.report_rows import PlanReport, SharedLink
from tests.conftest import Cast

pytestmark = pytest.mark.django_db


@pytest.fixture
def report(estate: Organisation, done_run: ForecastRun) -> PlanReport:
    plan = make_capital_plan(estate, done_run, cap=Decimal("20000"), visit_cost=Decimal("250"))
    return reports.make_report(reports.request_report(plan))


def pdf_text(report: PlanReport) -> str:
    return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(bytes(report.pdf))).pages)


def cents(text: str) -> Decimal:
    return Decimal(text.replace(",", ""))


@settings(
    max_examples=3,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    cap=st.decimals("9000.01", "60000.99", places=2),
    visit=st.decimals("0.01", "310.99", places=2),
    step=st.decimals("0.01", "99.99", places=2),
)
def test_money_sums_to_the_cent_on_screen_pdf_xlsx_and_csv(
    cast: Cast,
    estate: Organisation,
    done_run: ForecastRun,
    cap: Decimal,
    visit: Decimal,
    step: Decimal,
) -> None:
    for number, line in enumerate(CostLine.objects.filter(book=done_run.cost_book)):
        line.planned_cost += step * (number + 1)
        line.save()
    plan = make_capital_plan(estate, done_run, cap=cap, visit_cost=visit)
    made = reports.make_report(reports.request_report(plan))
    total = Decimal(plan.result["planned_total"])
    years = {year["label"]: Decimal(year["set_aside"]) for year in plan.result["years"]}
    shared = sum(Decimal(year["shared_visits"]) for year in plan.result["years"])
    assert sum(years.values()) == total

    client = cast.client(cast.planner)
    text = client.get(reverse("planning:capital_file", args=[plan.pk, "csv"])).content.decode()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert sum(Decimal(row["set_aside"]) for row in rows) - shared == total

    book = load_workbook(io.BytesIO(bytes(made.xlsx)))
    sheet = list(book["years"].iter_rows(min_row=2, values_only=True))
    assert {row[0]: Decimal(str(row[5])) for row in sheet} == years
    own = list(book["properties"].iter_rows(min_row=2, values_only=True))
    assert sum(Decimal(str(row[-1])) for row in own) == total
    assert sum(Decimal(str(cell)) for row in own for cell in row[2:-1]) == total

    screen = client.get(reverse("planning:capital_plan", args=[plan.pk])).content.decode()
    on_paper = pdf_text(made)
    for label, amount in years.items():
        assert f">{amount:,.2f}<" in screen
        row = re.search(rf"{label}\s+\d+\s+\d+\s+([\d,]+\.\d\d)", on_paper)
        assert row is not None, on_paper[:3000]
        assert cents(row[1]) == amount
    whole = re.search(r"Set aside over all years: ([\d,]+\.\d\d)", on_paper)
    assert whole is not None
    assert cents(whole[1]) == total


def test_the_first_page_says_what_how_much_how_sure_and_what_if_not(report: PlanReport) -> None:
    pages = PdfReader(io.BytesIO(bytes(report.pdf))).pages
    first = pages[0].extract_text()
    for heading in ("What", "How much", "How sure", "What if we do nothing"):
        assert heading in first
    ways = {row["name"]: row for row in report.plan.result["scenarios"]}
    for amount in (ways["capped"]["cost_p10"], ways["capped"]["cost_p90"], ways["run_to_failure"]["cost"]):
        assert f"{Decimal(amount):,.2f}" in first
    change = Decimal(ways["capped"]["difference"])
    assert (
        f"it costs {report.content['currency']} {abs(change):,.2f} {'less' if change < 0 else 'more'}"
        in " ".join(first.split())
    )
    assert "Invented demonstration data" in first
    rest = "\n".join(page.extract_text() for page in pages[1:])
    for heading in (
        "Year by year", "Per property", "Ways of doing it", "Reserve fund", "Which heater, which year, and why",
        "Method and sources", "Assumptions", "Quality of the data", "Cautions",
    ):  # fmt: skip
        assert heading in rest
    assert "illustration" in rest
    assert "licensed person" in rest


def test_what_prices_are_made_of_is_told_once(report: PlanReport) -> None:
    text = " ".join(pdf_text(report).split())
    assert text.count("for all heaters in service, due at") == len(
        set(re.findall(r"[^.]+: USD [\d,.]+ for all heaters in service, due at", text))
    )
    assert "for all heaters in service, due at" in text


def test_text_of_the_record_is_never_read_as_markup_and_the_same_content_gives_the_same_bytes(
    estate: Organisation, done_run: ForecastRun
) -> None:
    Heater.objects.filter(ending="").update(maker="x")
    odd = Heater.objects.filter(ending="").first()
    Heater.objects.filter(pk=odd.pk).update(tag='#panic("no") $x$ *a* <b> \\ "')
    plan = make_capital_plan(estate, done_run, cap=Decimal("20000"), must=[odd.pk])
    made = reports.make_report(reports.request_report(plan))
    assert '#panic("no") $x$' in pdf_text(made)
    assert made.finished_at is not None
    assert pdf_of(made.content, made.finished_at) == bytes(made.pdf)


def test_it_is_asked_for_on_the_page_and_made_in_the_background_with_progress(
    cast: Cast, estate: Organisation, done_run: ForecastRun
) -> None:
    plan = make_capital_plan(estate, done_run, cap=Decimal("20000"))
    client = cast.client(cast.planner)
    answer = client.post(reverse("planning:ask_report", args=[plan.pk]))
    again = client.post(reverse("planning:ask_report", args=[plan.pk]))
    assert answer["Location"] == again["Location"]
    assert b"<progress" in client.get(answer["Location"]).content
    work_off()
    made = PlanReport.objects.get()
    assert made.state == PlanReport.State.DONE
    assert b"Download PDF" in client.get(answer["Location"]).content
    file = client.get(reverse("planning:report_file", args=[made.pk, "pdf"]))
    assert file.content.startswith(b"%PDF")
    assert client.get(reverse("planning:report_file", args=[made.pk, "exe"])).status_code == 404
    assert (
        cast.client(cast.technician).post(reverse("planning:ask_report", args=[plan.pk])).status_code == 403
    )
    outsider = cast.client(cast.outsider)
    assert outsider.get(answer["Location"]).status_code == 404
    assert outsider.get(reverse("planning:report_file", args=[made.pk, "pdf"])).status_code == 404


def test_a_plan_that_is_not_done_has_no_report(estate: Organisation, done_run: ForecastRun) -> None:
    plan = open_capital_plan(estate, done_run, cap=Decimal("20000"))
    with pytest.raises(reports.ReportRefused, match="finished plan"):
        reports.request_report(plan)
    assert not PlanReport.objects.exists()


def test_a_made_report_stays_as_it_was(report: PlanReport) -> None:
    before = bytes(report.pdf)
    Heater.objects.filter(pk=Heater.objects.first().pk).update(tag="changed")
    again = reports.make_report(report)
    assert bytes(again.pdf) == before


def shared_address(client: Client, report: PlanReport, **wanted: Any) -> str:
    answer = client.post(
        reverse("planning:share_report", args=[report.pk]),
        {"days": "7", "words": "board"} | wanted,
        follow=True,
    )
    found = re.search(r"http://testserver(/shared/plan/[\w-]{40,}/)", answer.content.decode())
    assert found is not None
    return found[1]


def test_a_link_opens_the_report_to_anyone_and_says_nothing_of_persons(
    cast: Cast, report: PlanReport, client: Client
) -> None:
    address = shared_address(cast.client(cast.planner), report)
    answer = client.get(address)
    assert answer.status_code == 200
    assert "noindex" in answer["X-Robots-Tag"]
    assert answer["Referrer-Policy"] == "no-referrer"
    text = answer.content.decode()
    assert 'content="noindex' in text
    ways = {row["name"]: row for row in report.plan.result["scenarios"]}
    assert f"{Decimal(ways['capped']['cost']):,.2f}" in text
    pdf = client.get(f"{address}file.pdf")
    assert pdf.content == bytes(report.pdf)
    everything = (text + pdf_text(report)).casefold()
    for person in (cast.owner, cast.planner, cast.technician):
        assert person.email not in everything
        assert person.name.casefold() not in everything
    assert client.post(address).status_code == 405
    assert SharedLink.objects.get().opened == 1


def test_an_expired_a_revoked_and_an_unknown_link_look_the_same(
    cast: Cast, report: PlanReport, client: Client
) -> None:
    planner = cast.client(cast.planner)
    revoked, expiring = shared_address(planner, report), shared_address(planner, report)
    first = SharedLink.objects.order_by("pk")[0]
    assert (
        cast.client(cast.outsider).post(reverse("planning:revoke_link", args=[first.pk])).status_code == 404
    )
    assert client.get(revoked).status_code == 200
    planner.post(reverse("planning:revoke_link", args=[first.pk]))
    with time_machine.travel(timezone.now() + timedelta(days=8)):
        late = client.get(expiring)
    gone, unknown = client.get(revoked), client.get("/shared/plan/" + "x" * 43 + "/")
    assert gone.status_code == late.status_code == unknown.status_code == 404
    assert gone.content == late.content == unknown.content
    assert client.get(f"{revoked}file.pdf").status_code == 404
    key = expiring.split("/")[3]
    assert all(key not in row for row in SharedLink.objects.values_list("key_digest", flat=True))


def test_links_that_cannot_be_are_refused(cast: Cast, report: PlanReport) -> None:
    with pytest.raises(reports.ReportRefused, match="0 days"):
        reports.share_report(report, 0)
    with pytest.raises(reports.ReportRefused, match="1 to 180"):
        reports.share_report(report, 999)
    with pytest.raises(reports.ReportRefused, match="121 characters"):
        reports.share_report(report, 5, "x" * 121)
    planner = cast.client(cast.planner)
    answer = planner.post(reverse("planning:share_report", args=[report.pk]), {"days": "soon"}, follow=True)
    assert "not a number of days" in answer.content.decode()
    assert not SharedLink.objects.exists()
    assert CapitalPlan.objects.count() == 1


def test_the_command_writes_both_files(
    estate: Organisation, report: PlanReport, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pdf, xlsx = tmp_path / "plan.pdf", tmp_path / "plan.xlsx"
    nowhere = tmp_path / "no such folder" / "report.pdf"
    with pytest.raises(CommandError, match="there is no folder"):
        call_command("plan_report", "--pdf", str(nowhere), organisation=estate.name)
    call_command("plan_report", "--pdf", str(pdf), "--xlsx", str(xlsx), organisation=estate.name)
    assert "Wrote" in capsys.readouterr().out
    assert len(PdfReader(pdf).pages) > 2
    assert "first page" in load_workbook(xlsx).sheetnames
    with pytest.raises(CommandError, match="where to write"):
        call_command("plan_report", organisation=estate.name)
