"""What is unsafe or unhealthy in this installation, and how to mend it. Looks; changes nothing."""

from __future__ import annotations

import shutil
import smtplib
import socket
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.db import DatabaseError, connection
from django.http.request import validate_host
from django.utils import timezone

from fleet.care import due_sums
from fleet.estate import kept_sums, marks
from fleet.estate.models import Job
from fleet.estate.scope import unscoped
from fleet.heaters import record_sums, scanner
from fleet.operating import conditions, worker_signs
from fleet.pages import trigrams
from fleet.pages.words import a_wait, how_many

GOOD, DOUBTFUL, BAD = "good", "doubtful", "bad"
OLDEST_WAITING = timedelta(minutes=10)
BACK_UP_EVERY = timedelta(days=7)
LEAST_POSTGRES, LEAST_SQLITE = 140_000, (3, 35, 0)
CLOCK_OFF_SECONDS = 2.0


@dataclass(frozen=True)
class Finding:
    part: str
    state: str
    words: str
    mend: str = ""


def examine() -> list[Finding]:
    """Every part in turn. One that cannot be looked at is a finding too, and hides no other."""
    found: list[Finding] = []
    parts = PARTS if conditions.database_answers() else [part for part in PARTS if part not in ON_DATABASE]
    for part in parts:
        try:
            found += part()
        except (DatabaseError, OSError) as error:
            words = f"could not be looked at: {type(error).__name__}: {str(error).strip()[:200]}"
            found.append(Finding(part.__name__.replace("_", " ").strip(), BAD, words, "See the log."))
    return found


def _settings() -> Iterator[Finding]:
    unsafe = [
        (settings.DEBUG, "Pages show the program's inner state when they fail.", "Set ALMANAC_DEBUG=no."),
        ("*" in settings.ALLOWED_HOSTS, "Any host name is answered.", "Name the hosts in ALMANAC_HOSTS."),
        (
            len(settings.SECRET_KEY) < 40 or len(set(settings.SECRET_KEY)) < 12,
            "The secret key is short or has few different characters.",
            "Make one of 50 random characters and set ALMANAC_SECRET_KEY_FILE.",
        ),
        (
            not settings.EMBEDDED and not settings.TLS,
            "Passwords and pages cross the network unencrypted.",
            "Put a proxy with TLS in front, and set ALMANAC_TLS=yes and ALMANAC_PROXY=yes.",
        ),
        (
            bool(settings.METRICS_TOKEN) and len(settings.METRICS_TOKEN) < 24,
            "The metrics token can be guessed.",
            "Make one of 32 random characters and set ALMANAC_METRICS_TOKEN_FILE.",
        ),
    ]
    wrong = [Finding("settings", BAD, words, mend) for is_so, words, mend in unsafe if is_so]
    wrong += _address()
    yield from wrong or [Finding("settings", GOOD, f"the {settings.MODE} mode, version {settings.VERSION}")]


def _address() -> Iterator[Finding]:
    """Where links in mails lead to. Without the setting they begin with the Host that a browser named."""
    parts = urlsplit(settings.ADDRESS)
    if not settings.ADDRESS_SET_UP:
        if not settings.EMBEDDED:
            words = "Links in mails may lead nowhere: the pages' own address is not set."
            yield Finding("settings", BAD, words, "Set ALMANAC_ADDRESS=https://… as people reach the pages.")
        return
    if settings.TLS and parts.scheme != "https":
        words = f"Links in mails begin with {parts.scheme}:// although the pages are served over TLS."
        yield Finding("settings", BAD, words, "Begin ALMANAC_ADDRESS with https://.")
    if not validate_host(parts.hostname or "", settings.ALLOWED_HOSTS):
        words = f"Links in mails lead to {parts.hostname}, which these pages do not answer to."
        yield Finding("settings", BAD, words, "Name it in ALMANAC_HOSTS, or correct ALMANAC_ADDRESS.")


def _data_folder() -> Iterator[Finding]:
    for path in (settings.DATA, settings.DATA / "secret-key", settings.DATA / "almanac.sqlite3"):
        if (
            path.exists()
            and path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO)
            and path.name != settings.DATA.name
        ):
            yield Finding("data folder", DOUBTFUL, f"{path.name} can be read by others.", f"chmod go= {path}")
    if settings.EMBEDDED and settings.DATA.stat().st_mode & 0o077:
        yield Finding("data folder", DOUBTFUL, "The folder is open to others.", f"chmod go= {settings.DATA}")
    space = shutil.disk_usage(settings.DATA)
    free = f"{space.free / 2**30:.1f} GiB free of {space.total / 2**30:.1f}"
    if space.free < 2**30 or space.free < space.total * 0.05:
        yield Finding("disk", BAD, free, "Free some space or move ALMANAC_DATA to a larger disk.")
    else:
        yield Finding("disk", GOOD, free)


