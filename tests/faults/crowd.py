"""Very many people at once: some leaf through the office's pages, some work through their day on a phone.

In the office a page is read for 12 seconds on the average, on a phone 18 seconds pass between two findings; each pause
lies evenly between 0.3 and 1.7 of that. Both are judgement, no source, and on the hard side: a page of figures is read for
longer, and a flush takes forty minutes. Nobody asks again before she has her answer, so the load is bounded: at most
14 requests a second of a hundred and a hundred. Every page is asked for as often as any other, whether it is dear or cheap.

A phone keeps each entry until the server has answered for it and sends it again after every failure, as the page that
phones keep does; now and then it sends one twice on purpose. Every answer's time and outcome is kept.
"""

from __future__ import annotations

import asyncio
import random
import time
import uuid
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime
from statistics import quantiles
from typing import Any

import httpx

OFFICE_PAUSE, PHONE_PAUSE = 12.0, 18.0  # seconds between two things a person does, on the average
TWICE = 0.1  # of all entries
PATIENCE = 30.0


@dataclass
class Seen:
    """What all users saw."""

    times: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    failures: Counter[str] = field(default_factory=Counter)
    results: Counter[str] = field(default_factory=Counter)
    differently: Counter[str] = field(default_factory=Counter)  # what an entry came to at first, and then
    words: Counter[str] = field(default_factory=Counter)  # said of entries that were not simply kept
    answered: dict[str, str] = field(default_factory=dict)  # an entry's key -> what came of it
    waiting: set[str] = field(default_factory=set)

    def table(self) -> str:
        rows = [*sorted(self.times.items()), ("all", [one for times in self.times.values() for one in times])]
        lines = [f"{'asked for':<24}{'times':>8}{'median ms':>11}{'p95':>8}{'p99':>8}{'longest':>9}"]
        for name, times in rows:
            cuts = quantiles(times, n=100) if len(times) > 1 else [0.0] * 99
            shown = "".join(f"{cuts[at] * 1000:>{wide}.0f}" for at, wide in ((49, 11), (94, 8), (98, 8)))
            lines.append(f"{name:<24}{len(times):>8}{shown}{max(times, default=0) * 1000:>9.0f}")
        return "\n".join(lines)


@dataclass
class Person:
    """Asks with her own session; a refusal or a broken line is counted and never ends her day."""

    http: httpx.AsyncClient
    session: dict[str, str]
    seen: Seen
    chance: random.Random
    csrf: str = ""

    async def ask(self, name: str, address: str, body: Any = None) -> httpx.Response | None:
        began = time.perf_counter()
        try:
            if body is None:
                answer = await self.http.get(address, cookies=self.session)
                if answer.status_code == 302 and "sign-in" not in (there := answer.headers["location"]):
                    answer = await self.http.get(there, cookies=self.session)  # as a browser does, at once
            else:
                headers = {"X-CSRFToken": self.csrf}
                cookies = {**self.session, "csrftoken": self.csrf}
                answer = await self.http.post(address, json=body, cookies=cookies, headers=headers)
        except httpx.HTTPError as error:
            self.seen.failures[f"{name}: {type(error).__name__}"] += 1
            return None
        self.seen.times[name].append(time.perf_counter() - began)
        if answer.status_code >= 400 or (
            answer.status_code == 302 and "sign-in" in answer.headers["location"]
        ):
            self.seen.failures[f"{name}: {answer.status_code}"] += 1
            return None
        return answer

    async def pause(self, seconds: float) -> None:
        await asyncio.sleep(self.chance.uniform(0.3, 1.7) * seconds)


async def in_the_office(person: Person, addresses: dict[str, list[str]], until: float) -> None:
    await person.pause(OFFICE_PAUSE)
    while time.monotonic() < until:
        name = person.chance.choice(list(addresses))
        await person.ask(name, person.chance.choice(addresses[name]))
        await person.pause(OFFICE_PAUSE)


