"""Every word that the product shows as a name: titles, columns, labels, buttons, states, commands, tasks, findings; and
what its colours and drawings are for.

    python -m tests.face.collected        lists those that `words.csv` does not know yet, ready to be added

Whoever adds one says in `words.csv` whose word it is: the trade's, an open standard's, plain English or our own, and so
has asked whether a practitioner would name one program on seeing it.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
TABLE = Path(__file__).parent / "words.csv"
WHOSE = {"trade", "open standard", "plain English", "ours"}
TAG = re.compile(r"{%.*?%}|{#.*?#}", re.DOTALL)
MARKUP = re.compile(r"<[^>]+>")
MADE_FIELD = re.compile(r'(?:one_property|some_properties)\(\s*"([^"]+)"')
FOUND_IN_TEMPLATES = {
    "page title": re.compile(r"{% block title %}(.*?){% endblock", re.DOTALL),
    "heading": re.compile(r"<h[123][^>]*>(.*?)</h[123]>", re.DOTALL),
    "column": re.compile(r'<th[^>]*scope="col"[^>]*>(.*?)</th>', re.DOTALL),
    "label": re.compile(r"<label[^>]*>(.*?)</label>", re.DOTALL),
    "button": re.compile(r"<button[^>]*>(.*?)</button>", re.DOTALL),
    "term": re.compile(r"<dt[^>]*>(.*?)</dt>", re.DOTALL),
}


def _pieces(text: str) -> Iterator[str]:
    """The fixed words of a piece of template: each branch by itself, without what is filled in."""
    for part in TAG.split(text):
        # A tag that holds a branch of its own is cut in two by it; neither half is a word.
        plain = re.sub(r"<[^>]*$|^[^<]*?(?:\"|checked|disabled|required)[^<>]*>", " ", MARKUP.sub(" ", part))
        for piece in re.split(r"{{.*?}}", plain):
            word = " ".join(piece.split()).strip(" .,:;·()–×?›>“”\"'")
            if re.search(r"[A-Za-z]{2}", word):
                yield word


def in_templates() -> set[tuple[str, str]]:
    found: set[tuple[str, str]] = set()
    for path in sorted([*ROOT.glob("fleet/*/templates/**/*.html"), *ROOT.glob("api/templates/**/*.html")]):
        text = path.read_text(encoding="utf-8")
        for kind, pattern in FOUND_IN_TEMPLATES.items():
            for match in pattern.findall(text):
                found |= {(kind, word) for word in _pieces(match)}
    return found


def in_models() -> set[tuple[str, str]]:
    """The words of every state and choice that is stored and shown."""
    from django.apps import apps

    found: set[tuple[str, str]] = set()
    for model in apps.get_models():
        if not model.__module__.startswith(("fleet.", "api.")):
            continue
        for field in model._meta.get_fields():
            for choice in getattr(field, "choices", None) or ():
                if str(choice[1]).strip():
                    found.add(("state or choice", str(choice[1])))
    return found


def in_menus_and_commands() -> set[tuple[str, str]]:
    from fleet.pages import navigation

    found = {("menu", label) for label, _, _ in (*navigation.MENU, *navigation.COMPANY_MENU)}
    for title, rows in navigation.MORE:
        found |= {("menu", title), *(("menu", label) for label, _, _ in rows)}
    commands = [*ROOT.glob("fleet/*/management/commands/*.py"), *ROOT.glob("api/management/commands/*.py")]
    return found | {("command", path.stem) for path in commands if path.stem != "__init__"}


def in_forms() -> set[tuple[str, str]]:
    """Labels that stand in Python. The address map and the settings are read first: they bring in every room's forms."""
    from django.conf import settings
    from django.forms import BaseForm
    from django.urls import get_resolver
    from django.utils.module_loading import import_string

    assert get_resolver().url_patterns
    for form in settings.MFA_FORMS.values():
        import_string(form)
    found, waiting = set(), list(BaseForm.__subclasses__())
    while waiting:
        form = waiting.pop()
        waiting += form.__subclasses__()
        if form.__module__.startswith(("fleet.", "api.")):
            fields = getattr(form, "base_fields", {}).values()
            found |= {("label", str(field.label)) for field in fields if field.label}
    for path in ROOT.glob("fleet/**/*.py"):
        found |= {("label", word) for word in MADE_FIELD.findall(path.read_text(encoding="utf-8"))}
    return found


def in_task_kinds() -> set[tuple[str, str]]:
    from fleet.care.kinds import task_kinds

    found = set()
    for kind in task_kinds().values():
        found.add(("task", kind.name))
        for field in kind.findings:
            found |= {("finding", field.label), *(("answer", choice) for choice in field.choices)}
    return found


def in_background_work() -> set[tuple[str, str]]:
    from fleet.estate.background import known_work

    kinds = known_work().values()
    return {("background work", work.name) for work in kinds if work.run.__module__.startswith("fleet.")}


def in_colours_and_icons() -> set[tuple[str, str]]:
    """What a colour is for (its name in the stylesheet), and each drawing of our own."""
    sheet = (ROOT / "fleet/pages/static/pages/almanac.css").read_text(encoding="utf-8")
    drawings = ROOT.glob("fleet/*/static/**/*.svg")
    return {("colour", name) for name in re.findall(r"--([a-z-]+):", sheet)} | {
        ("icon", path.stem) for path in drawings
    }


def everything() -> set[tuple[str, str]]:
    return (
        in_templates()
        | in_models()
        | in_menus_and_commands()
        | in_forms()
        | in_task_kinds()
        | in_background_work()
        | in_colours_and_icons()
    )


def table() -> dict[tuple[str, str], dict[str, str]]:
    with TABLE.open(encoding="utf-8", newline="") as file:
        return {(row["kind"], row["word"]): row for row in csv.DictReader(file)}


if __name__ == "__main__":
    import os
    import sys

    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")
    django.setup()
    known = table() if TABLE.exists() else {}
    writer = csv.writer(sys.stdout, lineterminator="\n")
    for kind, word in sorted(everything() - set(known)):
        writer.writerow([kind, word, "?"])
