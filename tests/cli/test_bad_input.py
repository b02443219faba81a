"""What cannot be meant or cannot run: one line on standard error, the right exit code, and nothing is written."""

from __future__ import annotations

import importlib
import multiprocessing
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import pytest

from tests.cli.conftest import Ended
from tests.reconcile.trees import FOLDER, Node, file, plant, scan_tree, snapshot, write_manifest
from tests.scan.scans import facts_of, let_the_second_pass
from verifier.cli.app import run

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from multiprocessing.connection import Connection

    from tests.cli.conftest import Command, Place

NOBODY: Final = 65534
"""A user and group without rights; any number but 0 would do."""


def hold_to_one_line(ended: Ended, code: int, *words: str) -> None:
    """Assert that a command ended with a code and one line that says these words, and printed nothing else."""
    assert ended.err.endswith("\n")
    assert len(ended.err.splitlines()) == 1, ended.err
    line = ended.err.removesuffix("\n")
    assert line.startswith("verifier: ")
    assert line.isprintable(), ascii(line)
    assert "Traceback" not in line
    for word in words:
        assert word in line
    assert ended.out == ""
    assert ended.code == code


class Case(NamedTuple):
    """A command line that is refused."""

    arguments: Callable[[Place], list[object]]
    code: int
    words: tuple[str, ...]


def check(*more: object, old: str = "old", new: str = "new", proof: str = "proof") -> Callable[[Place], list[object]]:
    """Return what builds a check of two places below the test's folder."""
    return lambda place: ["check", place.base / old, place.base / new, "--evidence", place.base / proof, *more]


def scan(place: Place) -> list[object]:
    """Return a scan of the old place."""
    return ["scan", place.old, "--manifest", place.base / "m"]