async def on_the_phone(person: Person, until: float) -> None:
    """Fetch the day, then task after task; what has no answer yet goes out again before anything new."""
    await person.pause(PHONE_PAUSE)
    tasks: list[tuple[int, dict[str, str]]] = []
    kept: list[dict[str, Any]] = []
    while time.monotonic() < until or kept:
        if not tasks and time.monotonic() < until:
            tasks = await _day(person)
        if tasks and time.monotonic() < until:
            number, answers = tasks.pop()
            now = datetime.now(UTC).isoformat()
            entry = {"key": str(uuid.UUID(int=person.chance.getrandbits(128), version=4)), "kind": "done"}
            kept.append(entry | {"task": number, "claimed_at": now, "answers": answers})
            person.seen.waiting.add(entry["key"])
        if kept:
            await _send(person, kept)
        if time.monotonic() >= until + PATIENCE * 4:
            return
        await person.pause(PHONE_PAUSE if time.monotonic() < until else 1)


async def _day(person: Person) -> list[tuple[int, dict[str, str]]]:
    answer = await person.ask("phone: the day", "/work/phone/day/")
    if answer is None:
        return []
    day = answer.json()
    person.csrf = day["csrf"]
    return [
        (task["id"], answers_to(day["kinds"][task["kind"]]["fields"]))
        for visit in day["visits"]
        for heater in visit["heaters"]
        for task in heater["tasks"]
    ]


def answers_to(fields: list[dict[str, Any]]) -> dict[str, str]:
    """What is usually found: nothing unsafe, numbers in the middle of their usual range."""
    found = {}
    for one in fields:
        if one["type"] == "number":
            low = one.get("usual_low", one.get("low", 0))
            # To four figures and not to a whole number: the middle of 0.005 to 0.06 in of water is not 0.
            found[one["name"]] = f"{(low + one.get('usual_high', one.get('high', low))) / 2:.4g}"
        elif one["type"] == "choice":
            found[one["name"]] = next(
                choice for choice in one["choices"] if choice not in one.get("unsafe", ())
            )
        else:
            found[one["name"]] = "as usual"
    return found


async def _send(person: Person, kept: list[dict[str, Any]]) -> None:
    for _ in range(2 if person.chance.random() < TWICE else 1):
        body = {"device_now": datetime.now(UTC).isoformat(), "entries": list(kept)}
        answer = await person.ask("phone: findings sent", "/work/phone/sync/", body)
        if answer is None:
            return
        for one in answer.json()["results"]:
            if one["result"] != "later":
                if one["key"] not in person.seen.answered and one["result"] != "kept":
                    person.seen.words[one["words"]] += 1
                first = person.seen.answered.setdefault(one["key"], one["result"])
                if first != one["result"]:
                    person.seen.differently[f"{first}, then {one['result']}"] += 1
    for entry in list(kept):
        if entry["key"] in person.seen.answered:
            kept.remove(entry)
            person.seen.waiting.discard(entry["key"])


async def crowd(address: str, people: dict[str, Any], seconds: float, number: int) -> Seen:
    """All people of `people` (what `tests.faults.inside_crowd prepared` gave), for so many seconds."""
    seen, until = Seen(), time.monotonic() + seconds
    limits = httpx.Limits(max_connections=None, max_keepalive_connections=0)
    async with httpx.AsyncClient(base_url=address, timeout=PATIENCE, limits=limits) as http:

        def person(place: int, session: dict[str, str]) -> Person:
            return Person(http, session, seen, random.Random(f"{number} {place}"))

        office, phones = people["office"], people["phones"]
        days = [in_the_office(person(at, one), people["addresses"], until) for at, one in enumerate(office)]
        days += [on_the_phone(person(1000 + at, one), until) for at, one in enumerate(phones)]
        await asyncio.gather(*days)
    seen.results.update(seen.answered.values())
    return seen
