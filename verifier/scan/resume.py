"""Beginning a manifest, or going on with one that a scan left unfinished.

A scan that goes on lists the tree again, because names may have come and gone, and takes over what was read of every
file that has not changed since. What the ended scan had read lies beside the new manifest until that is complete:

    FILE           the manifest under way
    FILE.before    what earlier attempts of the same scan had read

Whenever it is ended, what FILE holds moves into FILE.before at the next start, in one transaction or one rename, so
however often it is ended, nothing that was read and written is read again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from verifier.errors import EvidenceUnwritable, ManifestDamaged, RootUnavailable, UsageProblem
from verifier.manifest.database import named
from verifier.manifest.store import Manifest

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from verifier.tree.digests import Algorithm
    from verifier.tree.share import Share

SUFFIX: Final = ".before"


def before_of(manifest: Path) -> Path:
    """Return where what earlier attempts had read lies."""
    return manifest.with_name(manifest.name + SUFFIX)


def resume(manifest: Path, share: Share, algorithm: Algorithm, *, finished_too: bool) -> Mapping[str, str] | None:
    """Make room for a manifest, and keep what an unfinished one in its place holds.

    Args:
        manifest: Where it goes.
        share: The tree.
        algorithm: Of the scan that begins.
        finished_too: Go on from a complete manifest as well; otherwise it is in the way.

    Returns:
        Facts of the scan that is gone on with; None where there is nothing to go on from.

    Raises:
        UsageProblem: If the file is something else, is complete, or was made of another root or with another
            algorithm, so that its rows would be wrong.
        RootUnavailable: If the root is empty now and was not.
        EvidenceUnwritable: If another run holds it.
    """
    before = before_of(manifest)
    facts: Mapping[str, str] | None = None
    if before.exists():
        facts = _checked(before, share, algorithm)
    if manifest.exists():
        facts = _move(manifest, before, share, algorithm, finished_too=finished_too) or facts
    if facts is not None and share.is_empty():
        raise RootUnavailable(
            f"{share.named} is an empty folder, and {named(manifest)} was begun when it was not", "is it mounted?"
        )
    return facts


def _move(
    manifest: Path, before: Path, share: Share, algorithm: Algorithm, *, finished_too: bool
) -> Mapping[str, str] | None:
    found = _recovered(manifest)
    if found is None:
        _remove(manifest)
        return None
    with found:
        facts = found.facts()
        if facts.get("complete") == "1" and not finished_too:
            raise UsageProblem(f"{named(manifest)} is there already", "choose another name, or move it away")
        if not facts:  # it was ended before it had written its first fact
            found.close()
            _remove(manifest)
            return None
        _check(manifest, facts, share, algorithm)
    if not before.exists():
        manifest.replace(before)
        return facts
    kept = _recovered(before)
    assert kept is not None  # `_checked` removes one that holds nothing
    with kept:
        kept.take_over(manifest)
    _remove(manifest)
    return facts


def left_facts(manifest: Path) -> Mapping[str, str] | None:
    """Return the facts of what a scan left in a manifest's place, or beside it; None where it left nothing.

    Raises:
        NotAManifest: If a file there is something else.
        EvidenceUnwritable: If another run holds it.
        ManifestDamaged: If its tables are not what they must be.
    """
    for path in (manifest, before_of(manifest)):
        found = _recovered(path) if path.exists() else None
        if found is not None:
            with found:
                facts = found.facts()
            if facts:
                return facts
    return None


def _recovered(path: Path) -> Manifest | None:
    try:
        return Manifest.recover(path)
    except ManifestDamaged as error:
        raise ManifestDamaged(error.what, "remove it, and what it held is read again") from error


def _checked(before: Path, share: Share, algorithm: Algorithm) -> Mapping[str, str] | None:
    found = _recovered(before)
    if found is None:
        _remove(before)
        return None
    with found:
        facts = found.facts()
    _check(before, facts, share, algorithm)
    return facts


def _check(path: Path, facts: Mapping[str, str], share: Share, algorithm: Algorithm) -> None:
    """Refuse to go on where the rows would be wrong."""
    hint = "run it as before, or name another file"
    if facts.get("root") != share.named:
        raise UsageProblem(f"{named(path)} was begun for {facts.get('root')}, not for {share.named}", hint)
    if facts.get("algorithm") != algorithm.value:
        raise UsageProblem(f"{named(path)} was begun with {facts.get('algorithm')}, not with {algorithm.value}", hint)
    if (was := _mounted(facts)) != (now := (share.type_name, share.mount_source)):
        raise UsageProblem(
            f"{named(path)} was begun when {share.named} was {' on '.join(was)}; now it is {' on '.join(now)}",
            "mount what was there, or name another file",
        )


def _mounted(facts: Mapping[str, str]) -> tuple[str, str]:
    return facts.get("file_system", ""), facts.get("mount_source", "")


def _remove(path: Path) -> None:
    try:
        path.unlink()
    except OSError as error:
        raise EvidenceUnwritable(f"{named(path)} cannot be removed ({error.strerror})") from error


def check_reuse(manifest: Path, share: Share, algorithm: Algorithm, host: str) -> None:
    """Refuse to carry digests over from a manifest of something else, by what it says of itself.

    Whether it is what was written is checked beside the scan (`verifier.scan.guard.CheckAside`).

    Args:
        manifest: The earlier manifest.
        share: The tree that is scanned now.
        algorithm: Of this scan.
        host: The name of this machine.

    Raises:
        UsageProblem: If it was made of another root, on another machine or with another algorithm, or is unsealed.
        RootUnavailable: If the root is empty now and was not.
    """
    with Manifest.open(manifest) as earlier:
        facts = earlier.facts()
    if (facts.get("host"), facts.get("root")) != (host, share.named):
        raise UsageProblem(
            f"{named(manifest)} was made of {facts.get('root')} on {facts.get('host')}, not of {share.named} on {host}",
            "a copy has the same times and sizes and may have other bytes: reuse only a manifest of this very root",
        )
    if (was := _mounted(facts)) != (now := (share.type_name, share.mount_source)):
        raise UsageProblem(
            f"{named(manifest)} was made when {share.named} was {' on '.join(was)}; now it is {' on '.join(now)}",
            "leave --reuse out, so that everything is read",
        )
    if facts.get("algorithm") != algorithm.value:
        raise UsageProblem(
            f"{named(manifest)} was made with {facts.get('algorithm')}, this scan asks for {algorithm.value}",
            "leave --reuse out, so that everything is read",
        )
    if facts.get("complete") != "1":
        raise UsageProblem(f"{named(manifest)} is incomplete", "reuse a complete one")
    if share.is_empty():
        with Manifest.open(manifest) as earlier:
            entries = earlier.totals().entries
        if entries:
            raise RootUnavailable(
                f"{share.named} is an empty folder, and {named(manifest)} holds {entries:,} entries of it",
                "is it mounted?",
            )
