"""What a message says, and that nothing in it does anything."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Final

import pytest

from tests.messages.nights import DIGEST, night, run, worse
from verifier.classes import Class, Phase, VerdictKind
from verifier.job.job import Occasion
from verifier.ledger.record import News, Outcome, RunRecord
from verifier.messages.advice import to_do
from verifier.messages.wording import LONGEST_SUBJECT, WIDTH, compose, compose_test
from verifier.report.amounts import share_of

FOLDER: Final = Path("/srv/evidence/herbarium")


def said(body: str) -> str:
    """Return a body with its lines joined, so that it can be searched whatever the width."""
    return " ".join(body.split())


def test_a_message_about_damage_says_what_is_new_first() -> None:
    """Subject and first line are the headline; then the gravest by name, verdict, sides, what to do, and where."""
    message = compose("herbarium", night(run(0), worse(1)), Occasion.WORSE, FOLDER)
    assert message.subject == "[herbarium] 2 new damaged files, 1 repaired, 14 known and accepted"
    assert message.body.startswith("2 new damaged files, 1 repaired, 14 known and accepted\n")
    assert (message.run, message.occasion) == ("20261202T023000Z", Occasion.WORSE)
    parts = [
        "Verdict: Not trustworthy.",
        "- 2 files with changed content",
        "- silent  scans/1887/sheet-0042.tif",
        "old: /mnt/old",
        "12,000 files, 1 TB; read this time 2,000 files, 30 GB in 1 h 02 min",
        "99.9 % of its files read within the promised time; the longest unread on",
        "verifier inspect DIR PATH",
        "copy again from the other side while that is there",
        "/srv/evidence/herbarium/runs/20261202T023000Z/report.html",
        "/srv/evidence/herbarium/history.html",
        "it proves later that no entry was removed",
        DIGEST,
        "A verified copy is not a backup.",
    ]
    places = [said(message.body).find(" ".join(part.split())) for part in parts]
    assert -1 not in places, parts[places.index(-1)]
    assert places == sorted(places)


@pytest.mark.parametrize(
    ("record", "subject"),
    [
        (run(0, Outcome.COULD_NOT_RUN), "[herbarium] could not run: /mnt/new is not mounted"),
        (
            replace(run(0, Outcome.INTERRUPTED), reasons=("the new side went away",)),
            "[herbarium] interrupted: the new side went away",
        ),
        (replace(run(0, Outcome.KILLED), reasons=()), "[herbarium] ended from outside without a word"),
        (
            replace(run(0, Outcome.WINDOW_ENDED), reasons=("71 of 100 TB are read",)),
            "[herbarium] not finished in its time window: 71 of 100 TB are read",
        ),
        (run(0), "[herbarium] trustworthy"),
        (replace(run(0), news=News(headline="Nothing new.")), "[herbarium] Nothing new"),
    ],
    ids=["could not run", "interrupted", "killed", "window", "no headline", "headline"],
)
def test_a_subject_says_how_the_run_ended(record: RunRecord, subject: str) -> None:
    """Whoever reads subjects only knows whether to get up."""
    assert compose("herbarium", night(record), Occasion.EVERY, FOLDER).subject == subject


def test_a_window_that_ends_again_and_again_says_how_often() -> None:
    """What is told at the third time is that it is the third."""
    ended = [run(n, Outcome.WINDOW_ENDED) for n in range(3)]
    subject = compose("herbarium", night(*ended), Occasion.FAILURE, FOLDER).subject
    assert "not finished in its time window, 3 times since it last finished: " in subject


@pytest.mark.parametrize("name", ["a\nBcc: all@garden.example", "\x1b[2J", "\u202egpj", "\udcff", "\r\n\r\n", "\u2028"])
def test_a_name_can_do_nothing_in_subject_or_body(name: str) -> None:
    """Names are data: no line break, no control or format character, and UTF-8 whatever it was."""
    record = replace(
        worse(0),
        reasons=(name,),
        warnings=(name,),
        news=News(new=1, headline=f"1 new: {name}", lines=(f"silent  {name}",)),
    )
    failed = replace(run(1, Outcome.COULD_NOT_RUN), reasons=(name,))
    for one in (night(record), night(record, failed)):
        message = compose(f"herb{name}", one, Occasion.WORSE, FOLDER / name, weekly=True)
        assert message.subject.isprintable()
        assert all(line.isprintable() for line in message.body.split("\n"))
        assert "\nBcc" not in message.body
        (message.subject + message.body).encode()


def test_lines_and_subjects_are_never_too_long() -> None:
    """RFC 5322, section 2.1.1: 78 characters a line, and a header line never has more than 998."""
    long = "sheets/" * 200
    record = replace(
        worse(0),
        reasons=(long,) * 30,
        warnings=(long,),
        news=News(new=1, headline=long, lines=(f"silent  {long}",) * 50),
    )
    message = compose(long, night(record), Occasion.WEEKLY, FOLDER / long, weekly=True)
    assert len(message.subject) <= LONGEST_SUBJECT
    assert max(map(len, message.body.split("\n"))) <= WIDTH
    assert "... and 30 more, in the report" in message.body


def test_what_is_left_out_is_counted() -> None:
    """A list that ends early says by how much."""
    lines = tuple(f"silent  sheet-{number}.tif" for number in range(25))
    message = compose("herbarium", night(replace(worse(0), news=News(new=25, lines=lines))), Occasion.WORSE, FOLDER)
    assert "sheet-19.tif" in message.body
    assert "sheet-20.tif" not in message.body
    assert "... and 5 more, in the report" in message.body


def test_the_weeks_summary_has_a_line_for_each_run_and_counts_them() -> None:
    """Whoever hears once a week hears of every night in it, and of no other."""
    runs = (worse(0), run(1), run(2, Outcome.COULD_NOT_RUN), *(run(n) for n in range(3, 8)))
    message = compose("herbarium", night(*runs), Occasion.WEEKLY, FOLDER, weekly=True)
    assert message.subject == "[herbarium] week: 6 of 7 runs finished, nothing new; last run: trustworthy"
    assert "2026-12-01 02:30" not in message.body
    assert "  2026-12-02 02:30  trustworthy\n" in message.body
    assert "  2026-12-03 02:30  could not run: /mnt/new is not mounted\n" in message.body
    assert "Read on the old side: 14,000 files, 210 GB." in message.body
    assert "The last seven days" not in compose("herbarium", night(*runs), Occasion.EVERY, FOLDER).body


def test_a_week_of_many_runs_shows_the_latest() -> None:
    """A job that runs every hour does not fill a mail."""
    runs = [run(0, hours=number) for number in range(30)]
    body = compose("herbarium", night(*runs), Occasion.WEEKLY, FOLDER, weekly=True).body
    assert "30 runs finished" in body
    assert "... 16 earlier runs, in the history" in body
    assert body.count("  trustworthy\n") == 14


@pytest.mark.parametrize(
    ("part", "whole", "text"),
    [(3, 3, "100 %"), (0, 0, "100 %"), (9_999, 10_000, "99.9 %"), (1, 2, "50 %"), (0, 9, "0 %")],
)
def test_a_share_is_never_rounded_up(part: int, whole: int, text: str) -> None:
    """All is said of all only."""
    assert share_of(part, whole) == text


@pytest.mark.parametrize("outcome", list(Outcome))
def test_every_end_has_a_next_step(outcome: Outcome) -> None:
    """Nobody is told of something without what to do about it."""
    record = run(0, outcome) if outcome is not Outcome.FINISHED else worse(0)
    assert all(to_do(record))
    assert to_do(record) != ("Nothing.",)


def test_the_next_step_depends_on_what_was_found() -> None:
    """Silent damage, what is missing, a wrong job file: each has its own; a good night has none."""
    assert to_do(run(0)) == ("Nothing.",)
    assert "job check" in to_do(replace(run(0, Outcome.COULD_NOT_RUN), exit_code=2))[0]
    assert "mount it" in to_do(run(0, Outcome.COULD_NOT_RUN))[0]
    missing = replace(worse(0), causes={}, classes={"missing": (3, 3, 9)})
    assert "verifier recopy DIR" in to_do(missing)[0]
    assert not any("Silent" in text for text in to_do(missing))
    unread = replace(run(0), verdict=VerdictKind.INCONCLUSIVE, classes={cls.value: (1, 1, 1) for cls in Class})
    told = " ".join(to_do(unread))
    assert all(text in told for text in ("Could not be read: ", "Changed while being read: ", "Not read on both sides"))


def test_when_the_old_side_is_gone_nobody_is_sent_to_copy_from_it() -> None:
    """Advice that cannot be followed costs the hours in which a backup still has the files."""
    record = replace(worse(0), phase=Phase.RETIRED, classes={"missing": (1, 1, 1), "content-changed": (2, 2, 2)})
    told = " ".join(to_do(record))
    assert "backup" in told
    assert "other side" not in told
    assert "recopy" not in told


def test_a_test_message_says_that_it_is_one() -> None:
    """Nobody takes it for the result of a check."""
    message = compose_test("herbarium")
    assert message.subject == "[herbarium] test message"
    assert "Nothing was checked" in said(message.body)