CASES: Final[dict[str, Case]] = {
    "old is not there": Case(check(old="nowhere"), 4, ("nowhere is not there", "mounted")),
    "new is not there": Case(check(new="nowhere"), 4, ("nowhere is not there", "mounted")),
    "neither is there": Case(check(old="nowhere", new="nirvana"), 4, ("nowhere is not there",)),
    "old is a file and no manifest": Case(check(old="old/a"), 2, ("a is not a manifest",)),
    "new is a file and no manifest": Case(check(new="new/a"), 2, ("a is not a manifest",)),
    "old is a pipe": Case(check(old="pipe"), 4, ("pipe is not a directory",)),
    "old is empty": Case(check(old="empty"), 4, ("old side", "empty", "nothing to check is not success")),
    "new is empty": Case(check(new="empty"), 4, ("new side", "empty", "mounted")),
    "both are empty": Case(check(old="empty", new="empty too"), 4, ("nothing to check is not success",)),
    "the same folder twice": Case(check(new="old"), 2, ("are the same folder",)),
    "the same folder through a link": Case(check(new="link"), 2, ("are the same folder",)),
    "the same folder with a slash": Case(
        lambda p: ["check", f"{p.old}", f"{p.old}/", "--evidence", p.proof], 2, ("same",)
    ),
    "new inside old": Case(check(new="old/b"), 2, ("lies inside",)),
    "old inside new": Case(check(old="new/b"), 2, ("lies inside",)),
    "evidence inside old": Case(check(proof="old/proof"), 2, ("nothing is ever written into a tree",)),
    "evidence deep inside new": Case(check(proof="new/x/y/proof"), 2, ("nothing is ever written into a tree",)),
    "evidence is a tree": Case(check(proof="new"), 2, ("nothing is ever written into a tree",)),
    "evidence through a link": Case(check(proof="link/proof"), 2, ("nothing is ever written into a tree",)),
    "evidence with other things": Case(check(proof="full"), 2, ("holds other things (keep me)",)),
    "evidence is a file": Case(check(proof="file"), 4, ("file cannot be made",)),
    "evidence below a file": Case(check(proof="file/proof"), 4, ("cannot be made",)),
    "an unknown algorithm": Case(check("--algorithm", "md5"), 2, ("--algorithm", "md5", "blake3")),
    "a rule file that is not there": Case(check("--rules", "nowhere.toml"), 2, ("nowhere.toml",)),
    "a rule file that is a folder": Case(lambda p: [*check()(p), "--rules", p.old], 2, ("old",)),
    "a rule file that is no TOML": Case(lambda p: [*check()(p), "--rules", p.base / "bad.toml"], 2, ("bad.toml",)),
    "a rule file that is no UTF-8": Case(lambda p: [*check()(p), "--rules", p.base / "bytes.toml"], 2, ("bytes.toml",)),
    "a rule with an unknown key": Case(
        lambda p: [*check()(p), "--rules", p.base / "key.toml"], 2, ("key.toml", "colour")
    ),
    "a map without a sign": Case(check("--map", "scans"), 2, ("--map 'scans'", "OLD_PREFIX=NEW_PREFIX")),
    "a map with two signs": Case(check("--map", "a=b=c"), 2, ("exactly one '='",)),
    "a map of nothing": Case(check("--map", "="), 2, ("maps nothing",)),
    "an empty map": Case(check("--map", ""), 2, ("--map ''",)),
    "a map to an absolute path": Case(check("--map", "a=/srv"), 2, ("not a path below a root",)),
    "a map from an absolute path": Case(check("--map", "/srv=a"), 2, ("not a path below a root",)),
    "a map that climbs out": Case(check("--map", "a=b/../../c"), 2, ("not a path below a root",)),
    "a map with a hole": Case(check("--map", "a//b=c"), 2, ("not a path below a root",)),
    "two maps of one folder": Case(check("--map", "a=b", "--map", "a/=c"), 2, ("two places", "keep one")),
    "a map with an escape sequence": Case(check("--map", "\x1b[2J"), 2, ("--map",)),
    "no number of readers": Case(check("--readers", "many"), 2, ("--readers 'many'", "auto")),
    "no readers": Case(check("--readers", "0"), 2, ("--readers '0'",)),
    "too many readers": Case(check("--readers", "65"), 2, ("1 to 64",)),
    "negative readers": Case(check("--readers", "-1"), 2, ("--readers",)),
    "half a reader": Case(check("--readers", "1.5"), 2, ("--readers '1.5'",)),
    "a sample of nothing": Case(check("--sample", "0"), 2, ("--sample '0' is nothing", "3000", "0.5%")),
    "a sample of no percent": Case(check("--sample", "0%"), 2, ("--sample '0%' is nothing",)),
    "a sample of more than all": Case(check("--sample", "101%"), 2, ("--sample '101%' is more than all files",)),
    "a sample in words": Case(check("--sample", "some"), 2, ("--sample 'some' is not a sample", "give a number")),
    "a negative sample": Case(check("--sample", "-5"), 2, ("--sample '-5' is not a sample",)),
    "a sample with a separator": Case(check("--sample", "3,000"), 2, ("--sample '3,000' is not a sample",)),
    "half a file": Case(check("--sample", "0.5"), 2, ("--sample '0.5' is not a sample",)),
    "an empty sample": Case(check("--sample", ""), 2, ("--sample '' is not a sample",)),
    "a sample with an escape sequence": Case(check("--sample", "\x1b[2J"), 2, ("is not a sample",)),
    "a sample of a listing": Case(check("--sample", "5", "--listing-only"), 2, ("--sample", "--listing-only")),
    "a seed without a sample": Case(check("--seed", "5"), 2, ("--seed", "give --sample")),
    "a seed in words": Case(
        check("--sample", "5", "--seed", "luck"), 2, ("--seed", "valid integer", "verifier check --help")
    ),
    "a negative seed": Case(check("--sample", "5", "--seed", "-1"), 2, ("--seed",)),
    "a seed beyond what JSON holds": Case(check("--sample", "5", "--seed", str(2**53)), 2, ("--seed",)),
    "scan of a sample": Case(lambda p: [*scan(p), "--sample", "5"], 2, ("--sample", "verifier scan --help")),
    "a rate in words": Case(check("--limit-rate", "fast"), 2, ("--limit-rate 'fast' is not a rate", "150MB/s")),
    "a rate without a unit": Case(check("--limit-rate", "150"), 2, ("--limit-rate '150' is not a rate",)),
    "a rate of an unknown unit": Case(check("--limit-rate", "5XB/s"), 2, ("--limit-rate",)),
    "a rate by the minute": Case(check("--limit-rate", "5MB/min"), 2, ("--limit-rate",)),
    "a rate of nothing": Case(check("--limit-rate", "0MB/s"), 2, ("--limit-rate '0MB", "is nothing")),
    "a rate of less than a byte": Case(check("--limit-rate", "0.2B/s"), 2, ("--limit-rate '0.2B", "is nothing")),
    "a negative rate": Case(check("--limit-rate=-5MB/s"), 2, ("--limit-rate '-5MB/s' is not a rate",)),
    "an empty rate": Case(check("--limit-rate", ""), 2, ("--limit-rate '' is not a rate",)),
    "a rate with an escape sequence": Case(check("--limit-rate", "\x1b[2J"), 2, ("--limit-rate",)),
    "a rate beyond all numbers": Case(check("--limit-rate", "9" * 400 + "MB/s"), 2, ("--limit-rate",)),
    "a stall in words": Case(check("--stall-after", "soon"), 2, ("--stall-after 'soon' is not a duration", "60s")),
    "a stall without a unit": Case(check("--stall-after", "60"), 2, ("--stall-after '60' is not a duration",)),
    "a stall of no time": Case(check("--stall-after", "0s"), 2, ("--stall-after '0s'", "nothing")),
    "a stall of bytes": Case(check("--stall-after", "60MB"), 2, ("--stall-after",)),
    "an empty stall": Case(check("--stall-after", ""), 2, ("--stall-after '' is not a duration",)),
    "reread without reuse": Case(check("--reread", "30d"), 2, ("--reread", "nothing is reused", "--reuse MANIFEST")),
    "a budget without reuse": Case(check("--reread-budget", "5GB"), 2, ("--reread-budget", "nothing is reused")),
    "reread in words": Case(check("--reuse", "m", "--reread", "some"), 2, ("--reread 'some'", "all, never", "30d")),
    "reread of no unit": Case(check("--reuse", "m", "--reread", "30"), 2, ("--reread '30' is not known",)),
    "an empty reread": Case(check("--reuse", "m", "--reread", ""), 2, ("--reread '' is not known",)),
    "reread of an age of nothing": Case(check("--reuse", "m", "--reread", "0d"), 2, ("--reread '0d'", "nothing")),
    "reread beyond all time": Case(check("--reuse", "m", "--reread", "9" * 20 + "d"), 2, ("longer than a century",)),
    "a budget in words": Case(check("--reuse", "m", "--reread-budget", "much"), 2, ("--reread-budget 'much'", "500GB")),
    "a budget of nothing": Case(check("--reuse", "m", "--reread-budget", "0h"), 2, ("--reread-budget '0h'", "nothing")),
    "a budget to read nothing": Case(
        check("--reuse", "m", "--reread", "never", "--reread-budget", "4h"), 2, ("--reread never", "leave one of them")
    ),
    "reuse of nothing": Case(lambda p: [*check()(p), "--reuse", p.base / "no"], 2, ("no is not there",)),
    "reuse of a folder": Case(lambda p: [*check()(p), "--reuse", p.old], 2, ("old cannot be read as a manifest",)),
    "reuse of a pipe": Case(lambda p: [*check()(p), "--reuse", p.base / "pipe"], 2, ("pipe cannot be read",)),
    "reuse of another file": Case(lambda p: [*check()(p), "--reuse", p.base / "file"], 2, ("file is not a manifest",)),
    "an empty reuse": Case(check("--reuse", ""), 2, ("a path is empty",)),
    "progress into no folder": Case(
        lambda p: [*check()(p), "--progress-json", p.base / "no" / "p"], 4, ("--progress-json", "cannot be written")
    ),
    "progress into a folder": Case(
        lambda p: [*check()(p), "--progress-json", p.base / "full"], 4, ("--progress-json", "cannot be written")
    ),
    "progress into old": Case(
        lambda p: [*check()(p), "--progress-json", p.old / "p"], 2, ("nothing is ever written into a tree",)
    ),
    "progress deep into new": Case(
        lambda p: [*check()(p), "--progress-json", p.new / "b" / "p"], 2, ("nothing is ever written into a tree",)
    ),
    "progress through a link": Case(
        lambda p: [*check()(p), "--progress-json", p.base / "link" / "p"], 2, ("nothing is ever written into a tree",)
    ),
    "an empty progress file": Case(check("--progress-json", ""), 2, ("a path is empty",)),
    "scan at no rate": Case(lambda p: [*scan(p), "--limit-rate", "fast"], 2, ("--limit-rate 'fast' is not a rate",)),
    "scan with a stall of no time": Case(lambda p: [*scan(p), "--stall-after", "0s"], 2, ("--stall-after '0s'",)),
    "scan with reread alone": Case(lambda p: [*scan(p), "--reread", "all"], 2, ("--reread", "nothing is reused")),
    "scan with a budget alone": Case(lambda p: [*scan(p), "--reread-budget", "1h"], 2, ("--reread-budget", "nothing")),
    "scan with reuse of nothing": Case(lambda p: [*scan(p), "--reuse", p.base / "no"], 2, ("no is not there",)),
    "scan with progress into no folder": Case(
        lambda p: [*scan(p), "--progress-json", p.base / "no" / "p"], 4, ("--progress-json", "cannot be written")
    ),
    "scan with progress into the tree": Case(
        lambda p: [*scan(p), "--progress-json", p.old / "p"], 2, ("nothing is ever written into a tree",)
    ),
    "a time in words": Case(check("--frozen-at", "yesterday"), 2, ("--frozen-at 'yesterday' is not a time",)),
    "a month that is not": Case(check("--frozen-at", "2026-13-01"), 2, ("--frozen-at",)),
    "an hour that is not": Case(check("--live-since", "2026-11-21T25:00"), 2, ("--live-since",)),
    "an empty time": Case(check("--live-since", ""), 2, ("--live-since '' is not a time",)),
    "a time with an escape sequence": Case(check("--live-since", "\x1b[2J"), 2, ("--live-since",)),
    "an unknown option": Case(check("--fast"), 2, ("--fast", "verifier check --help")),
    "no evidence": Case(lambda p: ["check", p.old, p.new], 2, ("--evidence",)),
    "no new side": Case(lambda p: ["check", p.old, "--evidence", p.proof], 2, ("NEW",)),
    "the old side among several new roots": Case(
        lambda p: ["check", p.old, p.new, p.old, "--evidence", p.proof], 2, ("are the same folder",)
    ),
    "a new root twice": Case(
        lambda p: ["check", p.old, p.new, f"{p.new}/", "--evidence", p.proof], 2, ("name each new root once",)
    ),
    "a new root inside another": Case(
        lambda p: ["check", p.old, p.new, p.new / "b", "--evidence", p.proof], 2, ("b lies inside",)
    ),
    "a third new root that is not there": Case(
        lambda p: ["check", p.old, p.new, p.base / "third", p.base / "nowhere", "--evidence", p.proof],
        4,
        ("nowhere is not there", "mounted"),
    ),
    "a third new root that is empty": Case(
        lambda p: ["check", p.old, p.new, p.base / "third", p.base / "empty", "--evidence", p.proof],
        4,
        ("the new root empty", "nothing to check is not success"),
    ),
    "evidence in the second new root": Case(
        lambda p: ["check", p.old, p.new, p.base / "third", "--evidence", p.base / "third" / "proof"],
        2,
        ("nothing is ever written into a tree",),
    ),
    "progress into the second new root": Case(
        lambda p: [
            "check",
            p.old,
            p.new,
            p.base / "third",
            "--evidence",
            p.proof,
            "--progress-json",
            p.base / "third/p",
        ],
        2,
        ("nothing is ever written into a tree",),
    ),
    "a map to a label that is none": Case(
        lambda p: ["check", p.old, p.new, p.base / "third", "--evidence", p.proof, "--map", "a=thrid/a"],
        2,
        ("--map a=thrid/a", "no new root is called thrid", "new, third"),
    ),
    "an empty second new root": Case(
        lambda p: ["check", p.old, p.new, "", "--evidence", p.proof], 2, ("a path is empty",)
    ),
    "reconcile with a folder among manifests": Case(
        lambda p: ["reconcile", p.base / "x", p.base / "y", p.new, "--evidence", p.proof],
        2,
        ("new is a folder, not a manifest", "verifier check"),
    ),
    "an unknown command": Case(lambda _: ["chekc"], 2, ("chekc", "verifier --help")),
    "an unknown option of the whole": Case(lambda _: ["--fast"], 2, ("--fast",)),
    "an option without its value": Case(lambda p: ["check", p.old, p.new, "--evidence"], 2, ("--evidence",)),
    "reconcile of folders": Case(
        lambda p: ["reconcile", p.old, p.new, "--evidence", p.proof],
        2,
        ("is a folder, not a manifest", "verifier check"),
    ),
    "reconcile of nothing": Case(
        lambda p: ["reconcile", p.base / "x", p.base / "y", "--evidence", p.proof], 4, ("x is not there",)
    ),
    "report of a folder that is not there": Case(lambda p: ["report", p.base / "nowhere"], 2, ("is not there",)),
    "report of another folder": Case(
        lambda p: ["report", p.old], 2, ("findings.sqlite is not there", "verifier check")
    ),
    "report of a file": Case(lambda p: ["report", p.base / "file"], 2, ("is not there",)),
    "report of strange findings": Case(lambda p: ["report", p.base / "strange"], 2, ("does not hold findings",)),
    "report of damaged findings": Case(lambda p: ["report", p.base / "broken"], 4, ("damaged",)),
    "scan of nothing": Case(lambda p: ["scan", p.base / "nowhere", "--manifest", p.base / "m"], 4, ("is not there",)),
    "scan of a file": Case(lambda p: ["scan", p.base / "file", "--manifest", p.base / "m"], 4, ("not a directory",)),
    "scan into the tree": Case(
        lambda p: ["scan", p.old, "--manifest", p.old / "m"], 2, ("nothing is ever written into a tree",)
    ),
    "scan over a file": Case(lambda p: ["scan", p.old, "--manifest", p.base / "file"], 2, ("file is not a manifest",)),
    "scan into a folder that is not there": Case(
        lambda p: ["scan", p.old, "--manifest", p.base / "no" / "m"], 4, ("cannot be written",)
    ),
    "scan without a manifest": Case(lambda p: ["scan", p.old], 2, ("--manifest",)),
    "rules of an unknown file": Case(lambda p: ["rules", "list", "--rules", p.base / "x.toml"], 2, ("x.toml",)),
    "explain with a negative size": Case(lambda _: ["rules", "explain", "a", "--size", "-1"], 2, ("--size",)),
    "explain with bytes that are none": Case(lambda _: ["rules", "explain", "a", "--head", "xyz"], 2, ("hex digits",)),
}


