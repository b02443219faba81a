"""What lies where in a job's evidence folder."""

from __future__ import annotations

import re
from typing import Final

LEDGER_FILE: Final = "ledger.sqlite"
HISTORY_FILE: Final = "history.html"
MESSAGES_FILE: Final = "messages.sqlite"
"""What was told, and what is still to be told."""
LOCK_FILE: Final = ".lock"
HOLDER_FILE: Final = "running.json"
"""Who holds the lock, since when; what a run that was killed leaves behind."""
RUNS: Final = "runs"
"""A folder of evidence for each run that finished, called after it."""
RUN_NAME: Final = re.compile(r"[0-9]{8}T[0-9]{6}Z(?:-[0-9]{1,4})?", re.ASCII)
"""What a run, and its folder there, is called; a number follows where two began within one second."""
GOING: Final = ".going-"
"""What stands before the name of such a folder from the moment on at which it is removed: it is not whole any more."""
UNFINISHED: Final = "unfinished"
"""The evidence of a run that did not finish; the next one goes on from it."""
