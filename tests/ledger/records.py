"""Records of a botanical garden's nights, plain ones and any that Hypothesis thinks of."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from hypothesis import strategies as st

from verifier.classes import Phase, Side, VerdictKind
from verifier.ledger.ledger import Ledger
from verifier.ledger.places import LEDGER_FILE, RUNS
from verifier.ledger.record import News, Outcome, PhaseRecord, RunRecord, SideRecord

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

FIRST_NIGHT: Final = datetime(2026, 12, 1, 2, 30, tzinfo=UTC)
DAY: Final = timedelta(days=1)
TOOK: Final = timedelta(hours=2, minutes=14)


def instant(at: datetime) -> str:
    """Return a time as a record has it."""
    return at.astimezone(UTC).isoformat(timespec="seconds")


def name_of(began: datetime) -> str:
    """Return the name of a run that began then."""
    return f"{began.astimezone(UTC):%Y%m%dT%H%M%SZ}"


def night(number: float = 0, **facts: Any) -> RunRecord:
    """Return a good run of a night, counted from the first; `facts` are its fields."""
    began = FIRST_NIGHT + number * DAY
    run = name_of(began)
    good = RunRecord(
        run=run,
        started=instant(began),
        finished=instant(began + TOOK),
        phase=Phase.FROZEN,
        outcome=Outcome.FINISHED,
        exit_code=0,
        verdict=VerdictKind.TRUSTWORTHY,
        evidence=f"{RUNS}/{run}",
    )
    return replace(good, **facts)


def bad(number: float = 0, **facts: Any) -> RunRecord:
    """Return a run that found the copy not trustworthy, as the night before."""
    told = {"exit_code": 1, "verdict": VerdictKind.NOT_TRUSTWORTHY, "reasons": ("3 files missing",)}
    return night(number, **(told | facts))


def failed(number: float = 0, **facts: Any) -> RunRecord:
    """Return a run that could not begin."""
    why = {"reasons": ("the share is not mounted",), "exit_code": 4, "verdict": None, "evidence": ""}
    return night(number, **({"outcome": Outcome.COULD_NOT_RUN} | why | facts))


def step(number: float, phase: Phase, before: Phase | None = None, **facts: Any) -> PhaseRecord:
    """Return a step from phase to phase on a day."""
    return replace(PhaseRecord(instant(FIRST_NIGHT + number * DAY), before, phase, "A curator"), **facts)


def write(folder: Path, records: Iterable[RunRecord | PhaseRecord]) -> Path:
    """Add records to a folder's ledger, and return the ledger."""
    path = folder / LEDGER_FILE
    with Ledger.write(path) as ledger:
        for record in records:
            ledger.append(record)
    return path


def read(path: Path) -> list[RunRecord | PhaseRecord]:
    """Return all records of a ledger."""
    with Ledger.open(path) as ledger:
        return list(ledger.records())


FULL: Final = night(
    7,
    verdict=VerdictKind.WITH_EXCEPTIONS,
    reasons=("accepted by name: 2 files missing", "1,204 files read on both sides, every one with the same content"),
    classes={"identical": (1210, 1204, 98_000_000), "missing": (2, 2, 300), "content-changed": (1, 1, 5)},
    causes={"silent": 1},
    sides={
        side.value: SideRecord(
            label="Büro" if side is Side.OLD else "",
            root=f"/srv/{side}/herbarium",
            entries=1213,
            files=1207,
            bytes=98_000_305,
            read_files=40,
            read_bytes=3_000_000,
            seconds=12.5,
            oldest_read="2026-11-10T02:31:00+00:00",
            fresh_files=1207,
            fresh_bytes=98_000_305,
            problems=2,
            fingerprint="ab" * 32,
        )
        for side in Side
    },
    news=News(
        1, 2, 3, 4, 5, "of 9 files 9 gone", "1 new: herbarium/sheets/0101.png", ("missing  herbarium/sheets/0101.png",)
    ),
    warnings=("the window is too short for all files to be read within 30 days",),
    findings_digest="cd" * 32,
    report_id="ef" * 8,
    pruned=("20261101T023000Z",),
    tool="verifier 0.3.0",
)
"""A record in which every field says something."""


# ---- Any record

_texts: Final = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
_counts: Final = st.integers(0, 2**63 - 1)
_instants: Final = st.datetimes(datetime(1990, 1, 1), datetime(2200, 1, 1)).map(  # noqa: DTZ001  the zone follows
    lambda at: instant(at.replace(tzinfo=UTC))
)
_names: Final = st.datetimes(datetime(1990, 1, 1), datetime(2200, 1, 1)).map(  # noqa: DTZ001  as above
    lambda at: name_of(at.replace(tzinfo=UTC))
)
_tuples: Final = st.lists(_texts, max_size=3).map(tuple)
_sides: Final = st.builds(
    SideRecord,
    _texts,
    _texts,
    *[_counts] * 5,
    st.floats(0, 1e9, allow_nan=False),
    st.just("") | _instants,
    *[_counts] * 3,
    _texts,
)
_runs: Final = st.builds(
    RunRecord,
    run=_names,
    started=_instants,
    finished=st.just("") | _instants,
    phase=st.sampled_from(Phase),
    outcome=st.sampled_from(Outcome),
    exit_code=st.integers(0, 4),
    verdict=st.none() | st.sampled_from(VerdictKind),
    reasons=_tuples,
    classes=st.dictionaries(_texts, st.tuples(_counts, _counts, _counts), max_size=3),
    causes=st.dictionaries(_texts, _counts, max_size=3),
    sides=st.dictionaries(st.sampled_from(["old", "new"]), _sides),
    news=st.builds(News, *[_counts] * 5, _texts, _texts, _tuples),
    warnings=_tuples,
    evidence=_texts,
    findings_digest=_texts,
    report_id=_texts,
    pruned=st.lists(_names, max_size=3).map(tuple),
    tool=_texts,
)
_steps: Final = st.builds(
    PhaseRecord, _instants, st.none() | st.sampled_from(Phase), st.sampled_from(Phase), _texts, _texts, _texts
)


def records() -> st.SearchStrategy[RunRecord | PhaseRecord]:
    """Draw any record."""
    return _runs | _steps
