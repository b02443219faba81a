"""What is said about errors that were met: what, on how many, where, and what to do."""

from __future__ import annotations

import errno

import pytest

from verifier.report.words import TO_DO, problem_line
from verifier.tree.names import to_text


@pytest.mark.parametrize(
    ("problem", "line"),
    [
        (
            ("open", "EACCES", 312, "accounts", 1),
            "EACCES (open) on 312 entries under accounts/: run as a user who may read them",
        ),
        (("list", "EACCES", 1, "", 1), "EACCES (list) on 1 entry: run as a user who may read them"),
        (
            ("read", "EIO", 2, "a/b", 3),
            "EIO (read) on 2 entries under a/b/ after 3 attempts: the medium cannot be read: look at the disk, cable "
            "and controller, then scan again",
        ),
        (("stat", "EWHATEVER", 1234, "", 2), "EWHATEVER (stat) on 1,234 entries after 2 attempts"),
        (
            ("read", "changed while being read", 1, "", 3),
            "changed while being read (read) on 1 entry after 3 attempts: somebody was writing there: freeze or "
            "snapshot the side",
        ),
        (
            ("read", "no answer for 60 s", 1, "x", 1),
            "no answer for 60 s (read) on 1 entry under x/: the share or the disk hung there: look at both, then scan "
            "again",
        ),
        (
            ("read again", "content changed, size and times did not", 1, "", 1),
            "content changed, size and times did not (read again) on 1 entry: bytes changed under an unchanged size "
            "and time: suspect the disk, and compare with another copy",
        ),
    ],
)
def test_a_kind_of_error_is_one_line_that_says_what_to_do(problem: tuple[str, str, int, str, int], line: str) -> None:
    """Error, operation, count, the deepest common folder, attempts where there were several, and the next step."""
    assert problem_line(*problem) == line


@pytest.mark.parametrize("name", [b"a\nb", b"\x1b[2J", b"\xff", "\u202e".encode()])
def test_a_folder_of_any_name_is_one_line_and_does_nothing(name: bytes) -> None:
    """Names are data: shown escaped."""
    assert problem_line("open", "EACCES", 2, to_text(name), 1).isprintable()


def test_every_error_with_advice_is_an_error() -> None:
    """A name that no system gives would never be advised about (errno(3))."""
    # ENOKEY and its like are Linux's; what a platform lacks it cannot raise.
    assert {name for name in TO_DO if not hasattr(errno, name)} <= {"EREMOTEIO", "EUCLEAN", "ENOKEY", "EBADMSG"}
    assert all(TO_DO.values())
