"""A record as text: one form, the same record again, and nothing that a later version wrote is half understood."""

from __future__ import annotations

import json
from dataclasses import MISSING, asdict, fields, replace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings

from tests.ledger.records import FULL, bad, night, records, step
from verifier.classes import Phase
from verifier.ledger import canonical
from verifier.ledger.canonical import LaterWord, from_json, plain, to_json
from verifier.ledger.record import News, PhaseRecord, RunRecord, SideRecord

if TYPE_CHECKING:
    from verifier.ledger.canonical import Reader

STEP = '{"at":"2026-12-01T02:30:00+00:00","before":"copying","by":"A curator","kind":"phase","phase":"frozen"}'
RUN = (
    '{"evidence":"runs/20261201T023000Z","exit_code":1,"finished":"2026-12-01T04:44:00+00:00","kind":"run",'
    '"outcome":"finished","phase":"frozen","reasons":["3 files missing"],"run":"20261201T023000Z",'
    '"started":"2026-12-01T02:30:00+00:00","verdict":"not-trustworthy"}'
)


@settings(max_examples=15)
@given(records())
def test_every_record_survives(record: RunRecord | PhaseRecord) -> None:
    """What was written is read again, and written again it is the same text, in UTF-8."""
    text = to_json(record)
    assert from_json(text) == record
    assert to_json(from_json(text)) == text
    assert text.encode().decode() == text
    assert text.count(" ") == sum(_spaces(plain(record)))


def _spaces(value: object) -> list[int]:
    """Return how many spaces are in each text of a record."""
    if isinstance(value, str):
        return [value.count(" ")]
    parts = [*value.keys(), *value.values()] if isinstance(value, dict) else value if isinstance(value, list) else []
    return [number for part in parts for number in _spaces(part)]


def test_the_form_is_the_one_that_entries_were_digested_in() -> None:
    """Sorted, without white space, defaults left out: another form would break every ledger that there is."""
    assert to_json(step(0, Phase.FROZEN, Phase.COPYING)) == STEP
    assert to_json(bad()) == RUN
    assert from_json(RUN) == bad()


def test_a_full_record_leaves_nothing_out() -> None:
    """Each field of each part is written where it says something, and read as what it was."""
    assert from_json(to_json(FULL)) == FULL
    told = json.loads(to_json(FULL))
    assert set(told) == {field.name for field in fields(RunRecord)} | {"kind"}
    assert set(told["news"]) == {field.name for field in fields(News)}
    assert set(told["sides"]["old"]) == {field.name for field in fields(SideRecord)}
    assert "Büro" in to_json(FULL)


def test_other_programs_get_every_field() -> None:
    """Also what is as it is by default."""
    assert plain(night()) == {"kind": "run"} | json.loads(json.dumps(asdict(night())))


@pytest.mark.parametrize(
    ("cls", "readers"),
    [
        (RunRecord, canonical._RUN),
        (PhaseRecord, canonical._PHASE),
        (SideRecord, canonical._SIDE),
        (News, canonical._NEWS),
    ],
)
def test_every_field_has_its_reader(cls: type[Any], readers: dict[str, Reader]) -> None:
    """A field without one could be written and never be read again."""
    assert [*readers] == [field.name for field in fields(cls)]


def test_no_default_has_changed() -> None:
    """What is left out means what it meant when it was left out: a default is part of the format."""
    run: dict[str, object] = {
        "verdict": None,
        "reasons": (),
        "classes": {},
        "causes": {},
        "sides": {},
        "news": News(),
        "warnings": (),
    }
    run |= {"pruned": (), **dict.fromkeys(("evidence", "findings_digest", "report_id", "tool"), "")}
    assert canonical._DEFAULTS[RunRecord] == run
    assert canonical._DEFAULTS[PhaseRecord] == {"baseline": "", "despite": ""}
    assert {*canonical._DEFAULTS[SideRecord].values()} == {0, ""}
    assert asdict(News()) == dict.fromkeys(("new", "worse", "repaired", "known", "accepted"), 0) | {
        "unusual": "",
        "headline": "",
        "lines": (),
    }
    required = {field.name for field in fields(RunRecord) if field.default is field.default_factory is MISSING}
    assert required == {"run", "started", "finished", "phase", "outcome", "exit_code"}