@pytest.fixture
def stage(place: Place) -> Place:
    """Put what the cases name beside the trees."""
    base = place.base
    plant(base / "third", {b"x": Node(b"1")})
    for name in ("empty", "empty too", "full", "strange", "broken"):
        (base / name).mkdir()
    (base / "full" / "keep me").write_bytes(b"x")
    (base / "file").write_bytes(b"x")
    (base / "link").symlink_to(place.old)
    os.mkfifo(base / "pipe")
    (base / "bad.toml").write_bytes(b"[[rule\n")
    (base / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    (base / "key.toml").write_text(
        '[[rule]]\nname="a"\npattern="a"\nwhat="a"\nmaker="a"\naction="keep"\nsource="a"\ncolour="red"\n'
    )
    with sqlite3.connect(base / "strange" / "findings.sqlite") as database:
        database.execute("CREATE TABLE findings (id)")
    database.close()
    (base / "broken" / "findings.sqlite").write_bytes(b"SQLite format 3\0" + b"\xa5" * 5000)
    return place


@pytest.mark.parametrize("name", CASES)
def test_what_cannot_be_meant_is_one_line_and_an_exit_code(verifier: Command, stage: Place, name: str) -> None:
    """Says what is wrong, where and what to do; no traceback; no tree is touched and no evidence left behind."""
    case = CASES[name]
    before = stage.everything()
    ended = verifier(*case.arguments(stage))
    hold_to_one_line(ended, case.code, *case.words)
    assert stage.everything() == before
    assert not stage.proof.exists()


@pytest.mark.parametrize(
    "options",
    [
        ["--limit-rate", "150MB/s"],
        ["--limit-rate", "100MiB/s"],
        ["--limit-rate", "1.5 GB"],
        ["--limit-rate", "20mb/s"],
        ["--stall-after", "5min"],
        ["--stall-after", "1.5h"],
        ["--idle"],
        ["--cold"],
    ],
    ids=" ".join,
)
@pytest.mark.parametrize("command", ["check", "scan"])
def test_what_can_be_meant_is_taken(place: Place, command: str, options: list[str]) -> None:
    """Rates and durations in the units that people write; whatever the manner of reading, the answer is the same.

    In a process of its own, because `--idle` is for the rest of a process's life.
    """
    arguments = check()(place) if command == "check" else scan(place)
    done = subprocess.run(
        [sys.executable, "-m", "verifier", *map(str, arguments), *options, "-q"],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("which", [["all"], ["never"], ["1s"], ["30d"], ["30000d"], ["all", "1B"], ["all", "1h"]])
def test_which_files_are_read_again_can_be_said(verifier: Command, place: Place, which: list[str]) -> None:
    """All, none, or those of an age, with a budget or without: the fingerprint is the same."""
    assert verifier(*scan(place), "-q").code == 0
    let_the_second_pass()
    options = ["--reread", which[0], *(["--reread-budget", which[1]] if which[1:] else [])]
    again = ["scan", place.old, "--manifest", place.base / "again", "--reuse", place.base / "m", "-q"]
    ended = verifier(*again, *options)
    assert (ended.code, ended.err) == (0, "")
    prints = [facts_of(place.base / name)["fingerprint"] for name in ("m", "again")]
    assert prints[0] == prints[1]


def test_a_sample_of_two_manifests_reads_nothing(verifier: Command, place: Place) -> None:
    """There is no file to be read, so it is refused before anything is written."""
    old, new = (write_manifest(place.base / f"{side}.m", [file("a")]) for side in ("old", "new"))
    before = place.everything()
    ended = verifier("check", old, new, "--evidence", place.proof, "--sample", "5")
    hold_to_one_line(ended, 2, "--sample reads files, and both sides are manifests", "leave it out")
    assert place.everything() == before


def test_finished_evidence_needs_replace(verifier: Command, place: Place) -> None:
    """A finished check is not overwritten unless it is asked for."""
    arguments = ["check", place.old, place.new, "--evidence", place.proof, "--quiet"]
    assert verifier(*arguments).code == 0
    before = place.everything()
    hold_to_one_line(verifier(*arguments), 2, "holds a finished check", "--replace")
    assert place.everything() == before
    assert verifier(*arguments, "--replace").code == 0


def test_manifests_of_different_algorithms_name_both(verifier: Command, place: Place) -> None:
    """Which manifest has which algorithm, and how to scan again."""
    for root, algorithm in ((place.old, "sha256"), (place.new, "xxh3-128")):
        manifest = place.base / f"{root.name}.m"
        assert verifier("scan", root, "--manifest", manifest, "--algorithm", algorithm, "-q").code == 0
    before = place.everything()
    ended = verifier("reconcile", place.base / "old.m", place.base / "new.m", "--evidence", place.proof)
    hold_to_one_line(
        ended,
        2,
        "old.m was made with sha256",
        "new.m with xxh3-128",
        "--algorithm sha256 or xxh3-128",
        "scan one side again",
    )
    assert place.everything() == before


def test_a_damaged_manifest_is_exit_4(verifier: Command, place: Place) -> None:
    """A manifest that is not what was written cannot be used."""
    manifest = scan_tree(place.old, place.base / "m")
    manifest.write_bytes(manifest.read_bytes()[:9000])
    hold_to_one_line(
        verifier("check", manifest, place.new, "--evidence", place.proof), 4, "is damaged", "scan that side again"
    )
    assert not place.proof.exists()


def test_a_manifest_of_a_later_version_is_exit_2(verifier: Command, place: Place) -> None:
    """The message names both versions."""
    manifest = scan_tree(place.old, place.base / "m")
    with sqlite3.connect(manifest) as database:
        database.execute("PRAGMA user_version = 7")
    database.close()
    ended = verifier("check", manifest, place.new, "--evidence", place.proof)
    hold_to_one_line(ended, 2, "format version 7", "later version of verifier")


def test_an_empty_manifest_is_exit_4(verifier: Command, place: Place) -> None:
    """A manifest without entries proves nothing."""
    manifest = write_manifest(place.base / "m", [])
    hold_to_one_line(verifier("check", manifest, place.new, "--evidence", place.proof), 4, "has no entries")


@pytest.mark.parametrize(
    "name", [b"new\nline", b"\x1b[2Jescape", b"not \xff utf-8", b"\xe2\x80\xaereversed"], ids=ascii
)
def test_strange_names_in_messages_are_harmless(verifier: Command, place: Place, name: bytes) -> None:
    """A path with control characters or other bytes is shown escaped, on one line."""
    where = place.base / os.fsdecode(name)
    hold_to_one_line(verifier("check", where, place.new, "--evidence", place.proof), 4, "is not there")
    plant(where, {b"x": FOLDER})
    hold_to_one_line(verifier("check", where, where / "x", "--evidence", place.proof), 2, "lies inside")
    hold_to_one_line(verifier("check", place.old, place.new, "--evidence", where), 2, "holds other things")


def test_findings_without_a_run_are_one_line(verifier: Command, place: Place) -> None:
    """Findings that reconciling alone wrote have no run to report on: told, not a traceback."""
    from verifier.reconcile.options import ReconcileOptions  # noqa: PLC0415
    from verifier.reconcile.reconciler import reconcile  # noqa: PLC0415

    manifests = [write_manifest(place.base / name, [file("a")]) for name in ("o", "n")]
    (place.base / "half").mkdir()
    reconcile(manifests[0], manifests[1], place.base / "half" / "findings.sqlite", ReconcileOptions())
    ended = verifier("report", place.base / "half")
    assert ended.code in (2, 4)
    hold_to_one_line(ended, ended.code, "findings.sqlite")


@pytest.mark.parametrize("at", [0.2, 0.4, 0.6, 0.8])
def test_findings_with_overwritten_pages_are_one_line(verifier: Command, place: Place, at: float) -> None:
    """Damage inside the findings is told in one line, or the report is what it was; never a traceback."""
    assert verifier("check", place.old, place.new, "--evidence", place.proof, "-q").code == 0
    findings = place.proof / "findings.sqlite"
    data = bytearray(findings.read_bytes())
    start = int(len(data) * at) // 4096 * 4096
    data[start : start + 4096] = b"\xa5" * 4096
    findings.write_bytes(data)
    ended = verifier("report", place.proof)
    if ended.code != 0:
        hold_to_one_line(ended, 4, "damaged")


def test_findings_of_which_a_text_is_not_utf8_are_one_line(verifier: Command, place: Place) -> None:
    """A value that SQLite cannot decode is damage."""
    (place.new / "a").write_bytes(b"eno")
    assert verifier("check", place.old, place.new, "--evidence", place.proof, "-q").code == 1
    with sqlite3.connect(place.proof / "findings.sqlite") as database:
        database.execute("UPDATE findings SET reason = CAST(X'ff' AS TEXT)")
    database.close()
    hold_to_one_line(verifier("report", place.proof), 4, "damaged")


# ---- Names are data in arguments too


def test_a_map_of_a_folder_whose_name_is_not_utf8(verifier: Command, tmp_path: Path) -> None:
    """A prefix may hold any byte that a name may hold."""
    name = os.fsdecode(b"sc\xffans")
    plant(tmp_path / "old", {b"sc\xffans/a": Node(b"1")})
    plant(tmp_path / "new", {b"archive/a": Node(b"1")})
    ended = verifier(
        "check", tmp_path / "old", tmp_path / "new", "--evidence", tmp_path / "proof", "--map", f"{name}=archive", "-q"
    )
    assert ended.code == 0
    assert "2 identical" in ended.out


def test_a_root_whose_name_is_not_utf8(verifier: Command, tmp_path: Path) -> None:
    """A share may have any name: scanned, checked and reported all the same."""
    root = plant(tmp_path / os.fsdecode(b"sh\xffare\n"), {b"a": Node(b"1")})
    copy = plant(tmp_path / "new", {b"a": Node(b"1")})
    ended = verifier("scan", root, "--manifest", tmp_path / "m", "-q")
    assert (ended.code, ended.err) == (0, "")
    ended = verifier("check", root, copy, "--evidence", tmp_path / os.fsdecode(b"pr\xffoof"), "-q")
    assert (ended.code, ended.err) == (0, "")
    assert ended.out.isascii()


def test_a_label_of_any_text(verifier: Command, place: Place) -> None:
    """A label is a text; bytes that are no text do not end in a traceback."""
    ended = verifier("scan", place.old, "--manifest", place.base / "m", "--label", os.fsdecode(b"\xff\x1b[2J"), "-q")
    assert ended.code in (0, 2)
    assert "Traceback" not in ended.err


# ---- Permission


@pytest.fixture
def open_place() -> Iterator[Path]:
    """Give a folder that every user can reach, unlike pytest's own."""
    with tempfile.TemporaryDirectory() as made:
        Path(made).chmod(0o777)
        yield Path(made)


def _as_nobody(arguments: list[str], answer: Connection) -> None:
    """Run a command line without rights, and send its exit code and what it wrote to standard error."""
    if os.geteuid() == 0:
        os.setgroups([])
        os.setgid(NOBODY)
        os.setuid(NOBODY)
    with tempfile.TemporaryFile("w+") as err:
        sys.stderr = err
        code = run(arguments)
        err.flush()
        err.seek(0)
        answer.send((code, err.read()))


def without_rights(*arguments: object) -> Ended:
    """Run a command line in a forked child that gave its rights up; what it needs is imported before."""
    for needed in ("verifier.check", "verifier.report.page", "verifier.rules.model"):
        importlib.import_module(needed)
    context = multiprocessing.get_context("fork")
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(target=_as_nobody, args=([str(argument) for argument in arguments], theirs))
    child.start()
    theirs.close()
    assert ours.poll(30), "the child did not answer"
    code, err = ours.recv()
    child.join()
    return Ended(code, "", err)


@pytest.mark.real
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_no_permission_at_the_root(open_place: Path) -> None:
    """A root that may not be listed cannot be checked: exit 4, with what to do; the other side stays untouched."""
    roots = [plant(open_place / name, {b"a": Node(b"1")}) for name in ("old", "new")]
    for side, root in enumerate(roots):
        root.chmod(0o000)
        try:
            before = snapshot(roots[1 - side])
            ended = without_rights("check", *roots, "--evidence", open_place / "proof")
            hold_to_one_line(ended, 4, f"{root.name} cannot be listed (EACCES)", "run as a user who may read it")
            assert snapshot(roots[1 - side]) == before
            assert not (open_place / "proof").exists()
        finally:
            root.chmod(0o755)


@pytest.mark.real
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_no_permission_inside_is_inconclusive(open_place: Path) -> None:
    """A file and a folder that may not be read are found, exit 3; nothing of them is said to be missing."""
    tree = {b"a": Node(b"1"), b"closed/x": Node(b"2"), b"secret": Node(b"3")}
    roots = [plant(open_place / name, tree) for name in ("old", "new")]
    (roots[1] / "closed").chmod(0o000)
    (roots[1] / "secret").chmod(0o000)
    (open_place / "for nobody").mkdir(mode=0o777)
    (open_place / "for nobody").chmod(0o777)
    proof = open_place / "for nobody" / "proof"
    try:
        ended = without_rights("check", *roots, "--evidence", proof, "--quiet")
        assert (ended.code, ended.err) == (3, "")
        classes = [line.split(",")[0] for line in (proof / "differences.csv").read_text("utf-8").splitlines()[1:]]
        assert classes == ["unreadable"] * 3
    finally:
        (roots[1] / "closed").chmod(0o755)
        shutil.rmtree(open_place / "for nobody")


@pytest.mark.real
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_no_permission_for_the_evidence(open_place: Path) -> None:
    """Evidence that may not be written is exit 4, before anything is read."""
    roots = [plant(open_place / name, {b"a": Node(b"1")}) for name in ("old", "new")]
    open_place.chmod(0o555)
    try:
        ended = without_rights("check", *roots, "--evidence", open_place / "proof")
        hold_to_one_line(ended, 4, "proof cannot be made (Permission denied)")
    finally:
        open_place.chmod(0o777)


def test_an_argument_that_is_empty_is_not_this_folder(
    verifier: Command, place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An unset variable in a script is not taken for the folder that the script happens to stand in."""
    monkeypatch.chdir(place.old)
    ended = verifier("check", "", place.new, "--evidence", place.proof)
    hold_to_one_line(ended, ended.code)
    assert ended.code in (2, 4)
    assert not place.proof.exists()
