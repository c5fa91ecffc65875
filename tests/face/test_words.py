"""Every name that the product shows has been asked: whose word is it, and would it bring one program to mind?"""

from __future__ import annotations

from tests.face import collected


def test_every_name_stands_in_the_table_and_nothing_stale_does() -> None:
    shown, known = collected.everything(), collected.table()
    assert len(shown) > 500
    new = sorted(shown - set(known))
    assert new == [], (
        "Add these to tests/face/words.csv (see tests/face/collected.py), and say whose word each is."
    )
    gone = sorted(set(known) - shown)
    assert gone == [], "No page shows these any more: take them out of tests/face/words.csv."


def test_every_row_says_whose_word_it_is() -> None:
    assert {row["whose"] for row in collected.table().values()} == collected.WHOSE