def test_half_a_pair_is_told_by_its_bytes() -> None:
    """No UTF-8 holds it; the night is written down all the same."""
    text = to_json(bad(reasons=("lone \udcff", "pair \ud83c\udf3f")))
    record = from_json(text)
    assert isinstance(record, RunRecord)
    assert record.reasons == (r"lone \xed\xb3\xbf", r"pair \xed\xa0\xbc\xed\xbc\xbf")
    text.encode()


@pytest.mark.parametrize(
    "text",
    [
        RUN.replace('"kind":"run"', '"kind":"note"'),
        RUN.replace('"kind":"run",', ""),
        RUN.replace('"finished",', '"postponed",'),
        RUN.replace('"frozen"', '"archived"'),
        RUN.replace('"not-trustworthy"', '"doubtful"'),
        RUN.replace('"run":', '"resumed":true,"run":'),
        to_json(FULL).replace('"worse":', '"withheld":1,"worse":'),
        to_json(FULL).replace('"seconds":', '"second":1,"seconds":'),
        to_json(FULL).replace('"sides":{"new":', '"sides":{"middle":'),
        STEP.replace('"phase":"frozen"', '"phase":"frozen","ticket":"7"'),
    ],
)
def test_a_later_versions_word_is_known_as_such(text: str) -> None:
    """It is refused, and not half understood."""
    with pytest.raises(LaterWord) as caught:
        from_json(text)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        "[" * 100_000,
        RUN + " ",
        RUN.replace(":", ": "),
        RUN.replace('"exit_code":1', '"exit_code":1,"exit_code":1'),
        '{"kind":"run",' + RUN.removeprefix("{").replace('"kind":"run",', ""),
        RUN.replace('"exit_code":1', '"exit_code":true'),
        RUN.replace('"exit_code":1', '"exit_code":256'),
        RUN.replace('"exit_code":1', '"exit_code":-1'),
        RUN.replace('"exit_code":1', '"exit_code":"1"'),
        RUN.replace('"exit_code":1,', ""),
        RUN.replace('["3 files missing"]', '"3 files missing"'),
        RUN.replace('["3 files missing"]', "[3]"),
        RUN.replace('"reasons":["3 files missing"]', '"reasons":[]'),
        RUN.replace("20261201T023000Z", "../../etc"),
        RUN.replace('"started":"2026-12-01T02:30:00+00:00"', '"started":"2026-12-01T02:30:00"'),
        RUN.replace('"started":"2026-12-01T02:30:00+00:00"', '"started":"at night"'),
        RUN.replace('"started":"2026-12-01T02:30:00+00:00"', '"started":"0001-01-01T00:00:00+00:00"'),
        RUN.replace("3 files", "\\u0033 files"),
        to_json(FULL).replace('"seconds":12.5', '"seconds":NaN'),
        to_json(FULL).replace('"seconds":12.5', '"seconds":1e999'),
        to_json(FULL).replace('"seconds":12.5', '"seconds":12.50'),
        to_json(FULL).replace("[1210,1204,98000000]", "[1210,1204]"),
        to_json(FULL).replace("[1210,1204,98000000]", f"[1210,1204,{2**63}]"),
        to_json(FULL).replace("[1210,1204,98000000]", f"[1210,1204,{'9' * 5000}]"),
        to_json(FULL).replace('"worse":2', '"worse":0'),
        to_json(FULL).replace("20261101T023000Z", "20261101"),
    ],
)
def test_what_was_never_written_is_refused(text: str) -> None:
    """Another form of the same record too: one record has one digest."""
    with pytest.raises(ValueError, match=r".") as caught:
        from_json(text)
    assert not isinstance(caught.value, LaterWord)


@pytest.mark.parametrize(
    "record",
    [
        night(run="tonight"),
        night(run="20261201T023000Z/../x"),
        night(started="yesterday"),
        night(finished="2026-12-01"),
        night(exit_code=300),
        night(pruned=("..",)),
        replace(step(0, Phase.LIVE), at=""),
    ],
)
def test_what_could_not_be_read_again_is_not_written(record: RunRecord | PhaseRecord) -> None:
    """Found by who writes it, and not by who needs it."""
    with pytest.raises(ValueError, match=r"."):
        to_json(record)
