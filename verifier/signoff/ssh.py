"""Signatures by the system's OpenSSH: ``ssh-keygen -Y`` (ssh-keygen(1); the format is OpenSSH's PROTOCOL.sshsig).

Nothing here knows a passphrase: ssh-keygen asks for it on the terminal, or an agent holds the key.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.decisions.signoff import FINGERPRINT
from verifier.errors import CannotRun, UsageProblem
from verifier.manifest.database import named
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime
    from pathlib import Path

PROGRAM: Final = "ssh-keygen"
NAMESPACE: Final = "verifier-signoff"
"""Keeps a signature that was made for another purpose from being taken for a sign-off's, and the other way round."""
MOST_SAID: Final = 400
"""Characters of what ssh-keygen says that are passed on."""
SUFFIX: Final = ".sig"
"""What ssh-keygen adds to the name of a file that it signs."""
_TOUCH: Final = "Confirm user presence"
"""How it begins what it says when a hardware key has to be touched (openssh-portable, ssh-keygen.c, sign_one)."""
_LISTED: Final = re.compile(rf"[0-9]+ ({FINGERPRINT.pattern})(?: .*)?")
_GOOD: Final = re.compile(rf"Good .* key ({FINGERPRINT.pattern})", re.DOTALL)


class BadSignatureError(ValueError):
    """A signature that does not fit; the message says why, in ssh-keygen's words."""


class Signer(NamedTuple):
    """Whose signature it is, by a file of allowed signers."""

    principal: str
    key: str
    """Fingerprint."""
    still: bool
    """Whether the file allows that key now as well, not only at the time of the sign-off."""


class SigningKey(NamedTuple):
    """A key that is to sign."""

    file: Path
    """The private key, or the public one where an agent holds the private half."""
    fingerprint: str


def signing_key(file: Path) -> SigningKey:
    """Return a key by its file, without asking for its passphrase.

    Raises:
        UsageProblem: If it is not there, or is no key.
        CannotRun: If there is no ssh-keygen.
    """
    if not file.is_file():
        raise UsageProblem(f"--ssh-key {named(file)} is not there", "name a key that ssh-keygen made")
    ended = _run(("-l", "-f", str(file)))
    lines = ended.out.splitlines()
    found = _LISTED.fullmatch(lines[0]) if len(lines) == 1 and not ended.code else None
    if found is None:
        raise UsageProblem(
            f"--ssh-key {named(file)} is not a key whose public half can be read ({ended.why})",
            f"put the public half beside it: ssh-keygen -y -f KEY > {shown(file.name)}.pub",
        )
    return SigningKey(file, found[1])


def sign(key: SigningKey, file: Path, on_said: Callable[[str], None] = lambda _: None) -> Path:
    """Sign a file, and hold the signature against it; return where the signature lies, beside the file.

    Args:
        key: The key.
        file: What to sign.
        on_said: Told when a hardware key has to be touched, in ssh-keygen's words.

    Raises:
        CannotRun: If it could not be signed, or was signed by another key.
    """
    # Not through its input: without a terminal ssh-keygen would read the passphrase from there.
    told = _arguments("sign", "-q", "-f", str(key.file), "-n", NAMESPACE, str(file.absolute()))
    said: list[str] = []
    with subprocess.Popen(  # noqa: S603  its path was looked up
        (_program(), *told), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    ) as process:
        assert process.stderr is not None
        for line in process.stderr:
            said.append(line.decode(errors="replace"))
            if said[-1].startswith(_TOUCH):
                on_said(shown(said[-1].rstrip("\r\n")))
    signature = file.with_name(file.name + SUFFIX)
    if process.returncode or not signature.is_file():
        why = _why(said, process.returncode)
        raise CannotRun(f"{named(key.file)} could not sign ({why}); nothing was signed", "see ssh-keygen(1), -Y sign")
    _hold_to(key, signature, file.read_bytes())
    return signature


def _hold_to(key: SigningKey, signature: Path, message: bytes) -> None:
    try:
        by = fingerprint_of(signature, message)
    except BadSignatureError as error:
        raise CannotRun(f"the signature by {named(key.file)} does not hold ({error}); nothing was signed") from error
    if by != key.fingerprint:
        raise CannotRun(
            f"{named(key.file)} signs as {by}, and its public half is {key.fingerprint}; nothing was signed",
            "put the right .pub file beside it",
        )


def fingerprint_of(signature: Path, message: bytes) -> str:
    """Return the fingerprint of the key that made a signature over a message; whose key that is stays open.

    Raises:
        BadSignatureError: If the signature is none, is over other bytes, or was made for another purpose.
        CannotRun: If there is no ssh-keygen.
    """
    return _good(_run(_arguments("check-novalidate", "-n", NAMESPACE, "-s", str(signature)), message))


def signer_of(signature: Path, message: bytes, allowed: Path, at: datetime) -> Signer:
    """Return whose signature over a message it is.

    Args:
        signature: The signature.
        message: What was signed.
        allowed: Allowed signers (ssh-keygen(1), ALLOWED SIGNERS).
        at: When it was signed, as far as is known; the key has to be allowed at that time.

    Raises:
        BadSignatureError: If it does not hold, or by none of them.
        CannotRun: If there is no ssh-keygen.
    """
    then = f"-Overify-time={at.astimezone():%Y%m%d%H%M%S}"
    found = _run(_arguments("find-principals", then, "-s", str(signature), "-f", str(allowed)))
    principals = [line for line in found.out.splitlines() if line]
    if found.code or not principals:
        raise BadSignatureError(f"its key is none that {named(allowed)} allows: {found.why}")

    def verified(principal: str, *more: str) -> _Ended:
        who = ("-f", str(allowed), "-I", principal, "-n", NAMESPACE, "-s", str(signature))
        return _run(_arguments("verify", *more, *who), message)

    ended = [verified(principal, then) for principal in principals]
    first = next((number for number, one in enumerate(ended) if not one.code), 0)
    key = _good(ended[first])
    return Signer(shown(principals[first]), key, still=not verified(principals[first]).code)


class _Ended(NamedTuple):
    """How ssh-keygen ended."""

    code: int
    out: str
    why: str
    """What it said, as it may be shown."""


def _good(ended: _Ended) -> str:
    found = _GOOD.match(ended.out)
    if ended.code or found is None:
        raise BadSignatureError(ended.why)
    return found[1]


def _arguments(what: str, *more: str) -> Sequence[str]:
    return ("-Y", what, *more)


def _program() -> str:
    found = shutil.which(PROGRAM)
    if found is None:
        raise CannotRun(f"the program {PROGRAM} is not there", "install OpenSSH's client programs, 8.9 or later")
    return found


def _run(arguments: Sequence[str], message: bytes = b"") -> _Ended:
    ended = subprocess.run((_program(), *arguments), input=message, capture_output=True, check=False)  # noqa: S603
    out, said = (stream.decode(errors="replace") for stream in (ended.stdout, ended.stderr))
    return _Ended(ended.returncode, out, _why(said.splitlines(), ended.returncode))


def _why(said: Sequence[str], code: int) -> str:
    """Return what ssh-keygen said, as one line that may be shown, without the frames it draws around warnings."""
    lines = dict.fromkeys(shown(text) for line in said if (text := line.strip("@ \t\r\n")))
    return "; ".join(lines)[:MOST_SAID] or f"{PROGRAM} ended with {code}"
