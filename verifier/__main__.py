"""``python -m verifier`` and the ``verifier`` command.

Imports nothing at the top: reader processes load this module again when they start.
"""

from __future__ import annotations

import os
import sys


def main() -> None:
    """Run the command line and exit with its code."""
    if set(sys.argv[1:2]) & {"check", "scan", "nightly"} and not set(sys.argv) & {"-h", "--help"}:
        # Reader processes come from a server, which starts while the command line is read here.
        from verifier.scan.engine import warm_up  # noqa: PLC0415

        warm_up()
    from verifier.cli.app import run  # noqa: PLC0415

    code = run()
    engine = sys.modules.get("verifier.scan.engine")
    if engine is not None and engine.STUCK:
        # A reader that hangs inside the system cannot be ended, and the usual way out would wait for it.
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    sys.exit(code)


if __name__ == "__main__":
    main()
