"""A garden's two trees with a finished check of them, to be signed and to be tampered with."""

from __future__ import annotations

import os
import shutil
import subprocess
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from tests.reconcile.trees import FOLDER, Node, plant
from verifier.check import CheckRequest, check
from verifier.evidence import FINDINGS_FILE, SIGNOFF_FILE
from verifier.reconcile.findings import Findings
from verifier.rules.load import load_rules
from verifier.signoff.sign import Signing, sign
from verifier.signoff.verify import State, verify

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from verifier.decisions.signoff import SignOff

TREE: Final[dict[bytes, Node]] = {
    b"herbarium/sheet-1.tif": Node(b"one" * 50),
    b"herbarium/sheet-2.tif": Node(b"two" * 50),
    b"notes/fen.txt": Node(b"sedges, mostly"),
    b"notes/empty": FOLDER,
    b"Thumbs.db": Node(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)),
}
CURATOR: Final = "R. Curator"
PRINCIPAL: Final = "curator@garden.example"


@dataclass(frozen=True, slots=True)
class Garden:
    """Two trees, and where the check of them lies."""

    base: Path

    @property
    def old(self) -> Path:
        """The old side's root."""
        return self.base / "old"

    @property
    def new(self) -> Path:
        """The new side's root."""
        return self.base / "new"

    @property
    def evidence(self) -> Path:
        """The folder of the check."""
        return self.base / "proof"

    def check(self, **options: Any) -> None:
        """Check both trees as they are now; a check that is there is discarded."""
        shutil.rmtree(self.evidence, ignore_errors=True)
        check(CheckRequest(self.old, self.new, self.evidence, load_rules(), **options))

    def sign(self, **given: Any) -> SignOff:
        """Sign, by a curator who gives nothing but a name unless a test says otherwise."""
        return sign(Signing(**{"evidence": self.evidence, "by": CURATOR, **given}))

    def states(self, allowed: Path | None = None) -> dict[str, State]:
        """Return what `verify` says of everything, by its name."""
        return {answer.what: answer.state for answer in verify(self.evidence, allowed).answers}

    def odd(self, allowed: Path | None = None) -> dict[str, State]:
        """Return what does not hold."""
        quiet = (State.HOLDS, State.UNCHANGED, State.OPEN)
        return {what: state for what, state in self.states(allowed).items() if state not in quiet}

    def write(self, signed: SignOff, **changes: Any) -> None:
        """Put a sign-off in place as who can write there could: changed, with the right digest of itself."""
        (self.evidence / SIGNOFF_FILE).write_text(replace(signed, **changes).to_json(), "utf-8", newline="")

    def contents(self) -> dict[str, bytes]:
        """Return everything in the evidence folder."""
        return {item.name: item.read_bytes() for item in self.evidence.iterdir()}

    def restore(self, contents: Mapping[str, bytes]) -> None:
        """Make the evidence folder hold just that."""
        shutil.rmtree(self.evidence)
        self.evidence.mkdir()
        for name, data in contents.items():
            (self.evidence / name).write_bytes(data)


def lay_out(base: Path) -> Garden:
    """Plant two equal trees and check them."""
    garden = Garden(base)
    for root in (garden.old, garden.new):
        plant(root, TREE)
    garden.check()
    return garden


def damage(garden: Garden) -> None:
    """Change a byte on the new side so that only reading shows it, and check again."""
    plant(garden.new, {b"herbarium/sheet-1.tif": Node(b"onE" * 50)})
    garden.check()


def add_findings(evidence: Path, statement: str) -> None:
    """Change what the findings say, as no check does."""
    with Findings.reopen(evidence / FINDINGS_FILE) as findings:
        findings.connection.execute(statement)
        findings.commit()


def now() -> datetime:
    """Return this second."""
    return datetime.now(UTC).replace(microsecond=0)


# ---- Keys


def make_key(place: Path, *options: str, passphrase: str = "") -> Path:
    """Have ssh-keygen make a key pair; return the private key."""
    kind = options or ("-t", "ed25519")
    subprocess.run(["ssh-keygen", "-q", *kind, "-N", passphrase, "-C", "garden", "-f", place], check=True)
    return place


def allow(place: Path, *keys: Path, options: str = "") -> Path:
    """Write a file of allowed signers that allows keys."""
    lines = [f"{PRINCIPAL} {options} {key.with_name(f'{key.name}.pub').read_text()}" for key in keys]
    place.write_text("".join(lines))
    return place


def listed_fingerprint(key: Path) -> str:
    """Return a key's fingerprint as ssh-keygen lists it."""
    told = subprocess.run(["ssh-keygen", "-l", "-f", f"{key}.pub"], check=True, capture_output=True, text=True)
    return told.stdout.split()[1]


def without_terminal() -> dict[str, Any]:
    """Return how a process is started that has no terminal to ask on."""
    hidden = {"DISPLAY", "SSH_ASKPASS", "SSH_AUTH_SOCK"}
    return {"start_new_session": True, "env": {k: v for k, v in os.environ.items() if k not in hidden}}
