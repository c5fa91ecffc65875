"""docker-compose.yml and Dockerfile: valid by the specification, nobody special inside, nothing secret in them."""

from __future__ import annotations

import re
import subprocess
import sys

from fleet import settings as shipped
from tests.fleet.full.compose import ROOT, compose_file, docker_command

OURS = {"migrate", "web", "worker-alerts", "worker-heavy", "beat"}
COMPOSE = compose_file({})
SERVICES = COMPOSE["services"]
DOCKERFILE = (ROOT / "Dockerfile").read_text(encoding="utf-8")


def test_it_is_valid_by_the_schema_of_the_compose_specification() -> None:
    """The schema is the Compose Specification's own, as the package check-jsonschema carries it."""
    command = [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec"]
    checked = subprocess.run(
        [*command, str(ROOT / "docker-compose.yml")], capture_output=True, text=True, check=False
    )
    assert checked.returncode == 0, checked.stdout + checked.stderr


def test_every_lasting_service_has_a_health_check_limits_and_bounded_logs() -> None:
    assert set(SERVICES) == OURS | {"database", "queue"}
    for name, service in SERVICES.items():
        assert service["logging"]["options"]["max-size"], name
        if name != "migrate":
            assert service["healthcheck"]["test"][0] in ("CMD", "CMD-SHELL"), name
            assert service["deploy"]["resources"]["limits"]["memory"], name


def test_our_containers_cannot_write_outside_their_volume_nor_gain_rights() -> None:
    for name in OURS:
        service = SERVICES[name]
        assert service["read_only"] is True
        assert service["cap_drop"] == ["ALL"]
        assert service["security_opt"] == ["no-new-privileges:true"]
        assert "user" not in service and "privileged" not in service
    last_stage = DOCKERFILE.split("FROM ")[-1]
    user = last_stage.index("\nUSER almanac")
    assert "\nRUN " not in last_stage[user:]
    assert user < last_stage.index("\nCMD ")


def test_secrets_come_by_file_and_none_stands_here() -> None:
    for name, service in SERVICES.items():
        for variable, value in service.get("environment", {}).items():
            if re.search("SECRET|PASSWORD|TOKEN", variable):
                assert variable.endswith("_FILE"), (name, variable)
                assert value.removeprefix("/run/secrets/") in service["secrets"], (name, variable)
    assert set(COMPOSE["secrets"]) == {
        secret for one in SERVICES.values() for secret in one.get("secrets", [])
    }


def test_the_database_and_the_queue_are_not_reached_from_outside() -> None:
    assert COMPOSE["networks"]["inside"]["internal"] is True
    for name in ("database", "queue"):
        assert SERVICES[name]["networks"] == ["inside"]
        assert "ports" not in SERVICES[name]


def test_every_queue_has_a_worker() -> None:
    queues = {route["queue"] for route in shipped.CELERY["task_routes"].values()}
    queues.add(shipped.CELERY["task_default_queue"])
    worked = {
        command[command.index("-Q") + 1]
        for one in SERVICES.values()
        if "-Q" in (command := one.get("command", []))
    }
    assert worked == queues


def test_every_setting_in_it_is_one_that_the_program_reads_and_the_example_names() -> None:
    example = (ROOT / ".env.example").read_text(encoding="utf-8")
    sources = [*(ROOT / "fleet").rglob("*.py")]
    read = set(re.findall(r"ALMANAC_\w+", "\n".join(path.read_text(encoding="utf-8") for path in sources)))
    for service in SERVICES.values():
        for name in service.get("environment", {}):
            if name.startswith("ALMANAC_"):
                assert name.removesuffix("_FILE") in read, name
    for name in re.findall(
        r"environment\.\w+\(\s*\"(ALMANAC_\w+)", (ROOT / "fleet" / "settings.py").read_text()
    ):
        assert re.search(rf"^{name}=", example, re.MULTILINE), name
    text = (ROOT / "docker-compose.yml").read_text(encoding="utf-8")
    for name in re.findall(r"\$\{(\w+)", text):
        assert re.search(rf"^{name}=", example, re.MULTILINE), name


def test_the_image_runs_the_pages_by_the_settings_of_the_house() -> None:
    assert docker_command() == [
        "gunicorn", "-c", "python:fleet.operating.gunicorn_settings", "fleet.wsgi:application",
    ]  # fmt: skip
    for folder in ("fleet", "forecasting", "api", "fixtures"):
        assert f"COPY {folder} {folder}" in DOCKERFILE