def _database() -> Iterator[Finding]:
    if not conditions.database_answers():
        mend = (
            "Is it running, and is ALMANAC_DATABASE_URL right?" if settings.REDIS_URL else "Is the disk full?"
        )
        yield Finding("database", BAD, "does not answer", mend)
        return
    if connection.vendor == "postgresql":
        number = _value("SHOW server_version_num")
        words, old = f"PostgreSQL {_value('SHOW server_version')}", int(number) < LEAST_POSTGRES
        if _value("SHOW server_encoding") != "UTF8":
            yield Finding("database", BAD, "Its encoding is not UTF8.", "Make it anew with ENCODING 'UTF8'.")
    else:
        words, old = f"SQLite {_value('SELECT sqlite_version()')}", _sqlite_version() < LEAST_SQLITE
        if (said := _value("PRAGMA quick_check(1)")) != "ok":
            yield Finding("database", BAD, f"The file is damaged: {said}", "Restore the last back-up.")
    yield Finding(
        "database", BAD if old else GOOD, words, "Upgrade it: this version is too old." if old else ""
    )


def _sqlite_version() -> tuple[int, ...]:
    return tuple(int(part) for part in _value("SELECT sqlite_version()").split("."))


def _tables() -> Iterator[Finding]:
    if pending := conditions.pending_migrations():
        words = f"{len(pending)} migrations wait: {', '.join(pending[:5])}"
        yield Finding("tables", BAD, words, "Run `manage.py migrate`.")
        return
    yield Finding("tables", GOOD, "up to date")
    table = "pg_trigger WHERE tgname" if connection.vendor == "postgresql" else "sqlite_master WHERE name"
    # One guards new heaters, one those that are altered.
    if int(_value(f"SELECT COUNT(*) FROM {table} LIKE 'heaters_no_overlap%'")) < 2:  # noqa: S608 - ours
        words = "The guard against two heaters in one place at one time is gone."
        mend = "Restore it: the statements stand in heaters/migrations, 0002_no_overlap.py and 0006_no_overlap_of_new.py."
        yield Finding("tables", BAD, words, mend)
    if gone := trigrams.missing(connection):
        names = ", ".join(one.name for one in gone)
        words = f"A part of a word is looked for in every row, since an index is missing: {names}."
        mend = "Have a role that may do so run `CREATE EXTENSION pg_trgm` in this database, then run `manage.py migrate`."
        yield Finding("tables", DOUBTFUL, words, mend)


def _kept_sums() -> Iterator[Finding]:
    """Sums by building and by property that pages show; some of them are compared with what they were counted from."""
    found = []
    if gone := marks.missing(due_sums.KEPT.watched + record_sums.KEPT.watched, connection):
        found.append((f"Changes go unseen: {', '.join(gone)} is gone.", "Run `manage.py migrate`."))
    mend = "Run `manage.py count-again`, and report it: it is our error."
    for kept, most, places in ((due_sums.KEPT, 200, "buildings"), (record_sums.KEPT, 20, "properties")):
        if number := len(kept_sums.wrong(kept, most)):
            words = how_many(number, kept.place, places)
            found.append((f"{words} looked at: kept sums are not true", mend))
    yield from (Finding("kept sums", BAD, words, how) for words, how in found)
    if not found:
        yield Finding("kept sums", GOOD, "as counted now, where looked at")


def _jobs() -> Iterator[Finding]:
    now = timezone.now()
    with unscoped("the operator looks at all jobs"):
        oldest = Job.objects.filter(state=Job.State.WAITING, run_after__lte=now).order_by("run_after").first()
        given_up = Job.objects.filter(
            state=Job.State.GIVEN_UP, finished_at__gt=now - timedelta(days=7)
        ).count()
    if oldest and now - oldest.run_after > OLDEST_WAITING:
        waited = a_wait(round((now - oldest.run_after).total_seconds() / 60))
        words = f"the oldest ({oldest.kind} {oldest.pk}) has waited {waited}"
        yield Finding("jobs", BAD, words, "Start a worker, or one more of its queue.")
    else:
        yield Finding("jobs", GOOD, "none waits long")
    if given_up:
        words = f"{given_up} were given up in the last 7 days"
        yield Finding("jobs", DOUBTFUL, words, "`manage.py jobs` names them; --retry NUMBER tries one again.")


def _workers() -> Iterator[Finding]:
    for queue in worker_signs.silent_queues():
        at = worker_signs.heard()[queue]
        words = f"nobody has worked off {queue} " + (f"since {at:%Y-%m-%d %H:%M} UTC" if at else "yet")
        if settings.EMBEDDED:
            yield Finding("workers", DOUBTFUL, words, "`manage.py start` runs one beside the pages.")
        else:
            mend = f"Start a worker of the queue {queue}, and beat; see docker-compose.yml."
            yield Finding("workers", BAD, words, mend)
    if not worker_signs.silent_queues():
        yield Finding("workers", GOOD, "heard within the last 10 minutes")


