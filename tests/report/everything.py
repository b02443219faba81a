"""Pages that are hard on a browser: with everything in them, endless names, or as much as a page can hold."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from tests.report.evidence import MARKUP, RULES, finding, one_of_each, wanted
from tests.tree.pairs import Limits, naive
from verifier.classes import Cause, Class, Side
from verifier.reconcile.folders import FolderSize, Ground
from verifier.report.page import DECISION_LINES

if TYPE_CHECKING:
    from verifier.reconcile.findings import Finding
    from verifier.tree.damage import Damage

ENDLESS: Final = "nowhereabreak" * 60
"""A name without any place to break a line at."""
ASKING: Final = {f"rule-{n:02}": RULES["bin"] for n in range(DECISION_LINES + 3)}
"""Rules that ask for a decision, more than the block to sign has lines for."""
SIGNED: Final[dict[str, Any]] = {"by": ENDLESS[:200], "role": ENDLESS[:200], "despite": ENDLESS, "statement": ENDLESS}
"""What somebody signs with who writes without a space."""


def damaged(place: int, path: str = "scan.tif", size: int = 10_000, **changes: Any) -> Finding:
    """Return a finding about a file in which one byte was changed."""
    if "damage" not in changes:
        changes["damage"] = flipped(place, size).to_json()
    known: dict[str, Any] = {"cause": "silent", "old_size": size, "new_size": size}
    return finding(Class.CONTENT_CHANGED, path, path, **known | changes)


def flipped(place: int, size: int, **changes: Any) -> Damage:
    """Return the damage of a file in which one byte was changed."""
    old = b"\7" * size
    damage = naive(old, old[:place] + b"<" + old[place + 1 :], Limits())
    assert damage is not None
    return replace(damage, **changes)


def everything(asking: int = 3, **given: Any) -> dict[str, Any]:
    """Return arguments for a page with everything in it, hostile and endless names among it.

    Args:
        asking: How many rules ask for a decision.
        given: What is otherwise.
    """
    rules = dict(list(ASKING.items())[:asking])
    large = {"old_size": 10**16, "new_size": 10**16 + 1, "old_mtime_ns": 10**18 + 123456789}
    findings = [
        *one_of_each(MARKUP),
        finding(Class.MISSING, ENDLESS),
        finding(Class.NAME_ALTERED, ENDLESS + "a", ENDLESS + "A", reason=ENDLESS),
        finding(Class.CONTENT_CHANGED, "big", "big", **large),
        finding(Class.CONTENT_CHANGED, "cut", "cut", cause="empty", new_size=0),
        finding(Class.MISSING, "rotten"),
        *(finding(Class.EXTRA, None, f"more/{n:03}") for n in range(80)),
        *(finding(Class.RELOCATED, f"from/{n}", f"to/{n}", group_path="from") for n in range(3)),
        damaged(4660),
        damaged(1, ENDLESS),
        *(finding(Class.CLUTTER, name, rule=name, decision=True) for name in rules),
    ]
    sizes = [FolderSize("m", Side.OLD, 5, 5, 10**7), FolderSize(ENDLESS, Side.OLD, 5, 5, 10**6)]
    sizes += [FolderSize(f"m/{ENDLESS}", Side.OLD, 5, 5, 10), FolderSize("to", Side.NEW, 3, 3, 300)]
    usual: dict[str, Any] = {
        "findings": findings,
        "rules": RULES | rules,
        "facts": {side: {"root": f"/{ENDLESS}", "label": ENDLESS, "host": ENDLESS} for side in Side},
        "ground": Ground("", tuple(sorted(sizes)), 3),
        "exceptions": [wanted("rotten", because=ENDLESS)],
    }
    return usual | given


_CROWDS: Final = (
    Class.MISSING,
    Class.UNREADABLE,
    Class.RELOCATED,
    Class.METADATA_ONLY,
    Class.EXTRA,
    Class.DRIFT,
)


def largest() -> dict[str, Any]:
    """Return arguments for a page with every list full, and as many figures, folders and exceptions as it takes."""
    rules = {f"rule-{n:03}": RULES["bin"] for n in range(300)} | {"previews": RULES["previews"]}
    findings = [
        finding(Class.CLUTTER, f"{name}/{n}/{'<&>' * 80}", rule=name, decision=True) for name in rules for n in range(6)
    ]
    name = "'" * 200
    several = tuple((4096 * 3 * n, 4096) for n in range(3))
    damage = flipped(0, 10**6, ranges=several, differing_bytes=3 * 4096).to_json()
    for n in range(600):
        where = f"{n % 30:02}{name}/{n:04}{name}"
        findings += [finding(cls, f"{where}/{cls}", f"n{n}", reason="<>" * 40) for cls in _CROWDS]
        findings.append(damaged(0, where, 10**6, damage=damage))
        findings.append(finding(Class.NAME_ALTERED, f"a{n:04}", f"A{n:04}"))
    sizes = [FolderSize(f"{n:02}{name}", Side.OLD, 10**6, 10**6, 10**9) for n in range(30)]
    sizes += [FolderSize(f"{n % 30:02}{name}/{n:04}{name}", Side.OLD, 9, 9, 10**6) for n in range(600)]
    return {
        "findings": findings,
        "rules": rules,
        "ground": Ground("", tuple(sorted(sizes))),
        "exceptions": [wanted(f"a{n:04}", Class.NAME_ALTERED, because="&" * 1900) for n in range(60)],
        "signing": {"statement": "<" * 2000},
    }


def crowd(number: int) -> list[Finding]:
    """Return findings for five lists of so many rows each, in names that searches can tell apart, in their order."""
    causes = (Cause.SILENT, Cause.ZERO_FILLED, Cause.OTHER)
    found = []
    for n in range(number):
        size = (n * 7919) % 10_007 * 10 ** (n % 5)
        note = f"note/b{n % 11:02}/{n:04}"
        sizes = {"old_size": size, "new_size": size // 2}
        found += [
            finding(Class.MISSING, f"herb/F{n % 37:02}/s{n:04}", old_size=size, reason="lost"),
            finding(Class.CONTENT_CHANGED, note, note, cause=causes[n % 3].value, reason="other", **sizes),
            finding(Class.UNREADABLE, f"seed/\u00e9{n:04}", f"seed/\u00e9{n:04}", reason="EIO"),
            finding(Class.RELOCATED, f"a/{n:04}", f"b/{n * 37 % 1000:04}", reason="moved"),
            finding(Class.EXTRA, None, f"x/{n * 271 % 1000:03}", new_size=size, reason="new"),
        ]
    return sorted(found, key=lambda one: (one.old_path or "", one.new_path or ""))
