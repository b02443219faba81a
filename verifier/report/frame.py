"""What pages that stand alone have in common: templates that escape, and a style sheet that is let in by its digest."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined

BASE_SHEET: Final = "base.css"
"""Colours, type, the frames of verdicts and plain tables: what makes pages of one family."""


def environment(room: str) -> Environment:
    """Return an environment for the templates of a room of this package; every text in them is escaped.

    Args:
        room: Such as ``report``; its templates lie in ``templates``.
    """
    return Environment(
        loader=PackageLoader("verifier", f"{room}/templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def own_text(room: str, name: str) -> str:
    """Return a style sheet or script that lies with a room's templates."""
    return files(f"verifier.{room}").joinpath("templates", name).read_text("utf-8")


def sheet_of(room: str, name: str, margins: str) -> str:
    """Return the style sheet of a page: that of all pages, its own, and what is printed in the margins.

    Args:
        room: As for `environment`.
        name: Of the page's own sheet.
        margins: Declarations for ``@page``, with nothing in them that came from outside.
    """
    return f"{own_text('report', BASE_SHEET)}{own_text(room, name)}@page {{ {margins} }}\n"


def digest_of(text: str) -> str:
    """Return the digest by which a content security policy lets an inline text in (W3C CSP level 3)."""
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
