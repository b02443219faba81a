"""Whether a signed evidence folder still is what somebody signed, and who that was. Nothing is written.

Every byte of every file counts, also those that a reader of the file would never look at.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier import clock
from verifier.decisions.checklist import FRESH, FRESH_ENOUGH, age_text
from verifier.decisions.signoff import SignedFile, SignOff, signed_bytes
from verifier.errors import UsageProblem
from verifier.evidence import REPORT_FILES, SIGNATURE_FILE, SIGNOFF_FILE
from verifier.manifest.database import named
from verifier.signoff import ssh
from verifier.signoff.files import READ_TOO, held_files, is_plain_file
from verifier.tree.names import shown
from verifier.tree.trouble import errno_name
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    from verifier.decisions.exceptions import Acceptance

SIGNATURE: Final = "signature"
"""What the answer about who signed is called; those about files have the file's name."""


class State(StrEnum):
    """What became of something that was signed."""

    HOLDS = "holds"
    UNCHANGED = "unchanged"
    CHANGED = "CHANGED"
    MISSING = "MISSING"
    BAD = "BAD"
    """A signature that proves nothing, or the wrong thing."""
    ADDED = "ADDED"
    """It came later, and changes what the folder says."""
    ENDED = "ENDED"
    """An exception whose time is over: what it covered is open again."""
    UNREAD = "UNREAD"
    """It cannot be read, so nothing is known."""
    BESIDE = "not signed"
    """It came later, and changes nothing that was signed."""
    OPEN = "not proved"
    """Nothing is wrong, and nothing is proved."""


HARMLESS: Final = (State.HOLDS, State.UNCHANGED, State.BESIDE, State.OPEN)


class Answer(NamedTuple):
    """What is known about one thing that was signed."""

    what: str
    """As it may be shown."""
    state: State
    told: str = ""


@dataclass(frozen=True, slots=True)
class Verified:
    """What a look at a signed evidence folder came to."""

    evidence: Path
    signed: SignOff | None
    """None where the sign-off itself is not what was written."""
    answers: tuple[Answer, ...]
    not_proved: tuple[str, ...]
    """What all this does not prove."""
    age: str
    """How old sign-off and evidence are now, in a sentence; empty without one."""

    @property
    def holds(self) -> bool:
        """Whether everything is what it was."""
        return all(answer.state in HARMLESS for answer in self.answers)

    @property
    def exit_code(self) -> int:
        """0 where all holds, 1 where something does not, 4 where something could not be read and all else holds."""
        if self.holds:
            return 0
        return 1 if any(one.state not in (*HARMLESS, State.UNREAD) for one in self.answers) else 4


def verify(evidence: Path, allowed: Path | None = None, on_stage: Callable[[str], None] = lambda _: None) -> Verified:
    """Hold a signed evidence folder against its sign-off.

    Args:
        evidence: The folder; nothing in it is changed.
        allowed: Allowed signers (ssh-keygen(1), ALLOWED SIGNERS); None leaves open whose the key is.
        on_stage: Told what happens.

    Raises:
        UsageProblem: If nothing is signed there, or the file of allowed signers is not there.
        CannotRun: If there is a signature and no ssh-keygen.
    """
    if allowed is not None and not allowed.is_file():
        raise UsageProblem(f"--allowed-signers {named(allowed)} is not there", "see ssh-keygen(1), ALLOWED SIGNERS")
    try:
        message = signed_bytes(evidence)
        signed = SignOff.from_json(message.decode())
    except (FileNotFoundError, NotADirectoryError):
        return _unsigned(evidence)
    except ValueError as error:
        return _damaged(evidence, error)
    now = clock.now()
    on_stage("reading everything that was signed")
    answers = [
        Answer(SIGNOFF_FILE, State.UNCHANGED, f"since it was written; its digest is {signed.digest}"),
        _signature(evidence, signed, message, allowed),
        *_files(evidence, signed.files),
        *_ended(signed.exceptions, now),
    ]
    return Verified(evidence, signed, tuple(answers), tuple(_not_proved(signed, allowed)), _age(signed, now))


def _unsigned(evidence: Path) -> Verified:
    if not (evidence / SIGNATURE_FILE).exists():
        raise UsageProblem(f"{named(evidence)} holds no sign-off", "`verifier signoff EVIDENCE --by NAME` writes one")
    told = "there is a signature: it was removed, or signing was ended before its end"
    return Verified(evidence, None, (Answer(SIGNOFF_FILE, State.MISSING, told),), (), "")


def _damaged(evidence: Path, error: ValueError) -> Verified:
    told = f"since it was written ({shown(str(error))}); nothing else can be held against it"
    answer = Answer(SIGNOFF_FILE, State.CHANGED, told)
    return Verified(evidence, None, (answer,), (), "")


