"""The version, in a module of its own so that every layer may name it."""

from __future__ import annotations

from typing import Final

__version__ = "0.1.0"
TOOL: Final = f"verifier {__version__}"
"""How manifests and reports name what made them."""
