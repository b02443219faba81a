"""What each key of a job file means, said once for the template of a job file and the reference of all keys."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from verifier.amount import SECONDS
from verifier.classes import Field, Phase
from verifier.job.job import LONGEST_NAME, Occasion
from verifier.scan.engine import MAX_READERS
from verifier.tree.digests import Algorithm

_DURATION: Final = f"a number with a unit: {', '.join(SECONDS)}"
_PATH: Final = "a path, absolute or relative to the folder of this file"
_PATHS: Final = "a list of paths, each absolute or relative to the folder of this file"
_MOMENT: Final = "a date-time, or ISO 8601 text; without a zone it is local time"


@dataclass(frozen=True, slots=True)
class Key:
    """One key."""

    table: str
    """The table in which it stands; empty for the top of the file."""
    name: str
    meaning: str
    """What it says, with its unit, in whole sentences."""
    allowed: str
    """Which values there are."""
    written: str
    """As TOML: its default; where it has none, an example."""
    without: str = ""
    """What holds where it is left out, if there is no default to write down."""
    required: bool = False
    """The value is the user's own, and there has to be one."""


@dataclass(frozen=True, slots=True)
class Table:
    """One table."""

    name: str
    meaning: str
    repeatable: bool = False


def _listed(texts: type[Phase | Field | Occasion | Algorithm]) -> str:
    return ", ".join(texts)


TABLES: Final = (
    Table("", "The job."),
    Table("old", "The side that is moved away from. May be left out only when the phase is retired from the start."),
    Table("new", "The side that is moved to."),
    Table("map", "What lay in one folder of the old side is expected in another of the new side.", repeatable=True),
    Table("rules", "What is compared, and what counts as clutter."),
    Table("gates", "When what is part of the work began: later changes are no surprise. They never excuse damage."),
    Table("scan", "How both sides are read."),
    Table("window", "How long one night's run may read. What is left is read in the next one."),
    Table("evidence", "Where everything is written. Never inside one of the sides."),
    Table(
        "keep",
        "How long the evidence of a night is kept; none shorter than the one before it. What is signed, and each night "
        "that found something worse, is kept for ever.",
    ),
    Table(
        "notify",
        "Who is told, and when. An address holds a password or a token, so it does not stand here: this file says "
        "where it is.",
    ),
)
"""In the order in which a job file has them."""