def _queue() -> Iterator[Finding]:
    if not settings.REDIS_URL:
        return
    if not conditions.queue_answers():
        yield Finding("queue", BAD, "Redis does not answer", "Is it running, and is ALMANAC_REDIS_URL right?")
        return
    import redis

    try:
        with redis.Redis.from_url(settings.REDIS_URL, socket_timeout=2) as queue:
            policy: Any = queue.config_get("maxmemory-policy")
        kept = policy.get("maxmemory-policy", "noeviction")
    except redis.RedisError:
        kept = "noeviction"  # a served Redis may not tell its settings
    if kept != "noeviction":
        words = f"Redis may throw messages away ({kept})"
        yield Finding("queue", DOUBTFUL, words, "Set maxmemory-policy noeviction.")
    else:
        yield Finding("queue", GOOD, "Redis answers")


def _mail() -> Iterator[Finding]:
    if not settings.MAIL_SET_UP:
        yield Finding(
            "mail", DOUBTFUL, "no mail server is set, so nobody is told by mail", "Set ALMANAC_SMTP_HOST."
        )
        return
    place = f"{settings.EMAIL_HOST}:{settings.EMAIL_PORT}"
    sort = smtplib.SMTP_SSL if settings.EMAIL_USE_SSL else smtplib.SMTP
    try:
        with sort(settings.EMAIL_HOST, settings.EMAIL_PORT, timeout=5) as server:
            server.ehlo()
            if settings.EMAIL_USE_TLS:
                server.starttls()
    except (OSError, smtplib.SMTPException, socket.gaierror) as error:
        words = f"{place} does not take mail ({type(error).__name__})"
        yield Finding(
            "mail", BAD, words, "Check ALMANAC_SMTP_HOST, ALMANAC_SMTP_PORT and ALMANAC_SMTP_SECURITY."
        )
        return
    safe = (
        settings.EMAIL_USE_SSL or settings.EMAIL_USE_TLS or settings.EMAIL_HOST in ("localhost", "127.0.0.1")
    )
    if settings.EMAIL_HOST_PASSWORD and not safe:
        words = f"{place} is given the password unencrypted"
        yield Finding("mail", BAD, words, "Set ALMANAC_SMTP_SECURITY=starttls or tls.")
    else:
        yield Finding("mail", GOOD, f"{place} answers")


def _back_ups() -> Iterator[Finding]:
    if settings.BACKUPS == "elsewhere":
        yield Finding("back-ups", GOOD, "made elsewhere, as ALMANAC_BACKUPS says")
        return
    at = worker_signs.backed_up_at()
    if at is None or timezone.now() - at > BACK_UP_EVERY:
        words = f"the last was made on {at:%Y-%m-%d}" if at else "none was ever made"
        mend = "Run `manage.py back-up FILE` every day; ALMANAC_BACKUPS=elsewhere if another program does it."
        yield Finding("back-ups", DOUBTFUL, words, mend)
    else:
        yield Finding("back-ups", GOOD, f"the last was made {at:%Y-%m-%d %H:%M} UTC")


def _clock() -> Iterator[Finding]:
    if connection.vendor == "postgresql":
        told = datetime.fromtimestamp(float(_value("SELECT EXTRACT(EPOCH FROM clock_timestamp())")), UTC)
        off = abs((datetime.now(UTC) - told).total_seconds())
        if off > CLOCK_OFF_SECONDS:
            words = f"{off:.0f} s from the database's"
            yield Finding("clock", BAD, words, "Let both machines follow a time server.")
            return
        yield Finding("clock", GOOD, f"{off:.1f} s from the database's")


def _file_scanner() -> Iterator[Finding]:
    if not settings.FILE_SCANNER:
        return
    if words := scanner.refusal(b"This file is harmless."):
        mend = "Run the command of ALMANAC_FILE_SCANNER by hand; until it answers no file is taken."
        yield Finding("file scanner", BAD, f"It refuses a harmless file. {words}", mend)
    else:
        yield Finding("file scanner", GOOD, "answers")


def _value(statement: str) -> str:
    with connection.cursor() as cursor:
        cursor.execute(statement)
        row = cursor.fetchone()
    return str(row[0]) if row else ""


PARTS: tuple[Callable[[], Iterator[Finding]], ...] = (
    _settings, _data_folder, _database, _tables, _kept_sums, _jobs, _workers, _queue, _mail, _back_ups, _clock,
    _file_scanner,
)  # fmt: skip
ON_DATABASE = (_tables, _kept_sums, _jobs, _workers, _back_ups, _clock)
