"""Every error that verifier raises on purpose.

The tree::

    VerifierError                     one line for the user; carries an exit code
    ├── UsageProblem (ValueError)     2: what was asked for cannot be meant; nothing was scanned
    │   ├── NotAManifest              2: the file is something else
    │   ├── ManifestTooNew            2: written by a later version
    │   ├── AlgorithmMismatch         2: two manifests that cannot be compared
    │   ├── RuleFileError             2: a rule file that cannot be read or does not validate
    │   └── JobFileError              2: a job file that cannot be read or does not validate
    ├── SignOffRefused                1: the copy cannot be trusted, or the old side changed since; not signed
    ├── SignOffInconclusive           3: not everything could be checked; not signed
    ├── Interrupted                   3: stopped before the end; run it again
    │   ├── ShareGone                 3: the share itself went away under the scan
    │   └── WindowEnded               3: the time that it was given is over; it goes on when it is run again
    └── CannotRun (OSError)           4: the surroundings do not allow it
        ├── RootUnavailable           4: a root is not there, is empty, may not be read
        ├── ManifestDamaged           4: SQLite or the fingerprint says the file is not what was written
        ├── EvidenceUnwritable        4: no space, no permission, another run writes there
        ├── JobHeld                   4: another run of the job is under way
        ├── LedgerDamaged             4: the ledger is not what was written: an entry was changed or removed
        └── AccountUnbalanced         4: an internal error: entries were lost on the way to the report

A message names what failed, where, why, and what to do next, in one line: `str(error)` is what a person reads.
"""

from __future__ import annotations

from typing import ClassVar


class VerifierError(Exception):
    """Root of all errors raised on purpose.

    Args:
        what: What failed and where, without a full stop.
        hint: What to do next, without a full stop; may be empty.
    """

    exit_code: ClassVar[int] = 4

    def __init__(self, what: str, hint: str = "") -> None:
        super().__init__(what, hint)
        self.what = what
        self.hint = hint

    def __str__(self) -> str:
        line = f"{self.what}; {self.hint}" if self.hint else self.what
        # One line, whatever a name or another program's message brings along.
        return " ".join("".join(c if c.isprintable() else " " for c in line).split())


class UsageProblem(VerifierError, ValueError):
    """What was asked for cannot be meant; nothing was scanned."""

    exit_code = 2


class NotAManifest(UsageProblem):
    """The file is not a manifest of this tool."""


class ManifestTooNew(UsageProblem):
    """The manifest was written by a later version than this one."""


class AlgorithmMismatch(UsageProblem):
    """Two manifests hold digests of different algorithms."""


class RuleFileError(UsageProblem):
    """A rule file cannot be read or does not validate."""


class JobFileError(UsageProblem):
    """A job file cannot be read or does not validate."""


class SignOffRefused(VerifierError):
    """What stands in the way of a sign-off was found, and no reason was given to sign all the same."""

    exit_code = 1


class SignOffInconclusive(VerifierError):
    """Not everything could be checked, and no reason was given to sign all the same."""

    exit_code = 3


class Interrupted(VerifierError):
    """The run was stopped before its end; what was proved stays proved."""

    exit_code = 3


class ShareGone(Interrupted):
    """The share under a scan went away: nothing that was not seen may count as missing."""


class WindowEnded(Interrupted):
    """The time that the run was given is over; what was proved stays proved."""


class CannotRun(VerifierError, OSError):
    """The surroundings do not allow the run."""

    exit_code = 4


class RootUnavailable(CannotRun):
    """A root is not there, is empty, is not mounted or may not be read."""


class ManifestDamaged(CannotRun):
    """A manifest is not what was written."""


class EvidenceUnwritable(CannotRun):
    """The evidence cannot be written: no space, no permission, or another run is writing."""


class JobHeld(CannotRun):
    """Another run of the job is under way."""


class LedgerDamaged(CannotRun):
    """The ledger is not what was written: an entry was changed, removed or put in."""


class AccountUnbalanced(CannotRun):
    """Entries were lost between manifest and findings: a defect of this program, never a report."""