KEYS: Final = (
    Key(
        "",
        "name",
        "What messages and the history call this job.",
        f"one line of at most {LONGEST_NAME} printable characters",
        '"herbarium"',
        required=True,
    ),
    Key(
        "",
        "phase",
        "The phase in which the job begins; `verifier job advance` leads to the next. copying: the old side is worked "
        "on, the new one is being filled. frozen: the old side must not change, and the new one must equal it. live: "
        "people work on the new side. retired: the old side is gone.",
        _listed(Phase),
        '"copying"',
        required=True,
    ),
    Key(
        "old",
        "root",
        "The folder on which the share is mounted, or a manifest that `verifier scan` made of it.",
        _PATH,
        '"/mnt/old"',
        required=True,
    ),
    Key("old", "label", "What messages and the history call it.", "one line of text", '""', "old"),
    Key(
        "new",
        "roots",
        "The folder; several where the old share was split: together they are one tree, in which each is a folder "
        "called by the last part of its path. Or one manifest.",
        _PATHS,
        '["/mnt/new"]',
        required=True,
    ),
    Key("new", "label", "What messages and the history call it.", "one line of text", '""', "new"),
    Key("map", "old", "The folder, relative to the old root.", 'a path with /; "." is the root', '"scans"'),
    Key(
        "map",
        "new",
        "Where it is expected, relative to the new root; where there are several, it begins with the name of one.",
        'a path with /; "." is the root',
        '"archive/scans"',
    ),
    Key(
        "rules",
        "files",
        "Rule files beside the rules that ship; of two that say different things the later one wins.",
        _PATHS,
        "[]",
    ),
    Key(
        "rules",
        "compare",
        "Metadata to compare although a side may make it up, or although it is only counted otherwise.",
        f"a list of {_listed(Field)}",
        "[]",
    ),
    Key(
        "rules",
        "ignore",
        "Metadata to leave out. Content is never left out.",
        f"a list of {_listed(Field)}",
        "[]",
    ),
    Key(
        "gates",
        "frozen_at",
        "The moment at which the old side stopped changing, or at which its snapshot was taken: what changed there "
        "later is still to be copied.",
        _MOMENT,
        "2026-11-21T22:00:00+01:00",
        "the moment at which the job enters the phase frozen",
    ),
    Key(
        "gates",
        "live_since",
        "The moment at which people began to work on the new side: what changed there later is their work.",
        _MOMENT,
        "2026-11-23T06:00:00+01:00",
        "the moment at which the job enters the phase live",
    ),
    Key(
        "scan",
        "algorithm",
        "The digest of each file's content. sha256 where a FIPS hash is required; xxh3-128 is fast and finds faults, "
        "not forgeries. Changing it means reading everything again.",
        _listed(Algorithm),
        '"blake3"',
        "that of a given manifest, else blake3",
    ),
    Key(
        "scan",
        "readers",
        "Files read at the same time on each device. auto begins low and tries what is fastest.",
        f'1 to {MAX_READERS}, or "auto"',
        '"auto"',
    ),
    Key(
        "scan",
        "limit_rate",
        "What all readers of a side together may read, in bytes a second.",
        'such as "150MB/s" or "100MiB/s"',
        '"150MB/s"',
        "as fast as it goes",
    ),
    Key(
        "scan",
        "idle",
        "Read at the lowest priority of processor and disk, so that others hardly notice.",
        "true, false",
        "true",
    ),
    Key(
        "scan",
        "cold",
        "Have the system drop a file's pages from this machine's memory before it is read, so that the disk answers.",
        "true, false",
        "false",
    ),
    Key(
        "scan",
        "cross_mounts",
        "Enter other file systems that are mounted inside a root.",
        "true, false",
        "false",
    ),
    Key(
        "scan",
        "stall_after",
        "A read that has not moved for so long is reported by name and given up.",
        _DURATION,
        '"60s"',
    ),
    Key(
        "scan",
        "reread",
        "Each file is really read at least so often, although nothing about it seems to have changed: only reading "
        "shows a bit that flipped.",
        f'{_DURATION}, or "never"',
        '"30d"',
    ),
    Key(
        "window",
        "until",
        "The local time of day at which reading stops.",
        '"00:00" to "23:59"',
        '"06:00"',
        "no such time",
    ),
    Key(
        "window",
        "at_most",
        "How long reading takes at most; where both are given, the earlier end holds.",
        _DURATION,
        '"5h"',
        "as long as it takes",
    ),
    Key(
        "evidence",
        "folder",
        "The folder for the ledger, the history and the evidence of each night. It is made if it is not there.",
        _PATH,
        '"/var/lib/verifier/herbarium"',
        required=True,
    ),
    Key(
        "evidence",
        "accepted",
        "What was accepted by name (`verifier accept`) elsewhere: an evidence folder, or the exceptions.sqlite in it.",
        _PATH,
        '"/srv/proof-2026-11"',
        "what was accepted in the evidence of the last night",
    ),
    Key("keep", "every", "Each night up to this age.", _DURATION, '"14d"'),
    Key("keep", "weekly", "Then one night of each week up to this age.", _DURATION, '"90d"'),
    Key("keep", "monthly", "Then one night of each month up to this age. A year is 365 days.", _DURATION, '"10y"'),
    Key(
        "notify",
        "on",
        "Empty: nobody is told. worse: something stands in the way, or needs a look, that did not the night before. "
        "failure: a run could not begin, or did not reach its end. better: what stood in the way is gone. weekly: once "
        "a week, whatever the night came to. every: after each run.",
        f"a list of {_listed(Occasion)}",
        "[]",
    ),
    Key(
        "notify",
        "urls_file",
        "A file with one address a line, which nobody else may read (chmod 600).",
        _PATH,
        '"/etc/verifier/herbarium.urls"',
        "no such file",
    ),
    Key(
        "notify",
        "urls_env",
        "Instead of urls_file: the environment variable that holds the addresses, with spaces between them.",
        "a name of letters, digits and _",
        '"HERBARIUM_ADDRESSES"',
        "no such variable",
    ),
)
"""In the order in which a job file has them."""


def keys_in(table: Table) -> list[Key]:
    """Return the keys of a table, in order."""
    return [key for key in KEYS if key.table == table.name]
