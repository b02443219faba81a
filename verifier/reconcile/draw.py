"""Drawing a sample of the pairs of files that only reading can tell apart, and counting what came of it.

The pairs are those of files at one place, of one size, of which at least one side was listed and not read. They are
divided into strata by the top folder of the old side and by size class, and of each stratum the same share is drawn,
rounded up, so that every top folder and every size class is in the sample. Which pairs is decided by a hash of each
place that begins from the seed: those with the smallest hashes are drawn. So the same trees and the same seed give the
same sample, in whatever order anything is done.

SQLite does the work, in two passes over the joined listings. What is held in memory does not grow with them.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from blake3 import blake3
from xxhash import xxh3_64_intdigest

from verifier.classes import Class, Side
from verifier.clock import now_text
from verifier.errors import UsageProblem
from verifier.manifest.database import attach, database_errors, named
from verifier.manifest.sample import SampleFile
from verifier.reconcile import align
from verifier.reconcile.findings import Tally
from verifier.sampling import Asked, Sampled, most_in_strata

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path

    from verifier.reconcile.options import PlaceMap

SIZES: Final = (0, 4 * 2**10, 64 * 2**10, 2**20, 16 * 2**20, 256 * 2**20, 2**63 - 1)
"""The largest size of each size class, bytes."""
KEYS: Final = 2**62
"""A key is a whole number below this one."""
SLACK: Final = 8.0
"""So many standard deviations more pairs than are drawn are put aside for the draw."""

_KNOWN: Final = "('proved', 'carried')"
_DIFFER: Final = (Class.CONTENT_CHANGED.value, Class.DRIFT.value)
_FOLDER: Final = "CASE WHEN instr(o.path, '/') THEN substr(o.path, 1, instr(o.path, '/') - 1) ELSE '' END"
_UP_TO: Final = f"CASE {' '.join(f'WHEN o.size <= {size} THEN {size}' for size in SIZES)} END"
_PAIRS: Final = f"""
CREATE TEMP VIEW pairs AS
SELECT p.path AS old_path, p.place AS new_path, {_FOLDER} AS folder, {_UP_TO} AS up_to
FROM placed AS p CROSS JOIN old.entries AS o ON o.path = p.path CROSS JOIN new.entries AS n ON n.path = p.place
WHERE o.kind = 'file' AND n.kind = 'file' AND o.size = n.size AND 'listed' IN (o.state, n.state)
"""  # noqa: S608


@dataclass(frozen=True, slots=True)
class Wanted:
    """What sample is wanted."""

    asked: Asked
    seed: int
    maps: tuple[PlaceMap, ...]
    scanned: frozenset[Side]
    """The sides of which files can still be read: those that are not given as manifests."""


def draw(sample: Path, old: Path, new: Path, wanted: Wanted) -> None:
    """Draw a sample from two listings into a file, which is there as a whole or not at all.

    Args:
        sample: Where it goes; must be free.
        old: The old side's manifest; it may be unfinished, but nobody may hold it.
        new: The new side's.
        wanted: What sample.

    Raises:
        ManifestDamaged: If a manifest is not what was written.
        EvidenceUnwritable: If the sample cannot be written, or somebody holds a manifest.
    """
    unfinished = sample.with_name(f"{sample.name}.part")
    unfinished.unlink(missing_ok=True)
    with SampleFile.create(unfinished) as file, database_errors(unfinished):
        align.attach(file.connection, old, new)
        file.connection.execute("BEGIN")
        _Draw(file, wanted).run()
        file.connection.execute("COMMIT")
    unfinished.replace(sample)


def hold_to(sample: Path, asked: Asked, seed: int | None, maps: Sequence[PlaceMap]) -> None:
    """Refuse to go on with a sample that was drawn otherwise: what was read would not be what is drawn.

    Args:
        sample: The sample.
        asked: How large it is to be.
        seed: None takes the one that it was drawn with.
        maps: Places of the old side that are elsewhere on the new one.

    Raises:
        UsageProblem: If it was drawn otherwise, or is something else.
        ManifestDamaged: If it is not what was written.
    """
    with SampleFile.open(sample) as file:
        facts = file.facts()
    was_asked, was_seed, was_mapped = facts.get("asked", ""), facts.get("seed", ""), facts.get("maps", "")
    hint = "run it as before, or say --replace to begin anew"
    if Asked.parse(was_asked) != asked:
        raise UsageProblem(f"{named(sample)} was drawn with --sample {was_asked}, not {asked.text}", hint)
    if seed is not None and was_seed != str(seed):
        raise UsageProblem(f"{named(sample)} was drawn with --seed {was_seed}, not {seed}", hint)
    if was_mapped != _told(maps):
        raise UsageProblem(f"{named(sample)} was drawn with other maps", hint)


def to_read(sample: Path, old: Path, new: Path) -> Mapping[Side, Tally]:
    """Count what of a sample is still to be read on each side.

    Args:
        sample: The sample.
        old: The old side's manifest; nobody may hold it.
        new: The new side's.
    """
    counted = {}
    with _together(sample, old, new) as connection:
        for side in Side:
            query = f"""
                SELECT count(*), count(*), coalesce(sum(e.size), 0)
                FROM sample.drawn AS d CROSS JOIN {side}.entries AS e ON e.path = d.{side}_path
                WHERE e.kind = 'file' AND e.state = 'listed'
            """  # noqa: S608
            counted[side] = Tally(*connection.execute(query).fetchone())
    return counted


def outcome(sample: Path, old: Path, new: Path, findings: Path) -> Sampled:
    """Count what came of a sample, and say how many files can differ in all.

    A pair counts as read where both contents are known now, and as differing where its finding says so: what a rule
    sets aside differs from nothing.

    Args:
        sample: The sample.
        old: The old side's manifest, as it was reconciled.
        new: The new side's.
        findings: What came of it.
    """
    both = f"""
        CROSS JOIN old.entries AS o ON o.path = d.old_path AND o.state IN {_KNOWN}
        CROSS JOIN new.entries AS n ON n.path = d.new_path AND n.state IN {_KNOWN}
    """
    with SampleFile.open(sample) as file:
        facts = file.facts()
    with _together(sample, old, new) as connection:
        attach(connection, "findings", findings)
        marks = ", ".join("?" * len(_DIFFER))
        (differ,) = connection.execute(
            f"""
            SELECT count(*) FROM findings.findings AS f
            CROSS JOIN sample.drawn AS d ON d.old_path = f.old_path AND d.new_path = f.new_path {both}
            WHERE f."class" IN ({marks})
            """,  # noqa: S608
            _DIFFER,
        ).fetchone()
        (read,) = connection.execute(f"SELECT count(*) FROM sample.drawn AS d {both}").fetchone()  # noqa: S608
        strata = connection.execute(
            f"""
            SELECT s.population, coalesce(r.files, 0) FROM sample.strata AS s
            LEFT JOIN (SELECT d.stratum, count(*) AS files FROM sample.drawn AS d {both} GROUP BY d.stratum) AS r
            USING (stratum)
            """  # noqa: S608
        )
        most = most_in_strata(strata, differ)
    population, drawn = int(facts["population"]), int(facts["drawn"])
    return Sampled(facts["asked"], int(facts["seed"]), population, drawn, read, differ, most)


@contextmanager
def _together(sample: Path, old: Path, new: Path) -> Iterator[sqlite3.Connection]:
    """Open a sample and both manifests for reading, as ``sample``, ``old`` and ``new``."""
    with database_errors(sample), closing(sqlite3.connect("file::memory:", uri=True, isolation_level=None)) as opened:
        opened.execute("PRAGMA trusted_schema = OFF")
        for name, path in (("sample", sample), ("old", old), ("new", new)):
            attach(opened, name, path)
        yield opened


@dataclass(frozen=True, slots=True)
class _Draw:
    """One draw under way, with both manifests attached as ``old`` and ``new``."""

    file: SampleFile
    wanted: Wanted

    def run(self) -> None:
        connection, wanted = self.file.connection, self.wanted
        align.place_old(connection, wanted.maps)
        connection.execute(f"{_PAIRS}{''.join(self._readable())}")
        connection.create_function("key_of", 1, _key_of(wanted.seed), deterministic=True)
        connection.create_function("bar_of", 2, _bar_of, deterministic=True)
        population = self._divide()
        self._put_aside()
        drawn = self._take()
        self.file.set_facts(
            {
                "format": "verifier/sample",
                "version": 1,
                "asked": wanted.asked.text,
                "seed": wanted.seed,
                "maps": _told(wanted.maps),
                "population": population,
                "drawn": drawn,
                "everything": int(drawn == population and self._is_everything()),
                "drawn_at": now_text(),
            }
        )

    def _readable(self) -> Iterator[str]:
        """Yield the condition that each side's content is known or can be read: nobody reads a manifest's files."""
        for alias, side in (("o", Side.OLD), ("n", Side.NEW)):
            unread = " OR {alias}.state = 'listed'" if side in self.wanted.scanned else ""
            yield f" AND ({alias}.state IN {_KNOWN}{unread.format(alias=alias)})"

    def _divide(self) -> int:
        """Count the pairs of each stratum, say how many of them are drawn, and return how many there are in all."""
        connection = self.file.connection
        connection.execute(
            "INSERT INTO strata (folder, up_to, population, drawn)"
            " SELECT folder, up_to, count(*), 0 FROM pairs GROUP BY folder, up_to ORDER BY folder, up_to"
        )
        population = int(connection.execute("SELECT coalesce(sum(population), 0) FROM strata").fetchone()[0])
        connection.execute(
            "UPDATE strata SET drawn = (population * :asked + :whole - 1) / :whole",
            {"asked": self.wanted.asked.of(population), "whole": population},
        )
        return population

    def _put_aside(self) -> None:
        """Put aside the pairs with small keys: all that will be drawn, and not many more."""
        connection = self.file.connection
        connection.execute(
            "CREATE TEMP TABLE bar (folder TEXT, up_to INTEGER, stratum INTEGER, height INTEGER,"
            " PRIMARY KEY (folder, up_to)) WITHOUT ROWID"
        )
        connection.execute('CREATE TEMP TABLE aside (stratum INTEGER, "key" INTEGER, old_path TEXT, new_path TEXT)')
        fill = "INSERT INTO bar SELECT folder, up_to, stratum, {} FROM strata {}"
        below = (
            "INSERT INTO aside SELECT stratum, key_of(new_path), old_path, new_path"
            # Most are passed over by the first condition, before anything of them is looked up.
            " FROM pairs CROSS JOIN bar USING (folder, up_to)"
            " WHERE key_of(new_path) < (SELECT max(height) FROM bar) AND key_of(new_path) < height"
        )
        connection.execute(fill.format("bar_of(population, drawn)", ""))
        connection.execute(below)
        # A bar that was too low for a stratum is lifted to the top. It hardly ever is.
        few = "WHERE drawn > (SELECT count(*) FROM aside WHERE aside.stratum = strata.stratum)"
        connection.execute("CREATE INDEX temp.aside_by_stratum ON aside (stratum)")
        connection.execute("DELETE FROM bar")
        if connection.execute(fill.format(KEYS, few)).rowcount:
            connection.execute("DELETE FROM aside WHERE stratum IN (SELECT stratum FROM bar)")
            connection.execute(below)

    def _take(self) -> int:
        """Draw of each stratum as many as are to be drawn, the smallest keys first, and return how many that were."""
        return self.file.connection.execute(
            """
            INSERT INTO drawn
            SELECT old_path, new_path, stratum FROM (
                SELECT *, row_number() OVER (PARTITION BY stratum ORDER BY "key", old_path) AS turn FROM aside
            ) JOIN strata USING (stratum) WHERE turn <= strata.drawn ORDER BY old_path
            """
        ).rowcount

    def _is_everything(self) -> bool:
        """Tell whether no more was asked for than there is to read at all, files without a fellow included."""
        for side in self.wanted.scanned:
            query = f"SELECT count(*) FROM {side}.entries WHERE kind = 'file' AND state = 'listed'"  # noqa: S608
            unread = self.file.connection.execute(query).fetchone()[0]
            if self.wanted.asked.of(unread) < unread:
                return False
        return True


def _key_of(seed: int) -> Callable[[str | None], int | None]:
    """Return what gives every place its key, spread evenly from 0 to `KEYS`; no place has none."""
    begin = int.from_bytes(blake3(f"verifier sample {seed}".encode()).digest(8))
    return lambda place: None if place is None else xxh3_64_intdigest(place.encode(), begin) >> 2


def _bar_of(population: int, drawn: int) -> int:
    """Return below which height the keys of a little more than `drawn` of so many pairs lie."""
    height = (drawn + SLACK * drawn**0.5 + SLACK) / population
    return KEYS if height >= 1 else int(height * KEYS)


def _told(maps: Sequence[PlaceMap]) -> str:
    return "\n".join(sorted(str(one) for one in maps))
