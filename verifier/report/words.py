"""Sentences that every form of the report shares: cautions, limits of the proof, what to do about a class."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from verifier.classes import TRUSTED, Cause, Class, VerdictKind
from verifier.decisions.signoff import Looked
from verifier.tree.names import shown
from verifier.verdict import count_of

if TYPE_CHECKING:
    from verifier.decisions.signoff import SignOff

CAUTIONS: Final = (
    "A verified copy is not a backup. One fault, one mistake or one thief can still take the only copy there is.",
    "Keep the old side until a second verified copy exists in another place.",
    "Retention duties and local rules come first, and so does the administrator who is responsible for this data.",
    "Wiping is final. Decide by name about everything that was set aside before the old side goes.",
)

NOT_PROVED: Final = (
    "That the content was good on the old side: what was damaged there before the move was copied faithfully.",
    "That the new disks will keep it: this was true when it was read, and only reading again shows it later.",
    "That every byte came from the medium: a freshly written copy may be answered from a cache in memory.",
    "What cannot be compared between these two file systems: it is listed above with the reason.",
    "That programs can work with it: permissions in use, shares, databases and links from outside were not tried.",
)

HEADLINES: Final[dict[VerdictKind, str]] = {
    VerdictKind.TRUSTWORTHY: "Trustworthy",
    VerdictKind.WITH_EXCEPTIONS: "Trustworthy with accepted exceptions",
    VerdictKind.NOT_TRUSTWORTHY: "Not trustworthy",
    VerdictKind.INCONCLUSIVE: "Inconclusive",
}

MEANINGS: Final[dict[VerdictKind, str]] = {
    VerdictKind.TRUSTWORTHY: "Everything that counts as data is on the new side, with the same content.",
    VerdictKind.WITH_EXCEPTIONS: "Only findings that somebody accepted by name stand in the way.",
    VerdictKind.NOT_TRUSTWORTHY: "Something is missing, damaged or of another kind. Do not wipe the old side.",
    VerdictKind.INCONCLUSIVE: "Not everything could be checked. Do not wipe the old side; check again.",
}

ADVICE: Final[dict[Class, str]] = {
    Class.MISSING: "Copy these again from the old side, then check again.",
    Class.CONTENT_CHANGED: "Find out which side is right, copy that one over the other, then check again.",
    Class.KIND_CHANGED: "Look at both sides: a folder or link stands where a file was, or the other way round.",
    Class.UNREADABLE: "Run as a user who may read these, or mend the medium, then check again.",
    Class.UNSETTLED: "Somebody or something was writing here. Freeze or snapshot the side, then check again.",
    Class.UNPROVEN: "Run the check without --listing-only, or let it finish, so that both sides are read.",
    Class.NAME_ALTERED: "The content is there. See whether programs and people will find it under the new name.",
    Class.RELOCATED: "The content is there, at another place. Nothing to do if somebody moved it on purpose.",
    Class.METADATA_ONLY: "The content is the same. Decide whether the times, modes or owners matter here.",
    Class.EXTRA: "On the new side only: made there, or left from an earlier copy. Nothing of the old side is lost.",
    Class.DRIFT: "Changed after the gate you gave. What changed on the old side is still to be copied.",
    Class.CLUTTER: "Set aside by a rule, not counted as data. What may be somebody's work asks for a decision.",
    Class.IDENTICAL: "Nothing to do.",
}
"""What to do next about each class."""

MEANS: Final[dict[Class, str]] = {
    Class.IDENTICAL: "same place, same content, compared metadata agree",
    Class.CLUTTER: "set aside by a rule whose guards hold",
    Class.MISSING: "on the old side; its content is nowhere unclaimed on the new side",
    Class.CONTENT_CHANGED: "at the same place on both sides, with other bytes or another link target",
    Class.KIND_CHANGED: "a file on one side, a folder, link or device on the other",
    Class.UNREADABLE: "a side could not read or list it",
    Class.UNSETTLED: "changed while it was being read, on every attempt",
    Class.UNPROVEN: "on both sides, sizes agree, content not read on both",
    Class.NAME_ALTERED: "same content, the name differs by letter case, Unicode form or a stand-in character",
    Class.RELOCATED: "same content at another place, paired one to one",
    Class.METADATA_ONLY: "same content, compared metadata differs",
    Class.EXTRA: "on the new side only",
    Class.DRIFT: "changed after a time gate that was given",
}
"""What each class means, in a few words."""

CAUSES: Final[dict[Cause, str]] = {
    Cause.EMPTY: "the new file has no bytes",
    Cause.TRUNCATED: "the new file ends early; up to there it is the same",
    Cause.ZERO_FILLED: "the new file holds zero bytes where the old one holds data",
    Cause.SILENT: "same size and same time, other bytes: nothing but reading shows it",
    Cause.STALE: "the new file is the older version, by its time",
    Cause.NEWER: "the new file is the later version, by its time",
    Cause.OTHER: "none of the other causes",
    Cause.NOT_REPEATED: "read again both files were the same: suspect memory, cable or controller, and check again",
}
"""What each cause means to somebody who reads the page."""

TO_DO: Final[dict[str, str]] = {
    "EACCES": "run as a user who may read them",
    "EPERM": "run as a user who may read them",
    "EIO": "the medium cannot be read: look at the disk, cable and controller, then scan again",
    "EREMOTEIO": "the medium cannot be read: look at the disk, cable and controller, then scan again",
    "EBADMSG": "the file system says that it is damaged: have it checked before anything else",
    "EUCLEAN": "the file system says that it is damaged: have it checked before anything else",
    "ENOENT": "they went while the scan ran: freeze or snapshot the side",
    "ENOTDIR": "they were replaced while the scan ran: freeze or snapshot the side",
    "ESTALE": "they were replaced on the server while the scan ran: freeze or snapshot the side",
    "EMFILE": "raise the limit of open files (ulimit -n), or give fewer --readers",
    "ENFILE": "the system has too many files open: close other programs",
    "ENAMETOOLONG": "the name is too long for this system: scan where the disks are",
    "ENOKEY": "unlock the encrypted folder first",
}
"""What to do next about an error of this name."""


def problem_line(operation: str, error: str, entries: int, folder: str, attempts: int) -> str:
    """Say in one line what went wrong with how many entries, where, and what to do."""
    where = f" under {shown(folder)}/" if folder else ""
    tried = f" after {attempts} attempts" if attempts > 1 else ""
    what = count_of(entries, "entry", "entries")
    if error.startswith("changed while"):
        to_do = "somebody was writing there: freeze or snapshot the side"
    elif error.startswith("no answer"):
        to_do = "the share or the disk hung there: look at both, then scan again"
    elif error.startswith("content changed"):
        to_do = "bytes changed under an unchanged size and time: suspect the disk, and compare with another copy"
    else:
        to_do = TO_DO.get(error, "")
    return f"{shown(error)} ({operation}) on {what}{where}{tried}" + (f": {to_do}" if to_do else "")


def despite_what(signed: SignOff) -> str:
    """Say what somebody signed in spite of, where a reason was needed."""
    return "what changed since the check" if signed.verdict in TRUSTED else "this verdict"


LOOKED_WORDS: Final[dict[Looked, str]] = {
    Looked.SEEN: "seen",
    Looked.OPEN: "OPEN",
    Looked.PERSON: "yours to know",
}
"""How far a point of the checklist was looked at."""

FILE_SYSTEM_FACTS: Final = (
    ("Mount options", "mount_options"),
    ("Step of times", "grain_ns"),
    ("Names that differ by letter case only", "case_sensitive"),
    ("Names that differ by Unicode form only", "unicode"),
    ("Owners and groups", "owners"),
    ("Permission bits", "modes"),
    ("Access control lists", "acls"),
    ("Extended attributes", "xattrs"),
    ("Alternate streams", "streams"),
    ("Hard links", "hard_links"),
    ("Inode numbers", "inodes"),
    ("Space taken", "compresses"),
)
"""What is said about each side's file system, by the names of a manifest's facts."""
FACT_WORDS: Final[dict[tuple[str, str], str]] = {
    ("", ""): "not known",
    ("", "1"): "held",
    ("", "0"): "not held",
    ("case_sensitive", "1"): "are two names",
    ("case_sensitive", "0"): "are one name",
    ("unicode", "distinct"): "are two names",
    ("unicode", "same"): "are one name",
    ("owners", "0"): "made up by the mount",
    ("modes", "0"): "made up by the mount",
    ("streams", "xattr"): "shown as extended attributes",
    ("streams", "none"): "none",
    ("inodes", "1"): "real",
    ("inodes", "0"): "made up, or not to be relied on",
    ("compresses", "1"): "says nothing about holes: it compresses",
    ("compresses", "0"): "shows holes",
}
"""What a fact's value means, for the fact of this name or for all that have no words of their own."""
