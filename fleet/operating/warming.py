"""What a process would else do at its first requests, done once before the processes that serve pages are forked.

It costs about three seconds of processor: without it each new process, at the start and after every so many requests,
lets the people wait who happen to reach it first. Nothing here opens a connection: forked processes must not share one.
"""

from __future__ import annotations

import gc
from importlib import import_module
from pathlib import Path

from django.apps import apps
from django.template import Engine
from django.template.loader import get_template
from django.urls import get_resolver

from fleet.care.kinds import task_kinds

# The science that pages ask for, imported inside the functions that do; what only workers need is left out.
SCIENCE = ("forecasting.lifetimes", "forecasting.anode", "forecasting.scale", "scipy.stats")


def warm() -> None:
    """Import all views, compile the pages' templates, read the tables that ship with the program."""
    # Read for what reading them imports: every view, and what every template is given.
    _ = get_resolver().namespace_dict, Engine.get_default().template_context_processors
    for name in SCIENCE:
        import_module(name)
    task_kinds()
    for config in apps.get_app_configs():
        folder = Path(config.path) / "templates"
        if config.name.startswith(("fleet.", "api")):
            for page in sorted(folder.rglob("*.html")):
                get_template(page.relative_to(folder).as_posix())
    gc.collect()
    gc.freeze()  # what stands now is kept for good: no collection needs to walk it, and forked processes share it
