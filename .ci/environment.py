"""Make the project's environment if it is not there or out of date, and run a command in it.

Needs nothing but Python 3.11 or later. Used by `.ci/demo` and `.ci/test`:

    python3 .ci/environment.py EXTRA COMMAND [ARGUMENT ...]
"""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
HOME = ROOT / ".venv"
BIN = HOME / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BIN / ("python.exe" if os.name == "nt" else "python")
LOCK = ROOT / ".ci" / "constraints.txt"


def prepare(extra: str) -> None:
    """Install the project with an extra into `.venv`, unless that was done for these very requirements."""
    if sys.version_info < (3, 11):  # noqa: UP036  run by whatever python3 there is
        sys.exit(f"verifier needs Python 3.11 or later; this is {sys.version.split()[0]}: use python3.11 or newer")
    wanted = hashlib.sha256((ROOT / "pyproject.toml").read_bytes() + LOCK.read_bytes()).hexdigest()
    stamp = HOME / f"made-for-{extra}"
    if stamp.is_file() and stamp.read_text() == wanted and PYTHON.exists():
        return
    print(f"making the environment in {HOME.name} ...", file=sys.stderr)
    if not PYTHON.exists() and subprocess.run([sys.executable, "-m", "venv", HOME], check=False).returncode:
        sys.exit("the environment could not be made: install Python's venv module (Debian: apt install python3-venv)")
    target = f"{ROOT}[{extra}]" if extra != "run" else str(ROOT)
    install = [PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--constraint", LOCK]
    if subprocess.run([*install, "--editable", target], check=False).returncode:
        sys.exit("the packages could not be installed: is there a network, or a package index that pip knows?")
    stamp.write_text(wanted)


def main() -> None:
    """Prepare, then run the command with the environment's programs first, and exit with its code."""
    extra, command, *arguments = sys.argv[1:]
    prepare(extra)
    environment = os.environ | {"PATH": f"{BIN}{os.pathsep}{os.environ.get('PATH', '')}"}
    sys.exit(subprocess.run([BIN / command, *arguments], env=environment, cwd=os.getcwd(), check=False).returncode)  # noqa: PTH109


if __name__ == "__main__":
    main()