def _age(signed: SignOff, now: datetime) -> str:
    at, checked = (now - datetime.fromisoformat(text) for text in (signed.at, signed.checked or signed.at))
    if min(at, checked) < timedelta(0):
        return f"Signed {signed.at}, which is still to come: is a clock wrong?"
    told = f"Signed {age_text(at)} ago"
    if not signed.checked:
        return f"{told}."
    told = f"{told}; the check ended {age_text(checked)} ago."
    return f"{told} {FRESH_ENOUGH}" if checked > FRESH else told


# The signature


def _signature(evidence: Path, signed: SignOff, message: bytes, allowed: Path | None) -> Answer:
    path = evidence / SIGNATURE_FILE
    if not path.is_file():
        return _no_signature(signed, allowed)
    if not signed.key:
        told = f"{SIGNATURE_FILE} is there, and it was signed without a key: somebody put it there later"
        return Answer(SIGNATURE, State.BAD, told)
    try:
        by = ssh.fingerprint_of(path, message)
        if by != signed.key:
            told = f"made by the key {by}; the sign-off names {signed.key}"
            return Answer(SIGNATURE, State.BAD, told)
        if allowed is None:
            told = f"fits, by the key {by}; whose key that is must be known from elsewhere (--allowed-signers)"
            return Answer(SIGNATURE, State.OPEN, told)
        signer = ssh.signer_of(path, message, allowed, datetime.fromisoformat(signed.at))
    except ssh.BadSignatureError as error:
        return Answer(SIGNATURE, State.BAD, str(error))
    if signer.key != by:
        return Answer(SIGNATURE, State.BAD, f"made by the key {by}, and verified as one by {signer.key}")
    later = "" if signer.still else "; the key was allowed at the time that the sign-off names, and is not any more"
    return Answer(SIGNATURE, State.HOLDS, f"by {signer.principal}, with the key {by}{later}")


def _no_signature(signed: SignOff, allowed: Path | None) -> Answer:
    if signed.key:
        return Answer(SIGNATURE, State.MISSING, f"{SIGNATURE_FILE} is not there; the key {signed.key} made one")
    if allowed is not None:
        return Answer(SIGNATURE, State.MISSING, "signed without a key: none of the allowed signers made it")
    return Answer(SIGNATURE, State.OPEN, "signed without a key: nothing shows who it was")


# The files


def _files(evidence: Path, signed: Mapping[str, SignedFile]) -> Iterator[Answer]:
    there = held_files(evidence)
    for name in sorted({*signed, *there}):
        if name not in signed:
            yield _added(name)
        elif name not in there:
            yield Answer(shown(name), State.MISSING, f"{signed[name].bytes:,} bytes when it was signed{_hint(name)}")
        else:
            yield _file(name, there[name], signed[name])


def _added(name: str) -> Answer:
    if name in READ_TOO:
        return Answer(shown(name), State.ADDED, "was not there when it was signed, and changes what is read here")
    return Answer(shown(name), State.BESIDE, "is not part of the sign-off")


def _file(name: str, path: Path, was: SignedFile) -> Answer:
    try:
        if not is_plain_file(path):
            return Answer(shown(name), State.CHANGED, "was a file when it was signed, and is none now")
        now = SignedFile.of(path)
    except OSError as error:
        return Answer(shown(name), State.UNREAD, f"cannot be read ({errno_name(error)})")
    if now == was:
        return Answer(shown(name), State.UNCHANGED)
    told = f"{was.bytes:,} bytes when it was signed, {now.bytes:,} now"
    if now.bytes == was.bytes:
        told = f"still {now.bytes:,} bytes, with other content than was signed"
    return Answer(shown(name), State.CHANGED, told + _hint(name))


def _hint(name: str) -> str:
    return "; `verifier report` writes it again as it was signed" if name in REPORT_FILES else ""


# What is no file


def _ended(exceptions: tuple[Acceptance, ...], now: datetime) -> Iterator[Answer]:
    for one in exceptions:
        if not one.in_force(now):
            entries = count_of(one.covers.entries, "entry", "entries")
            told = f"its time was over at {one.until}: the {entries} that it covered are open again"
            yield Answer(f"exception {one.number}", State.ENDED, told)


def _not_proved(signed: SignOff, allowed: Path | None) -> Iterator[str]:
    if not signed.key:
        yield (
            "That nobody exchanged it all: it was signed without a key, and whoever can write in this folder can "
            "change everything in it and sign anew. Its digest shows that, if it was written down elsewhere."
        )
    elif allowed is None:
        yield "Who signed: the signature shows that one key made it, and not whose key that is."
    yield "When it was signed: the time is what the machine's clock said."
    yield "That the copy is today what it was when it was read: only a new check shows that."
