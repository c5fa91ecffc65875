"""What no line of the program does, read from the source itself: the linter looks at style, this at doors."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from django.conf import settings

ROOT = Path(settings.ROOT)


@cache
def nodes() -> list[tuple[str, ast.AST]]:
    """(file, node) of every call and import, walked once."""
    wanted = (ast.Call, ast.Import, ast.ImportFrom)
    return [
        (path.relative_to(ROOT).as_posix(), node)
        for folder in ("fleet", "api", "forecasting")
        for path in (ROOT / folder).rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, wanted)
    ]


@cache
def calls() -> list[tuple[str, str, ast.Call]]:
    """(file, what is called as written, the call)."""
    return [(file, _dotted(node.func), node) for file, node in nodes() if isinstance(node, ast.Call)]


def _dotted(node: ast.expr) -> str:
    """`a.b.c` as written; what is called on anything else begins with `…`. (Unparsing everything takes seconds.)"""
    if isinstance(node, ast.Name):
        return node.id
    return f"{_dotted(node.value)}.{node.attr}" if isinstance(node, ast.Attribute) else "…"


def imports() -> Iterator[tuple[str, str]]:
    for file, node in nodes():
        if isinstance(node, ast.Import):
            yield from ((file, one.name) for one in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield file, node.module


def test_no_code_is_built_and_no_command_is_run_from_what_comes_in() -> None:
    built = {"eval", "exec", "compile", "__import__", "os.system", "os.popen", "pickle.load", "pickle.loads"}
    assert {(file, called) for file, called, _ in calls() if called in built} == set()
    runs = {file for file, module in imports() if module in ("subprocess", "pty", "pexpect", "marshal")}
    # It starts its own worker beside the pages; the command line is written there. A file scanner is the operator's
    # command, and what people send reaches it by its input alone.
    assert runs == {"fleet/estate/management/commands/start.py", "fleet/heaters/scanner.py"}
    shells = [file for file, _, call in calls() for word in call.keywords if word.arg == "shell"]
    assert shells == []


def test_no_pattern_of_words_comes_from_outside() -> None:
    """`.format` is called on words that stand in the program (constants, or tables that it ships), nowhere else."""
    known = {
        "SCENARIO_WORDS[name]",
        "NOT_AN_EXPORT",
        "words['notice_off']",
        "OVERLAP",
        "_NEVER_SEEN",
        "_AS_SPAN",
        "one.place",
        "self.property_of",
        "pattern",
        "first.OVERLAP",
        "self.place",
    }
    found = {
        ast.unparse(call.func.value)
        for _, _, call in calls()
        if isinstance(call.func, ast.Attribute)
        and call.func.attr == "format"
        and not isinstance(call.func.value, ast.Constant)
    }
    assert found - known == set()


def test_every_door_s_chance_comes_from_the_operating_system() -> None:
    """`random` is for futures and made estates; what must not be guessed comes from `secrets`."""
    guessed = {file for file, module in imports() if module in ("random", "numpy.random")}
    assert not [file for file in guessed if file.startswith(("fleet/estate/", "api/", "fleet/reminders/"))]
    short = []
    for file, called, call in calls():
        if called in ("secrets.token_urlsafe", "secrets.token_hex", "secrets.token_bytes"):
            size = call.args[0] if call.args else None
            if isinstance(size, ast.Constant) and isinstance(size.value, int) and size.value < 16:
                short.append((file, size.value))
    # Which device it is; a test call's name; four of these make a first password of 64 bits, shown once.
    assert set(short) == {
        ("fleet/estate/throttle.py", 12),
        ("fleet/reminders/hooks.py", 4),
        ("fleet/estate/services.py", 2),
    }


def test_digests_and_ciphers_are_the_ones_written_down() -> None:
    weak = {"hashlib.md5", "hashlib.sha1", "hashlib.new"}
    # Lists of stolen passwords come as SHA-1, which guards nothing there.
    listed = {("fleet/estate/leaked_passwords.py", "hashlib.sha1")}
    assert {(file, called) for file, called, _ in calls() if called in weak} == listed
    used = {called for _, called, _ in calls() if re.fullmatch(r"hashlib\.\w+", called)}
    assert used - {"hashlib.sha1"} == {
        "hashlib.sha256",
        "hashlib.blake2b",
    }  # the second for ETags of 128 bits
    cipher = {module for _, module in imports() if module.startswith(("cryptography", "Crypto", "nacl"))}
    assert cipher == {
        "cryptography.fernet",
        "cryptography.hazmat.primitives.hashes",
        "cryptography.hazmat.primitives.kdf.hkdf",
    }


def test_no_certificate_goes_unchecked() -> None:
    unchecked = [
        (file, ast.unparse(call))
        for file, called, call in calls()
        if called.endswith("_create_unverified_context")
        or any(
            word.arg in ("verify", "verify_ssl", "ssl_cert_reqs", "check_hostname")
            and ast.unparse(word.value) in ("False", "None", "'none'")
            for word in call.keywords
        )
    ]
    assert unchecked == []


def test_scripts_build_no_page_from_text_and_touch_no_prototype() -> None:
    wrong = re.compile(
        r"__proto__|\.prototype\b|constructor\[|innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function"
    )
    scripts = [*ROOT.glob("fleet/*/static/**/*.js"), *ROOT.glob("fleet/*/templates/**/*.js")]
    assert len(scripts) >= 9
    assert [path.name for path in scripts if wrong.search(path.read_text(encoding="utf-8"))] == []


def test_the_image_and_the_wheel_hold_no_tests() -> None:
    ignored = (ROOT / ".dockerignore").read_text(encoding="utf-8").split()
    assert {"tests", ".git", ".env"} <= set(ignored)
    assert 'packages = ["fleet", "forecasting", "api"]' in (ROOT / "pyproject.toml").read_text(
        encoding="utf-8"
    )


def test_log_lines_go_to_the_standard_error_alone() -> None:
    from fleet.operating.logs import logging_settings

    for embedded in (True, False):
        handlers = logging_settings(embedded, "INFO")["handlers"]
        assert {handler["class"] for handler in handlers.values()} == {"logging.StreamHandler"}
