"""``python -m verifier`` and the ``verifier`` command.

Imports nothing at the top: reader processes load this module again when they start.
"""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line and exit with its code."""
    from verifier.cli.app import run  # noqa: PLC0415

    sys.exit(run())


if __name__ == "__main__":
    main()
